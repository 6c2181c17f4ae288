"""The year of a home and its case as a small drawing: vectors, black on white, labelled directly."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

import numpy as np

from monitor.science.case.devices import MONTH_STARTS
from monitor.science.case.home import MonthBasis

if TYPE_CHECKING:
    from collections.abc import Callable

    from monitor.clients.calculation import SheetCalculation
    from monitor.clients.language import Language
    from monitor.science.ranges import Floats

WIDTH, HEIGHT = 700, 236
LEFT, RIGHT, TOP, BOTTOM = 34, 118, 8, 52
FONT = "Atkinson Hyperlegible Next, sans-serif"
SMOOTH_D = 5
"""Lines are means over this many days. [d]"""


def year_plot(worked: SheetCalculation, language: Language) -> str:
    """An SVG: the band as a wash, the home dotted, the case as it is dashed, with the advice solid
    and with its range."""
    advised, bare = worked.advised, worked.bare
    cover = worked.request.case.holds_nothing
    now = language.text("cover as now") if cover else language.text("case as now")
    curves = [
        (worked.home_pct, "1.6,2.6", 1.1, language.text("your home")),
        (bare.around_pct, "6,3", 1.2, now),
    ]
    if advised is not bare:
        curves.append((advised.around_pct, "", 2.2, language.text("with the advice")))
    ends = [v for m in worked.advice.known for v in worked.advice.home[m - 1]]
    shown = np.concatenate([*(_smooth(c[0][:, 1]) for c in curves), ends])
    low = min(10 * np.floor(min(shown.min(), worked.request.band_pct[0]) / 10), 30)
    high = max(10 * np.ceil(max(shown.max(), worked.request.band_pct[1]) / 10), 70)

    def x(day: float) -> float:
        return round(LEFT + day / 365 * (WIDTH - LEFT - RIGHT), 1)

    def y(pct: float) -> float:
        pct = min(max(pct, low), high)
        return round(TOP + (high - pct) / (high - low) * (HEIGHT - TOP - BOTTOM), 1)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" '
        f'width="{WIDTH}" height="{HEIGHT}" font-family="{FONT}" font-size="11">',
        f'<rect x="{LEFT}" width="{WIDTH - LEFT - RIGHT}" y="{y(worked.request.band_pct[1])}" '
        f'height="{round(y(worked.request.band_pct[0]) - y(worked.request.band_pct[1]), 1)}" '
        'fill="#e6e6e6"/>',
    ]
    parts += [
        f'<path d="M{LEFT} {y(level)}H{WIDTH - RIGHT}" stroke="#bbb" stroke-width="0.5"/>'
        f'<text x="{LEFT - 5}" y="{y(level) + 4}" text-anchor="end">{language.number(level)}</text>'
        for level in np.arange(low, high + 1, 10)
    ]
    for m in range(12):
        middle = (MONTH_STARTS[m] + MONTH_STARTS[m + 1]) / 2
        parts.append(
            f'<path d="M{x(MONTH_STARTS[m])} {HEIGHT - BOTTOM}v4" stroke="#555" stroke-width="0.7"/>'
            f'<text x="{x(middle)}" y="{HEIGHT - BOTTOM + 16}" text-anchor="middle">'
            f"{escape(language.month_short(m + 1))}</text>"
        )
        parts.append(_month(worked, language, m, x(middle), y))
    widest = curves[-1][0]
    edge = [(d, _smooth(widest[:, 2])[d]) for d in range(0, 365, 3)]
    edge += [(d, _smooth(widest[:, 0])[d]) for d in range(363, -1, -3)]
    parts.append(
        f'<path d="M{"L".join(f"{x(d)} {y(min(max(v, low), high))}" for d, v in edge)}Z" '
        'fill="#999" fill-opacity="0.35"/>'
    )
    floor = -1e9
    lines = sorted(((y(_smooth(c[0][:, 1])[-1]), c) for c in curves), key=lambda e: e[0])
    for end, (values, dash, width, name) in lines:
        line = _smooth(values[:, 1])
        path = "L".join(f"{x(d)} {y(line[d])}" for d in [*range(0, 365, 2)])
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        floor = max(end, floor + 13)
        at = x(365)
        parts.append(
            f'<path d="M{path}" fill="none" stroke="#000" stroke-width="{width}"{dashes}/>'
            f'<path d="M{at + 2} {end}L{at + 12} {floor}" stroke="#000" stroke-width="0.4"/>'
            f'<path d="M{at + 13} {floor}h14" stroke="#000" stroke-width="{width}"{dashes}/>'
            f'<text x="{at + 31}" y="{floor + 4}">{escape(name)}</text>'
        )
    parts += [
        _hatched(x(MONTH_STARTS[m - 1]), x(MONTH_STARTS[m]), TOP, HEIGHT - BOTTOM)
        for m in worked.unknown
    ]
    parts += _legend(worked, language)
    parts.append(f'<text x="2" y="{TOP + 3}">%</text></svg>')
    return "".join(parts)


RANGE_Y, MARK_Y = HEIGHT - BOTTOM + 30, HEIGHT - BOTTOM + 44
"""Rows under the months: the home's RH, and what it rests on."""


def _month(
    worked: SheetCalculation, language: Language, m: int, at: float, y: Callable[[float], float]
) -> str:
    """The range of the home's RH in month `m`, 0 to 11, drawn and written, and a mark of its basis:
    a full circle for a reading, an empty one for an estimate."""
    basis = worked.year.month_bases[m]
    if basis is MonthBasis.UNKNOWN:
        return (
            f'<text x="{at}" y="{RANGE_Y}" text-anchor="middle">?</text>'
            f'<path d="M{at - 4} {MARK_Y - 4}h8" stroke="#000"/>'
        )
    low, _, high = worked.advice.home[m]
    text = f"{language.number(low)}–{language.number(high)}"
    ends = f"M{at - 3} {y(low)}h6M{at} {y(low)}V{y(high)}M{at - 3} {y(high)}h6"
    fill = "#000" if basis is MonthBasis.MEASURED else "none"
    return (
        f'<path d="{ends}" stroke="#000" stroke-width="0.7" fill="none"/>'
        f'<text x="{at}" y="{RANGE_Y}" text-anchor="middle">{text}</text>'
        f'<circle cx="{at}" cy="{MARK_Y - 4}" r="3.5" fill="{fill}" stroke="#000"/>'
    )


def _legend(worked: SheetCalculation, language: Language) -> list[str]:
    """Words at the rows under the months, for the marks that are there."""
    at, row, bases = WIDTH - RIGHT + 8, MARK_Y, worked.year.month_bases
    home = language.text("your home, %")
    words = [f'<text x="{at}" y="{RANGE_Y}">{escape(home)}</text>']
    for there, fill, text in (
        (MonthBasis.MEASURED in bases, "#000", language.text("measured")),
        (
            not {*bases} <= {MonthBasis.MEASURED, MonthBasis.UNKNOWN},
            "none",
            language.text("estimated"),
        ),
    ):
        if there:
            words.append(
                f'<circle cx="{at + 3}" cy="{row - 4}" r="3.5" fill="{fill}" stroke="#000"/>'
                f'<text x="{at + 11}" y="{row}">{escape(text)}</text>'
            )
            row += 14
    return words


def _hatched(left: float, right: float, top: float, bottom: float) -> str:
    """A white rectangle with diagonal lines: nothing is known there."""
    wide, high = right - left, bottom - top
    lines = []
    for shift in np.arange(8.0, wide + high, 8.0):
        x1, y1 = left + max(shift - high, 0), top + min(shift, high)
        x2, y2 = left + min(shift, wide), top + max(shift - wide, 0)
        lines.append(f"M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}")
    return (
        f'<rect x="{left}" y="{top}" width="{wide:.1f}" height="{high}" fill="#fff"/>'
        f'<path d="{"".join(lines)}" stroke="#777" stroke-width="0.7"/>'
    )


def _smooth(values: Floats) -> Floats:
    """Means over `SMOOTH_D` days around each, the year running on."""
    around = np.concatenate([values[-(SMOOTH_D // 2) :], values, values[: SMOOTH_D // 2]])
    return np.convolve(around, np.full(SMOOTH_D, 1 / SMOOTH_D), mode="valid")
