"""Row of one place on Air: its state in words, air strip, temperature, wood and dew point."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from dash import html

from dashboard.air import text
from dashboard.ui import drawings, formats, missing
from dashboard.ui.markup import attributes, shape
from dashboard.ui.sentences import Headline
from monitor.air.current import TRACE_MS, PlaceAir
from monitor.domain.air_assessment import AirState

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component
    from numpy.typing import NDArray

    from dashboard.ui.formats import Unit
    from monitor.settings import Settings

LOW_BATTERY_PCT = 15.0
"""Battery charge below which the charge is shown beside the reading's age. [%]  Ours."""
_WORDS: dict[str, str] = {
    AirState.DRY: "dry",
    AirState.DAMP: "damp",
    AirState.COLD: "cold",
    AirState.HOT: "hot",
    AirState.RIGHT: "right",
    AirState.UNKNOWN: "not known",
    text.OLD: "old",
}


def place_row(
    air: PlaceAir,
    now: int,
    zone: ZoneInfo,
    unit: Unit,
    head: Headline,
    settings: Settings,
    *,
    writer: bool,
) -> Component:
    """Row of one place: name and meaning, RH, air strip, temperature, wood and dew point."""
    state = text.state_of(air)
    outdoors = air.place.kind == "outdoors"
    word = [shape(state), html.Span(_WORDS[state])]
    wordless = outdoors and state == AirState.RIGHT
    who = html.Div(
        [
            html.H2(
                [
                    html.Span(air.place.label, className="name"),
                    html.Span(None if wordless else word, className="word"),
                ]
            ),
            html.Div(_meaning(air, now, zone, head), className="meaning"),
            html.P(_age(air, now, settings, unit, writer=writer), className="age"),
        ],
        className="who",
    )
    if air.heard_ms is None:
        return html.Article(
            html.Div(who, className="in"), className="place", **attributes(data_state=state)
        )
    trace = air.trace

    def spark(values: NDArray[Any], least: float) -> Component:
        return _spark(trace.at_ms, values, now, least)

    inside = [
        who,
        html.Div(
            [
                _figure(formats.shown("humidity", air.rh_pct, unit), "%"),
                html.P("Relative humidity", className="what"),
            ],
            className="rh",
        ),
        strip(air, now, unit),
        html.Div(
            [
                _figure(*_split("temperature", air.temp_c, unit)),
                spark(trace.temp_c, 2.0),
                html.P("Temperature", className="what"),
            ],
            className="temp",
        ),
    ]
    derived: list[Component] = []
    if not outdoors:
        wood = [_wood(air, unit), spark(trace.moisture_pct, 0.8)]
        derived.append(html.Div(wood, className="small wood"))
    elif math.isfinite(air.heated_rh_pct):
        derived.append(_indoors(air, unit))
    derived.append(
        html.Div([*_dew(air, unit), spark(trace.dew_point_c, 2.0)], className="small dew")
    )
    inside.append(html.Div(derived, className="derived"))
    return html.Article(
        html.Div(inside, className="in"),
        className="place",
        **attributes(data_state=state, data_kind=air.place.kind),
    )


def _indoors(air: PlaceAir, unit: Unit) -> Component:
    """RH of the outdoor air once it is in the shop: what outdoors means for the work."""
    return html.Div(
        [
            _figure(formats.shown("humidity", air.heated_rh_pct, unit), "% if heated"),
            html.P(text.brought_in(air, unit), className="what"),
        ],
        className="indoors",
    )


def _split(quantity: str, value: float, unit: Unit) -> tuple[str, str]:
    return formats.shown(quantity, value, unit), formats.scale(quantity, unit).unit


def _figure(value: str, unit: str) -> Component:
    return html.P(
        [html.Span(value, className="number"), " ", html.Span(unit, className="unit")],
        className="figure",
    )


def _meaning(air: PlaceAir, now: int, zone: ZoneInfo, head: Headline) -> list[Component | str]:
    """Sentences on a place's air. Where the page lacks room, only the first advice is shown and
    where the rest is found; advice that the headline has is dropped before that."""
    title, advice = air.assessment.titles, air.assessment.advice
    meaning = text.meaning(air, now, zone)
    if not title or not advice or meaning != air.assessment.sentence:
        return [meaning]
    first, _, rest = advice.partition(". ")
    above = " above" if head.detail.endswith(advice) else ""
    shown = [html.Span(f"{first.rstrip('.')}.", className="first-advice")]
    shown += [html.Span(f" {rest}", className="rest")] if rest else []
    return [
        f"{title}. ",
        html.Span(shown, className=f"advice{above}"),
        html.Details(
            [html.Summary("All advice"), html.P(advice)],
            className=f"all-advice{above}{'' if rest else ' short'}",
            **attributes(data_instead="More advice is on Air."),
        ),
    ]


def _wood(air: PlaceAir, unit: Unit) -> Component:
    """EMC with its uncertainty; marked as extrapolated beyond the formula's table."""
    value = formats.shown("equilibrium_moisture_content", air.moisture_pct, unit)
    more = "" if value.startswith("above") else f"±{formats.figure(air.u_moisture_pct, 1)}"
    what = "EMC, extrapolated" if air.extrapolated else "Wood moisture (EMC)"
    return _derived(value, "%", more, what)


def _dew(air: PlaceAir, unit: Unit) -> list[Component]:
    """The dew point; where it is below 0 °C, the frost point first, and both named."""
    degree = formats.scale("dew_point", unit).unit
    more = f"±{formats.spread(air.u_dew_point_k, unit)}"
    dew = formats.shown("dew_point", air.dew_point_c, unit)
    if math.isfinite(air.frost_point_c) and air.dew_point_c < 0:
        frost = formats.shown("frost_point", air.frost_point_c, unit)
        return [_derived(frost, degree, more, f"Frost point; dew point {dew} {degree}")]
    return [_derived(dew, degree, more, "Dew point")]


def _derived(value: str, unit: str, more: str, what: str) -> Component:
    return html.Div(
        [
            html.P(
                [
                    html.Span(value, className="number"),
                    " ",
                    html.Span(unit, className="unit"),
                    " ",
                    html.Span(more, className="more"),
                ],
                className="figure",
            ),
            html.P(what, className="what"),
        ]
    )


def _age(
    air: PlaceAir, now: int, settings: Settings, unit: Unit, *, writer: bool
) -> list[Component | str]:
    word, address = missing.TYPE_READING
    link = html.A(word, href=f"{address}?place={quote(air.place.id)}")
    type_one: list[Component | str] = [link] if writer else []
    if air.heard_ms is None:
        return type_one
    age = html.Span(
        formats.age((now - air.heard_ms) / 1000),
        className="heard",
        **attributes(
            data_heard=str(air.heard_ms),
            data_stale_s=f"{air.fresh_s(settings):g}",
            data_old="yes" if air.old else "no",
        ),
    )
    parts: list[Component | str] = [age]
    if air.by_hand:
        parts = [html.Span(["Read by hand ", age]), *type_one]
    if math.isfinite(air.surface_temp_c):
        above = air.surface_temp_c - air.dew_point_c
        text = f"surface {formats.with_unit('surface_temperature', air.surface_temp_c, unit)}"
        if math.isfinite(above):
            side = "above" if above >= 0 else "below"
            text += f", {formats.spread(abs(above), unit)} {side} the dew point"
        parts.append(html.Span(text))
    if air.battery_pct < LOW_BATTERY_PCT:
        parts.append(
            html.Span(
                f"battery {formats.with_unit('battery', air.battery_pct, unit)}", className="loud"
            )
        )
    return parts


def _spark(at_ms: NDArray[Any], values: NDArray[Any], now: int, least: float) -> Component:
    mask = drawings.spark(at_ms, values, now, TRACE_MS, least)
    return html.Div(className="spark", style=_masked(mask), **attributes(aria_hidden="true"))


def _masked(mask: str) -> dict[str, str]:
    if mask == "none":
        return {"visibility": "hidden"}
    return {"WebkitMaskImage": mask, "maskImage": mask}


def mark_state(air: PlaceAir) -> AirState:
    """State shown by the mark on the strip, in step with the assessment of the air."""
    if air.place.kind == "outdoors":
        return AirState.RIGHT
    for state in air.assessment.states & {AirState.DRY, AirState.DAMP}:
        return state
    low, high = air.band_pct
    return (
        AirState.DRY
        if air.rh_pct < low
        else AirState.DAMP
        if air.rh_pct > high
        else AirState.RIGHT
    )


def strip(air: PlaceAir, now: int, unit: Unit) -> Component:
    """The air strip: a rule from 20 to 80 % RH with the band as a notch, the last day coming down
    to the present value's mark."""
    outdoors = air.place.kind == "outdoors"
    low, high = (drawings.strip_place(v) for v in air.band_pct)
    at = drawings.strip_place(air.rh_pct)
    side = mark_state(air)
    beyond = ""
    if air.rh_pct < drawings.STRIP_LOW_PCT or air.rh_pct > drawings.STRIP_HIGH_PCT:
        beyond = "low" if air.rh_pct < drawings.STRIP_LOW_PCT else "high"
    mask = drawings.descent(air.trace.at_ms, air.trace.rh_pct, now, TRACE_MS)
    levels = range(int(drawings.STRIP_LOW_PCT), int(drawings.STRIP_HIGH_PCT) + 1, 10)
    parts: list[Component] = [
        html.Span("24 h ago", className="then", **attributes(data_side=_clear_side(air))),
        html.Div(className="trace", style=_masked(mask)),
        *(
            html.Span(className="tick", style={"left": f"{drawings.strip_place(v):.2f}%"})
            for v in range(20, 81, 5)
        ),
        *(
            html.Span(str(v), className="level", style={"left": f"{drawings.strip_place(v):.2f}%"})
            for v in levels
        ),
    ]
    if outdoors:
        parts.append(html.Div(className="rule", style={"left": "0", "right": "0"}))
    else:
        parts += [
            html.Div(className="rule", style={"left": "0", "width": f"{low:.2f}%"}),
            html.Div(
                className="notch", style={"left": f"{low:.2f}%", "width": f"{high - low:.2f}%"}
            ),
            html.Div(className="rule", style={"left": f"{high:.2f}%", "right": "0"}),
        ]
    if math.isfinite(air.rh_pct):
        resting = "yes" if side == AirState.RIGHT and not outdoors else "no"
        parts.append(
            html.Span(
                className="mark",
                style={"left": f"{at:.2f}%"},
                **attributes(
                    data_state=text.OLD if air.old else side,
                    data_resting=resting,
                    data_beyond=beyond,
                ),
            )
        )
    return html.Div(
        html.Div(parts, className="scale"),
        className="strip",
        role="img",
        **attributes(aria_label=_strip_words(air, unit)),
    )


def _clear_side(air: PlaceAir) -> str:
    """On which side the trace does not begin."""
    rh = air.trace.rh_pct
    return "right" if len(rh) and drawings.strip_place(float(rh[0])) < 40 else "left"


def _strip_words(air: PlaceAir, unit: Unit) -> str:
    text = f"RH {formats.with_unit('humidity', air.rh_pct, unit)}"
    if air.place.kind != "outdoors":
        text += f", band {air.band_pct[0]:g} to {air.band_pct[1]:g} %"
    if len(air.trace.rh_pct):
        low, high = air.trace.rh_pct.min(), air.trace.rh_pct.max()
        text += f", last day {formats.figure(low, 0)} to {formats.figure(high, 0)} %"
    return text
