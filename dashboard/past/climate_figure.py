"""The plot of a climate record: each day's mean, the target band, and where the air left it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import plotly.graph_objects as go

from dashboard.ui import formats
from dashboard.ui.plot_labels import end_labels
from dashboard.ui.plots import NARROW_PX, View, axes, figure

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from dashboard.ui.themes import Theme
    from monitor.air.climate_report import ClimateRecord

DAY_MS = formats.DAY_MS


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
) -> go.Figure:
    """Daily means as a line, the band as a wash, exceedances as marks pointing out of it.

    Where the band is not settled it is
    drawn with dashed edges and no wash.
    """
    days = days_of(record, zone)
    low, high = _y_range(record, days)
    data = [*_band(days, look), _line(days, zone, look), *_marks(record, zone, look)]
    narrow = width_px < NARROW_PX
    view = View(record.start_ms, record.end_ms, zone, "C", width_px)
    ends = [
        ("▼ lower limit", days.low_pct, look.dry),
        ("daily mean", days.rh_pct, look.ink),
        ("▲ upper limit", days.high_pct, look.damp),
    ]
    layout = {
        **axes(view, look, (low, high), "Relative humidity [%]", most=6 if narrow else 14),
        "annotations": [] if narrow else end_labels(ends, (low, high), apart=0.07),
        "dragmode": False,
        "margin": {"l": 64, "r": 16 if narrow else 130, "t": 12, "b": 76},
    }
    layout["xaxis"]["fixedrange"] = True
    return figure(data, layout, look)


def _y_range(record: ClimateRecord, days: Days) -> tuple[float, float]:
    values = np.concatenate(
        [days.rh_pct, days.low_pct, days.high_pct, [e.extreme_pct for e in record.exceedances]]
    )
    return float(np.nanmin(values)) - 3, min(float(np.nanmax(values)) + 3, 103.0)


def _runs(mask: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    where = np.flatnonzero(mask)
    return [run for run in np.split(where, np.flatnonzero(np.diff(where) > 1) + 1) if len(run)]


def _band(days: Days, look: Theme) -> list[go.Scatter]:
    known = ~np.isnan(days.low_pct)
    data: list[go.Scatter] = [
        go.Scatter(
            mode="lines",
            fill="toself",
            hoverinfo="skip",
            x=np.concatenate([days.at_ms[run], days.at_ms[run[::-1]]]).astype(np.float64),
            y=np.concatenate([days.high_pct[run], days.low_pct[run[::-1]]]),
            fillcolor=f"{look.ink}1c",
            line={"width": 0},
            name="target band",
        )
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
                    go.Scatter(
                        mode="lines",
                        hoverinfo="skip",
                        name=name,
                        x=days.at_ms.astype(np.float64),
                        y=np.where(shown, values, np.nan),
                        line={"color": colour, "width": 2, "dash": "solid" if settled else "dot"},
                    )
                )
    return data


def _line(days: Days, zone: ZoneInfo, look: Theme) -> go.Scatter:
    texts = []
    for ms, low, high in zip(days.at_ms.tolist(), days.low_pct, days.high_pct, strict=True):
        moment = formats.local(ms, zone)
        band = "" if np.isnan(low) else f"<br>band {low:.0f} to {high:.0f} %"
        texts.append(f"{formats.day(moment.date())} {moment.year}{band}")
    return go.Scatter(
        mode="lines",
        x=days.at_ms.astype(np.float64),
        y=days.rh_pct,
        name="daily mean",
        line={"color": look.ink, "width": 1.8},
        text=texts,
        hovertemplate="%{text}<br>mean of the day %{y:.0f} %<extra></extra>",
    )


def _marks(record: ClimateRecord, zone: ZoneInfo, look: Theme) -> list[go.Scatter]:
    data: list[go.Scatter] = []
    for side, symbol, colour in (
        ("below", "triangle-down", look.dry),
        ("above", "triangle-up", look.damp),
    ):
        mine = [e for e in record.exceedances if e.side == side]
        if not mine:
            continue
        data.append(
            go.Scatter(
                mode="markers",
                name=f"{side} the band",
                x=np.array([e.at_ms for e in mine], np.float64),
                y=np.array([e.extreme_pct for e in mine]),
                marker={
                    "symbol": symbol,
                    "size": 11,
                    "color": colour,
                    "line": {"color": look.ground, "width": 1},
                },
                text=[
                    f"{e.extreme_pct:.0f} %, {e.beyond_pct:.1f} {side} the band"
                    f"<br>{formats.stamp(e.at_ms, zone)}"
                    f"<br>outside for {formats.hours((e.to_ms - e.from_ms) / 1000)}"
                    for e in mine
                ],
                hovertemplate="%{text}<extra></extra>",
            )
        )
    return data
