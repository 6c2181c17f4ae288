"""Plot of the outlook: a fan of the likely air, its band, and marks for spells and good hours."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats
from dashboard.ui.plot_labels import (
    LEGEND,
    Band,
    band_ends,
    band_shapes,
    end_labels,
    night_shapes,
    upright,
)
from dashboard.ui.plots import LEAST_SPAN, NARROW_PX, axes, escaped, faint, figure
from monitor.outlook.files import HOUR_MS
from monitor.science.outlook.ensemble_statistics import LIKELY, likely

if TYPE_CHECKING:
    from dashboard.ui.formats import DisplayScale
    from dashboard.ui.plots import View
    from dashboard.ui.themes import Theme
    from monitor.outlook.summary import PlaceOutlook
    from monitor.science.outlook.ensemble_statistics import Fan, GoodHours, OutlookSpell
    from monitor.science.ranges import Floats

FANS = {
    "humidity": "rh_pct",
    "temperature": "temp_c",
    "dew_point": "dew_point_c",
    "equilibrium_moisture_content": "emc_pct",
}
"""Quantities that can be shown, and the field of a `Fan` that has each."""
OUTDOORS = {"temperature": "temp_c", "dew_point": "dew_c"}
"""Quantities of which the outdoor air is drawn too: indoors and outdoors share a scale."""


LINE_PX = 24
"""Height of a line of words above the plot. [px]"""


class Beside(NamedTuple):
    """A second fan to compare with, and its name."""

    label: str
    fan: Fan


def at_ms(one: PlaceOutlook) -> Floats:
    """Middles of the steps, shape (STEPS,). [ms]"""
    return np.asarray(one.look.edges_ms[:-1] + HOUR_MS // 2, np.float64)


def fan_of(fan: Fan, quantity: str, how: DisplayScale) -> Floats:
    """10, 50 and 90 % of a quantity in display units, shape (3, STEPS)."""
    return np.asarray(getattr(fan, FANS[quantity]) * how.factor + how.offset)


def coming_plot(
    one: PlaceOutlook, quantity: str, view: View, look: Theme, beside: Beside | None = None
) -> go.Figure:
    """A fan, and perhaps a second one with dashed edges and open marks."""
    how = formats.scale(quantity, view.unit)
    mark = "% RH" if quantity == "humidity" else how.unit
    at = at_ms(one)
    own = fan_of(one.fan, quantity, how)
    texts = formats.moments(at.astype(np.int64), view.zone)
    data = [_wash(at, own, look), _middle(at, own, texts, one.place.label, how, look)]
    shown = [own]
    ends = [("middle", own[1], look.ink)]
    if beside is not None:
        other = fan_of(beside.fan, quantity, how)
        data += _second(at, other, texts, beside.label, how, look)
        shown.append(other)
        ends.append((beside.label, other[1], look.lines[1]))
    if quantity in OUTDOORS:
        outside = getattr(one.look.launch.air, OUTDOORS[quantity]).mean(axis=1)
        outside = outside * how.factor + how.offset
        data.append(_outside(at, outside, texts, how, look))
        shown.append(outside[None])
        ends.append(("outdoors", outside, look.quiet))
    bands = [Band(one.low_pct, one.high_pct)] if quantity == "humidity" else []
    low, high = _y_range([*shown, *(np.array([band[:2]]) for band in bands)], how)
    ends += band_ends(bands, look)
    narrow = view.width_px < NARROW_PX
    begins = _beginnings(one, look) if quantity == "humidity" else []
    over = 0 if narrow else LINE_PX * len(begins)
    data += [_mark(one, begin, view) for begin in begins]
    layout = {
        **axes(view, look, (low, high), f"{how.words} [{mark}]"),
        "shapes": [
            *night_shapes(view, look),
            *band_shapes(bands, look),
            *_reach_shapes(one, look),
            *(_stem(one, begin, high) for begin in begins),
            *_stretch_shapes(one, look),
        ],
        "annotations": [
            *_reach_labels(one, look, narrow),
            *([] if narrow else _chance_labels(one, begins)),
            *_stretch_labels(one, look),
            *([] if narrow else end_labels(ends, (low, high))),
        ],
        "showlegend": narrow,
        "legend": LEGEND,
        "dragmode": False,
        "margin": {"l": 64, "r": 16 if narrow else 170, "t": 30 + over, "b": 76},
    }
    layout["xaxis"]["fixedrange"] = True
    return figure(data, layout, look)


def summary(one: PlaceOutlook, quantity: str, view: View) -> str:
    """The fan in a sentence."""
    how = formats.scale(quantity, view.unit)
    middle = fan_of(one.fan, quantity, how)[1]
    least, most = int(np.argmin(middle)), int(np.argmax(middle))

    def at_hour(i: int) -> str:
        value = formats.figure(float(middle[i]), how.decimals)
        stamp = formats.moments(np.array([one.at_ms(i)], np.int64), view.zone)[0]
        return f"{value} {how.unit} at {stamp}"

    return (
        f"{how.words} of {one.place.label} over the next five days. The line is the middle course: "
        f"lowest about {at_hour(least)}, highest about {at_hour(most)}. "
        "8 in 10 likely courses lie in the shaded range."
    )


def _wash(at: Floats, fan: Floats, look: Theme) -> go.Scatter:
    return go.Scatter(
        mode="lines",
        fill="toself",
        hoverinfo="skip",
        x=np.concatenate([at, at[::-1]]),
        y=np.concatenate([fan[2], fan[0][::-1]]),
        fillcolor=faint(look.ink, 0.16),
        line={"width": 0},
        name="8 of 10",
    )


def _hover(fan: Floats, texts: list[str], name: str, how: DisplayScale) -> dict[str, Any]:
    d = how.decimals
    return {
        "text": texts,
        "customdata": fan[[0, 2]].T,
        "hovertemplate": f"{escaped(name)}<br>%{{text}}<br>%{{y:.{d}f}} {how.unit} "
        f"(%{{customdata[0]:.{d}f}} to %{{customdata[1]:.{d}f}})<extra></extra>",
    }


def _middle(
    at: Floats, fan: Floats, texts: list[str], name: str, how: DisplayScale, look: Theme
) -> go.Scatter:
    return go.Scatter(
        mode="lines",
        x=at,
        y=fan[1],
        name=name,
        line={"color": look.ink, "width": 2.6},
        **_hover(fan, texts, name, how),
    )


def _second(
    at: Floats, fan: Floats, texts: list[str], name: str, how: DisplayScale, look: Theme
) -> list[go.Scatter]:
    """Told from the first by its dashed edges and open rings, not by colour alone."""
    ink = look.lines[1]
    edges = [
        go.Scatter(
            mode="lines",
            x=at,
            y=edge,
            hoverinfo="skip",
            line={"color": ink, "width": 1.4, "dash": "4px,4px"},
            name=f"{name}, edge",
        )
        for edge in (fan[0], fan[2])
    ]
    middle = go.Scatter(
        mode="lines+markers",
        x=at,
        y=fan[1],
        name=name,
        line={"color": ink, "width": 2.2},
        marker={
            "symbol": "circle-open",
            "size": [9 if i % 6 == 0 else 0 for i in range(len(at))],
            "color": ink,
            "line": {"width": 2},
        },
        **_hover(fan, texts, name, how),
    )
    return [*edges, middle]


def _outside(
    at: Floats, values: Floats, texts: list[str], how: DisplayScale, look: Theme
) -> go.Scatter:
    return go.Scatter(
        mode="lines",
        x=at,
        y=values,
        name="outdoors",
        line={"color": look.quiet, "width": 1.4, "dash": "dot"},
        text=texts,
        hovertemplate=f"outdoors<br>%{{text}}<br>%{{y:.{how.decimals}f}} {how.unit}"
        "<extra></extra>",
    )


def _y_range(shown: list[Floats], how: DisplayScale) -> tuple[float, float]:
    low = min(float(values.min()) for values in shown)
    high = max(float(values.max()) for values in shown)
    span = max(high - low, LEAST_SPAN.get(how.unit, 0.0)) or 1.0
    middle = (low + high) / 2
    return middle - 0.66 * span, middle + 0.58 * span  # room for the good hours at the foot


class _Beginning(NamedTuple):
    """A spell that begins: its limit, the symbol and colour of its mark, and its word."""

    spell: OutlookSpell
    level: float
    symbol: str
    ink: str
    word: str


def _beginnings(one: PlaceOutlook, look: Theme) -> list[_Beginning]:
    found = (
        (one.dry, one.low_pct, "triangle-down", look.dry, "dry air"),
        (one.over, one.high_pct, "triangle-up", look.damp, "air above the band"),
    )
    return [
        _Beginning(spell, level, symbol, ink, word)
        for spell, level, symbol, ink, word in found
        if spell is not None and spell.chance >= 0.2 and spell.begins_h.middle > 0
    ]


def _mark(one: PlaceOutlook, begin: _Beginning, view: View) -> go.Scatter:
    """Mark where a spell begins, on the limit that it crosses, with its range in time."""
    spell, ink = begin.spell, begin.ink
    low, middle, high = (float(one.at_ms(h)) for h in spell.begins_h)
    when = formats.moments(np.array([middle], np.int64), view.zone)[0]
    return go.Scatter(
        mode="markers",
        x=np.array([middle]),
        y=np.array([begin.level]),
        error_x={
            "type": "data",
            "symmetric": False,
            "array": [high - middle],
            "arrayminus": [middle - low],
            "color": ink,
            "thickness": 3,
            "width": 8,
        },
        marker={"symbol": begin.symbol, "size": 18, "color": ink},
        name=f"{likely(spell.chance)} chance of {begin.word}",
        hovertemplate=f"{begin.word} from about {when}<br>{likely(spell.chance)} chance"
        "<extra></extra>",
    )


def _stem(one: PlaceOutlook, begin: _Beginning, top: float) -> dict[str, Any]:
    """Thin line from a mark up to its words above the plot."""
    x = float(one.at_ms(begin.spell.begins_h.middle))
    line = {"color": begin.ink, "width": 1.4, "dash": "dot"}
    return {"type": "line", "x0": x, "x1": x, "y0": begin.level, "y1": top, "line": line}


def _chance_labels(one: PlaceOutlook, begins: list[_Beginning]) -> list[dict[str, Any]]:
    """Chance of each spell, above the plot and clear of its curves; where it is narrow, the legend
    has it."""
    steps = one.fan.rh_pct.shape[1]
    found = []
    for row, (spell, _, symbol, ink, word) in enumerate(begins, start=1):
        mark = "▼" if symbol.endswith("down") else "▲"
        late = spell.begins_h.middle > 0.55 * steps
        found.append(
            {
                "xref": "x",
                "x": float(one.at_ms(spell.begins_h.middle)),
                "yref": "paper",
                "y": 1,
                "yshift": LINE_PX * row,
                "showarrow": False,
                "xanchor": "right" if late else "left",
                "yanchor": "bottom",
                "text": f"{mark} {likely(spell.chance)} chance of {word}",
                "font": {"color": ink, "size": 16, "weight": 700},
            }
        )
    return found


def _reach_ms(one: PlaceOutlook) -> int:
    return one.at_ms(one.look.reaches_h)


def _reach_shapes(one: PlaceOutlook, look: Theme) -> list[dict[str, Any]]:
    """A line where the forecast ends."""
    if not 0 < one.look.reaches_h < one.fan.rh_pct.shape[1]:
        return []
    return [upright(_reach_ms(one), look)]


def _reach_labels(one: PlaceOutlook, look: Theme, narrow: bool) -> list[dict[str, Any]]:
    text, x = "end of forecast; less certain after this", float(_reach_ms(one))
    if not one.look.reaches_h:
        text, x = "no forecast; less certain", float(one.at_ms(1))
    elif one.look.reaches_h >= one.fan.rh_pct.shape[1]:
        return []
    late = one.look.reaches_h > one.fan.rh_pct.shape[1] * 0.6
    return [
        {
            "xref": "x",
            "yref": "paper",
            "x": x,
            "y": 1,
            "showarrow": False,
            "xanchor": "right" if late else "left",
            "yanchor": "bottom",
            "text": "less certain after this" if narrow and one.look.reaches_h else text,
            "font": {"color": look.quiet, "size": 15},
        }
    ]


def _stretches(one: PlaceOutlook) -> list[tuple[GoodHours, str, float]]:
    named = ((one.closing, "close", 0.07), (one.varnishing, "varnish", 0.0))
    return [
        (stretch, word, y)
        for stretch, word, y in named
        if stretch is not None and stretch.chance >= LIKELY
    ]


def _stretch_shapes(one: PlaceOutlook, look: Theme) -> list[dict[str, Any]]:
    """Good hours, as bars at the foot."""
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": one.at_ms(stretch.start),
            "x1": one.at_ms(stretch.start + stretch.hours),
            "y0": y + 0.015,
            "y1": y + 0.05,
            "fillcolor": look.ink,
            "line": {"width": 0},
        }
        for stretch, _, y in _stretches(one)
    ]


def _stretch_labels(one: PlaceOutlook, look: Theme) -> list[dict[str, Any]]:
    steps = one.fan.rh_pct.shape[1]
    found = []
    for stretch, word, y in _stretches(one):
        end = stretch.start + stretch.hours
        late = end > 0.7 * steps
        found.append(
            {
                "xref": "x",
                "yref": "paper",
                "x": one.at_ms(stretch.start if late else end),
                "y": y + 0.032,
                "text": f"good to {word}",
                "showarrow": False,
                "yanchor": "middle",
                "xanchor": "right" if late else "left",
                "font": {"color": look.ink, "size": 15},
            }
        )
    return found
