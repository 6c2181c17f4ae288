"""The plot of a climate record: each day's mean, the target band, and where the air left it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from dashboard.ui import formats
from dashboard.ui.plots import template

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from dashboard.ui.themes import Theme
    from monitor.air.climate_report import ClimateRecord

DAY_MS = formats.DAY_MS
NARROW_PX = 600


class Days(NamedTuple):
    """Means over local days, from the first with a reading to the last; NaN where there is none.

    Noon of each day [ms], RH, level and limits of the band [%], whether the level is settled.
    """

    at_ms: NDArray[np.int64]
    rh_pct: NDArray[np.float64]
    low_pct: NDArray[np.float64]
    high_pct: NDArray[np.float64]
    settled: NDArray[np.bool_]


def days_of(record: ClimateRecord, zone: ZoneInfo) -> Days:
    """A record day by day on the local calendar."""
    air, band = record.air, record.band
    wall = formats.local_ms(air.ts_ms, zone)
    number = wall // DAY_MS
    day = number - number[0]
    count = int(day[-1]) + 1
    offset = np.zeros(count, np.int64)
    offset[day] = wall - air.ts_ms  # a day without readings keeps 0: it has nothing to show
    at_ms = (number[0] + np.arange(count)) * DAY_MS + DAY_MS // 2 - offset

    def mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
        known = ~np.isnan(values)
        held = np.bincount(day[known], air.held_ms[known], count)
        with np.errstate(invalid="ignore"):
            return np.bincount(day[known], (air.held_ms * values)[known], count) / held

    rh = mean(air.rh_pct)
    if band is None:
        return Days(
            at_ms, rh, np.full(count, np.nan), np.full(count, np.nan), np.zeros(count, bool)
        )
    unsettled = np.bincount(day, ~band.settled, count) > 0
    return Days(at_ms, rh, mean(band.low_pct), mean(band.high_pct), ~unsettled)


def climate_plot(
    record: ClimateRecord, zone: ZoneInfo, look: Theme, width_px: int = 1280
) -> dict[str, Any]:
    """Daily means as a line, the band as a wash, exceedances as marks pointing out of it.

    A figure as a plain dict, as in `figures.history_plot`. Where the band is not settled it is
    drawn with dashed edges and no wash.
    """
    days = days_of(record, zone)
    low, high = _y_range(record, days)
    data = [*_band(days, look), _line(days, zone, look), *_marks(record, zone, look)]
    narrow = width_px < NARROW_PX
    ticks = formats.ticks(record.start_ms, record.end_ms, zone, most=6 if narrow else 14)
    axis: dict[str, Any] = {
        "gridcolor": f"{look.ink}24",
        "zeroline": False,
        "linecolor": look.quiet,
        "tickcolor": look.quiet,
    }
    layout = {
        "template": template(look),
        "xaxis": axis
        | {
            "range": [record.start_ms, record.end_ms],
            "type": "linear",
            "fixedrange": True,
            "tickvals": [t.at_ms for t in ticks],
            "ticktext": [t.text for t in ticks],
            "title": {"text": f"Local time, {zone.key.replace('_', ' ')}", "standoff": 8},
        },
        "yaxis": axis
        | {
            "range": [low, high],
            "fixedrange": True,
            "nticks": 7,
            "title": {"text": "Relative humidity [%]", "standoff": 8},
        },
        "annotations": [] if narrow else _labels(days, low, high, look),
        "dragmode": False,
        "margin": {"l": 64, "r": 16 if narrow else 130, "t": 12, "b": 76},
    }
    return {"data": data, "layout": layout}


def _y_range(record: ClimateRecord, days: Days) -> tuple[float, float]:
    values = np.concatenate(
        [days.rh_pct, days.low_pct, days.high_pct, [e.extreme_pct for e in record.exceedances]]
    )
    return float(np.nanmin(values)) - 3, min(float(np.nanmax(values)) + 3, 103.0)


def _runs(mask: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    where = np.flatnonzero(mask)
    return [run for run in np.split(where, np.flatnonzero(np.diff(where) > 1) + 1) if len(run)]


def _band(days: Days, look: Theme) -> list[dict[str, Any]]:
    known = ~np.isnan(days.low_pct)
    data: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines",
            "fill": "toself",
            "hoverinfo": "skip",
            "x": np.concatenate([days.at_ms[run], days.at_ms[run[::-1]]]).astype(np.float64),
            "y": np.concatenate([days.high_pct[run], days.low_pct[run[::-1]]]),
            "fillcolor": f"{look.ink}1c",
            "line": {"width": 0},
            "name": "target band",
        }
        for run in _runs(known & days.settled)
    ]
    for values, colour, name in (
        (days.low_pct, look.dry, "lower limit"),
        (days.high_pct, look.damp, "upper limit"),
    ):
        for settled in (True, False):
            # An unsettled edge begins on the last settled day, so that the two meet.
            near = ~days.settled | np.roll(~days.settled, 1) | np.roll(~days.settled, -1)
            shown = known & (days.settled if settled else near)
            if shown.any():
                data.append(
                    {
                        "type": "scatter",
                        "mode": "lines",
                        "hoverinfo": "skip",
                        "name": name,
                        "x": days.at_ms.astype(np.float64),
                        "y": np.where(shown, values, np.nan),
                        "line": {
                            "color": colour,
                            "width": 2,
                            "dash": "solid" if settled else "dot",
                        },
                    }
                )
    return data


def _line(days: Days, zone: ZoneInfo, look: Theme) -> dict[str, Any]:
    texts = []
    for ms, low, high in zip(days.at_ms.tolist(), days.low_pct, days.high_pct, strict=True):
        moment = formats.local(ms, zone)
        band = "" if np.isnan(low) else f"<br>band {low:.0f} to {high:.0f} %"
        texts.append(f"{formats.day(moment.date())} {moment.year}{band}")
    return {
        "type": "scatter",
        "mode": "lines",
        "x": days.at_ms.astype(np.float64),
        "y": days.rh_pct,
        "name": "daily mean",
        "line": {"color": look.ink, "width": 1.8},
        "text": texts,
        "hovertemplate": "%{text}<br>mean of the day %{y:.0f} %<extra></extra>",
    }


def _marks(record: ClimateRecord, zone: ZoneInfo, look: Theme) -> list[dict[str, Any]]:
    data: list[dict[str, Any]] = []
    for side, symbol, colour in (
        ("below", "triangle-down", look.dry),
        ("above", "triangle-up", look.damp),
    ):
        mine = [e for e in record.exceedances if e.side == side]
        if not mine:
            continue
        data.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": f"{side} the band",
                "x": np.array([e.at_ms for e in mine], np.float64),
                "y": np.array([e.extreme_pct for e in mine]),
                "marker": {
                    "symbol": symbol,
                    "size": 11,
                    "color": colour,
                    "line": {"color": look.ground, "width": 1},
                },
                "text": [
                    f"<b>{e.extreme_pct:.0f} %, {e.beyond_pct:.1f} {side} the band</b>"
                    f"<br>{formats.stamp(e.at_ms, zone)}"
                    f"<br>outside for {formats.hours((e.to_ms - e.from_ms) / 1000)}"
                    for e in mine
                ],
                "hovertemplate": "%{text}<extra></extra>",
            }
        )
    return data


def _labels(days: Days, low: float, high: float, look: Theme) -> list[dict[str, Any]]:
    """The names of line and limits at the right end, moved apart where they would touch."""
    ends = []
    for values, text, colour in (
        (days.low_pct, "▼ lower limit", look.dry),
        (days.rh_pct, "daily mean", look.ink),
        (days.high_pct, "▲ upper limit", look.damp),
    ):
        known = np.flatnonzero(~np.isnan(values))
        if len(known):
            ends.append(((float(values[known[-1]]) - low) / (high - low), text, colour))
    found = []
    floor = -1.0
    for place, text, colour in sorted(ends):
        floor = max(place, floor + 0.07)
        found.append(
            {
                "xref": "paper",
                "yref": "paper",
                "x": 1,
                "y": floor,
                "text": text,
                "xshift": 8,
                "showarrow": False,
                "xanchor": "left",
                "yanchor": "middle",
                "font": {"color": colour, "size": 16},
            }
        )
    return found
