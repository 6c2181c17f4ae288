"""Coming, on the wall: five days of the place that matters most, as a ribbon against its band."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from dash import dcc, html

from dashboard.coming import text
from dashboard.ui import drawings, formats
from dashboard.ui.markup import attributes, shape
from monitor.science.outlook.ensemble_statistics import LIKELY, UNSURE, likely

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.outlook import OutlookQueries
    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.ranges import Floats

LIMIT_TEXT = 18.0
"""Height of a limit's text on the ribbon. [%]"""
LEAST_PCT = 30.0
"""The ribbon's scale spans at least this. [% RH]"""


def foremost(shop: ShopData, book: OutlookQueries, now_ms: int) -> list[Component]:
    """The strip of the place that matters most, or that there is no outlook."""
    unit = formats.unit_of(shop.settings)
    one = book.foremost()
    if one is None:
        state = book.progress()
        words = "No outlook yet."
        if state is not None:
            share = round(100 * state.done / max(state.total, 1))
            words = f"The outlook is being calculated: {share} %."
        none = html.P(html.Span(words, className="whose"), className="ribbon-said")
        heading = html.H2(dcc.Link("Coming", href="/coming"))
        label = attributes(aria_label="Coming")
        return [html.Section([heading, none], className="coming-strip", **label)]
    return [strip(one, now_ms, shop.settings.zone, unit)]


def strip(one: PlaceOutlook, now_ms: int, zone: ZoneInfo, unit: Unit) -> Component:
    """Strip with the time when the air of a place leaves its band, how far, and the ribbon."""
    line = text.wall_line(one, now_ms, zone, unit)
    low, high = scale(one)
    return html.Section(
        [
            html.H2(dcc.Link("Coming", href=f"/coming?place={one.place.id}")),
            html.P(
                [
                    html.Span(
                        [shape(line.state), " ", html.Span(formats.unbroken(line.sentence))],
                        className="leaves",
                    ),
                    " ",
                    html.Span(formats.unbroken(line.detail), className="whose"),
                ],
                className="ribbon-said",
            ),
            html.Div(
                [
                    *_nights(one, zone),
                    *_fan(one, low, high),
                    *_band(one, low, high),
                    *_days(one, zone),
                    *_marks(one),
                ],
                className="ribbon",
                role="img",
                **attributes(aria_label=words(one, zone)),
            ),
        ],
        className="coming-strip",
        **attributes(aria_label="Coming"),
    )


def scale(one: PlaceOutlook) -> tuple[float, float]:
    """Ends of the ribbon's scale: fan and band are inside. [%]"""
    low = min(float(one.fan.rh_pct.min()), one.low_pct) - 2
    high = max(float(one.fan.rh_pct.max()), one.high_pct) + 2
    short = max(LEAST_PCT - (high - low), 0.0) / 2
    return low - short, high + short


def words(one: PlaceOutlook, zone: ZoneInfo) -> str:
    """The ribbon in a sentence."""
    low, middle, high = one.fan.rh_pct
    least, most = int(middle.argmin()), int(middle.argmax())

    def at_hour(i: int) -> str:
        return (
            f"{middle[i]:.0f} % ({low[i]:.0f} to {high[i]:.0f}) "
            f"{formats.weekday(one.at_ms(i), zone)}"
        )

    return (
        f"RH of {one.place.label} over five days, middle course: lowest {at_hour(least)}, "
        f"highest {at_hour(most)}; "
        f"band {one.low_pct:g} to {one.high_pct:g} %"
    )


def _across(one: PlaceOutlook, ms: float) -> float:
    """Position of a moment on the strip, 0 to 100. [%]"""
    edges = one.look.edges_ms
    return float(np.clip(100 * (ms - edges[0]) / (edges[-1] - edges[0]), 0, 100))


def _nights(one: PlaceOutlook, zone: ZoneInfo) -> list[Component]:
    edges = one.look.edges_ms
    return [
        html.Span(className="night", style=_from_to(_across(one, begin), _across(one, end)))
        for begin, end in formats.nights(int(edges[0]), int(edges[-1]), zone)
    ]


def _from_to(begin: float, end: float) -> dict[str, str]:
    return {"left": f"{begin:.2f}%", "width": f"{end - begin:.2f}%"}


def _band(one: PlaceOutlook, low: float, high: float) -> list[Component]:
    dry, damp = _down(one.low_pct, low, high), _down(one.high_pct, low, high)
    dry_above = dry > 100 - LIMIT_TEXT  # below it stand the days
    damp_above = damp + LIMIT_TEXT * (1 + dry_above) > dry  # the other text stands there
    return [
        html.Span(
            html.Span(f"{level:g} %"),
            className="limit",
            style={"top": f"{down:.2f}%"},
            **attributes(data_side=side, data_above="yes" if above else "no"),
        )
        for level, down, side, above in (
            (one.low_pct, dry, "dry", dry_above),
            (one.high_pct, damp, "damp", damp_above),
        )
    ]


def _down(level: float, low: float, high: float) -> float:
    return 100 * (1 - (level - low) / (high - low))


def _fan(one: PlaceOutlook, low: float, high: float) -> list[Component]:
    steps = one.fan.rh_pct.shape[1]
    x = (np.arange(steps) + 0.5) / steps

    def up(values: Floats) -> Floats:
        return np.asarray((values - low) / (high - low))

    ten, middle, ninety = one.fan.rh_pct
    masks = (
        ("wash", drawings.area(x, up(ten), up(ninety))),
        ("middle", drawings.curve(x, up(middle), 2.5, whole=True)),
    )
    return [
        html.Div(className=name, style={"WebkitMaskImage": mask, "maskImage": mask})
        for name, mask in masks
    ]


def _days(one: PlaceOutlook, zone: ZoneInfo) -> list[Component]:
    edges = one.look.edges_ms
    marks = formats.ticks(int(edges[0]), int(edges[-1]), zone, most=6)
    return [
        html.Span(
            tick.text.split(" ")[0],
            className="day",
            style={"left": f"{_across(one, tick.at_ms):.2f}%"},
        )
        for tick in marks
        if _across(one, tick.at_ms) < 96
    ]


def _marks(one: PlaceOutlook) -> list[Component]:
    """Marks where a spell or good hours begin, or the forecast ends."""
    found = []
    for state, word, spell in (("dry", "dry air", one.dry), ("damp", "damp air", one.over)):
        if spell is not None and spell.chance >= UNSURE and spell.begins_h.middle > 0:
            at = _across(one, one.at_ms(spell.begins_h.middle))
            found.append(_mark(at, state, f"{likely(spell.chance)} chance of {word}"))
    for stretch, word in ((one.closing, "close"), (one.varnishing, "varnish")):
        if stretch is not None and stretch.chance >= LIKELY:
            begin = _across(one, one.at_ms(stretch.start))
            end = _across(one, one.at_ms(stretch.start + stretch.hours))
            found.append(
                html.Span(
                    html.Span(f"good to {word}"),
                    className="good",
                    style=_from_to(begin, end),
                    **attributes(data_for=word, data_room=_room(begin, end)),
                )
            )
    return found


def _room(begin: float, end: float) -> str:
    """Side of a stretch with room for its words, which take a third of a phone's width."""
    return "after" if end < 65 else "before" if begin > 35 else "over"


def _mark(at: float, state: str, word: str) -> Component:
    """Mark of a moment, its words on the side with more room."""
    late = at > 50
    room = (
        {"left": "0", "right": f"{100 - at:.2f}%"}
        if late
        else {"left": f"{at:.2f}%", "right": "0"}
    )
    return html.Span(
        [shape(state), html.Span(word)],
        className="happens",
        style=room,
        **attributes(data_late="yes" if late else "no"),
    )
