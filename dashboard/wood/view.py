"""The pieces that pages show wood with: a part on its scale, whether it may be closed, fields."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from dash import dcc, html

from dashboard.ui import controls
from dashboard.ui.controls import action_button, text_field
from dashboard.ui.markup import attributes, shape
from dashboard.ui.page_frame import MenuSection
from dashboard.wood import text as wood_text
from dashboard.wood.forms import LABELS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.ui import formats
    from dashboard.ui.plates_text import ClosingAhead
    from monitor.domain.instrument import Instrument
    from monitor.science.plates.assessment import PartStatus, WoodStatus
    from monitor.wood.evaluation import InstrumentStatus

WOOD = MenuSection(
    "Wood",
    "bench wood",
    (("/wood", "In the shop"), ("/wood/new", "Take in"), ("/wood/left", "Handed out")),
)

SCALE_PCT = 5.0
"""The drawing reaches so far to either side of a part's rest. [% MC]"""
TICKS_PCT = (-4, -2, 2, 4)


def at(off_pct: float) -> float:
    """Position of a distance from home moisture, 0 to 100; beyond the drawing, its end. [%]"""
    return 50 + 50 * min(max(off_pct / SCALE_PCT, -1.0), 1.0)


def scale(one: PartStatus) -> Component:
    """A part between drier and damper: its rest in the middle, it now with its range, and a hollow
    mark where it will settle in the present air."""
    off = one.from_home_pct
    left, right = at(off.low), at(off.high)
    state = wood_text.side(off)
    settles = one.settle_pct.median - one.home_moisture_pct.median
    words = [f"{one.part.name}: {wood_text.off_home(off)}"]
    pieces = [
        html.Span(className="axis"),
        *(html.Span(className="tick", style={"left": f"{at(t):.1f}%"}) for t in TICKS_PCT),
        html.Span(className="rest"),
        html.Span(
            className="range", style={"left": f"{left:.2f}%", "width": f"{right - left:.2f}%"}
        ),
    ]
    if not math.isnan(settles):
        pieces.append(html.Span(className="settle", style={"left": f"{at(settles):.2f}%"}))
        word = "drier" if settles < 0 else "damper"
        words.append(
            f"settles {abs(settles):.1f} points {word} than its home moisture in the present air"
        )
    pieces.append(
        html.Span(
            className="mark",
            style={"left": f"{at(off.median):.2f}%"},
            **attributes(data_state=state),
        )
    )
    return html.Div(
        pieces, className="off-scale", role="img", **attributes(aria_label="; ".join(words))
    )


def heads() -> Component:
    """Legend over the first of the drawings."""
    marks = (("▼ drier", "", at(-3.6)), ("home", "now", 50.0), ("▲ damper", "", at(3.6)))
    ruler = [
        html.Span(text, className=name, style={"left": f"{place:.1f}%"})
        for text, name, place in marks
    ]
    return html.Div(
        html.Div([html.Span(), html.Div(ruler, className="ruler")], className="part-line"),
        className="wood-scale",
        **attributes(aria_hidden="true"),
    )


def closing(
    status: InstrumentStatus,
    now_ms: int,
    zone: ZoneInfo,
    unit: formats.Unit,
    ahead: ClosingAhead | None = None,
) -> Component:
    """Answer to whether an instrument may be closed, in large type."""
    found = wood_text.closeness(status, now_ms, zone, unit, ahead)
    first, second = ("then", "why") if status.against else ("why", "then")
    return html.Div(
        [
            html.P(wood_text.closing_question(status.instrument), className="asked-of"),
            html.P([shape(str(found.close)), html.Strong(found.word)], className="answer"),
            html.P(found.why, className=first),
            html.P(found.then, className=second) if found.then else None,
        ],
        className="closing",
        **attributes(data_close=str(found.close)),
    )


def row(
    status: InstrumentStatus,
    places: Mapping[str, str],
    now_ms: int,
    zone: ZoneInfo,
    unit: formats.Unit,
) -> Component:
    """An instrument on the wood page."""
    one = status.instrument
    parts = status.answer.parts if status.answer else ()
    return html.Li(
        [
            html.Div(
                [
                    html.H2(dcc.Link(one.reference, href=f"/wood/{one.id}")),
                    html.P(wood_text.facts(one, places), className="facts-line"),
                    html.P(wood_text.stay(one, now_ms, zone), className="aside"),
                ],
                className="named",
            ),
            html.Ul([line(part) for part in parts], className="parts") if parts else html.Div(),
            closing(status, now_ms, zone, unit),
        ],
        key=one.id,
        className="instrument",
        **attributes(data_instrument=one.id),
    )


def line(one: PartStatus) -> Component:
    """A part in a line."""
    return html.Li(
        [
            html.Span(one.part.name, className="part-name"),
            scale(one),
            html.Span(wood_text.off_home_brief(one.from_home_pct), className="off"),
            html.Span(wood_text.moved(one.change_mm, one.part.width_mm), className="moved"),
            html.Span(
                wood_text.settles_words(one.settles_in_s).partition(" (")[0], className="settling"
            ),
        ],
        key=one.part.name,
        className="part-line",
    )


def field(name: str, id_: str, *, unit: str = "", text: str = "", **more: Any) -> Component:
    """A labelled line to type into, with the line for its faults. `name` is what is sent."""
    label = f"{text or LABELS[name.rpartition('.')[2]]}{f' [{unit}]' if unit else ''}"
    return text_field(label, id_, name, faults=True, **more)


def choice(name: str, id_: str, chosen: str, options: Mapping[str, str]) -> Component:
    """A labelled list to choose from."""
    return controls.choice(LABELS[name.rpartition(".")[2]], id_, name, options, chosen)


def cautions(keys: Sequence[str]) -> list[Component]:
    """The cautions of these keys, and whom they defer to."""
    if not keys:
        return []
    return [
        html.Ul([html.Li(wood_text.CAUTIONS[key]) for key in keys], className="wood-cautions"),
        html.P(wood_text.DEFERS, className="aside"),
    ]


def assumed(answer: WoodStatus) -> Component:
    """Assumptions of an answer, in small print."""
    assumptions = [str(one) for one in answer.assumed]
    return html.P(
        f"Assumed: {'; '.join(assumptions)}. {wood_text.SUPPOSED}", className="aside small-print"
    )


def move_to(instrument: Instrument, places: Mapping[str, str]) -> list[Component]:
    """A tap for each other place."""
    return [
        action_button(
            label,
            "move",
            about="instrument",
            instrument=instrument.id,
            place=id_,
            form="at-form",
            said=f"Moved to {label}.",
            then="reload",
        )
        for id_, label in places.items()
        if id_ != instrument.place
    ]
