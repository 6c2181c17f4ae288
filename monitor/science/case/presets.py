"""Cases to start from, and how a case is used through the day. Every field can be edited."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType

import numpy as np

from monitor.science.case.fields import CaseFault, FieldFault, checked_fields, is_number, parameter
from monitor.science.case.water_balance import grams_per_pct
from monitor.science.ranges import Floats

CAPACITY_G_KG_PCT = 1.55
"""Water that a kilogram of dry wood takes up for each % RH. [g/(kg %)]  The slope of Wood Handbook
eq. 4-5 at 20 °C, 40 to 50 %: identity."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """A case with its instrument. Each `..._times` is how far its value may lie off, times or
    divided by.

    Raises
    ------
    CaseFault
        Naming each field that is wrong, its value and what is allowed.
    """

    name: str
    air_l: float = parameter(
        18.0, "1 to 2000 L", "air in the closed case, inside the instrument too"
    )
    closed_changes_day: float = parameter(
        10.0,
        "0.05 to 5000 1/d",
        "air changes while it is shut",
        "ours: display cases 0.5 to 20; no instrument case was measured",
    )
    closed_times: float = parameter(2.5, "1 to 10", "spread of the air changes")
    open_changes_day: float = parameter(
        1000.0, "10 to 20_000 1/d", "air changes with the lid open"
    )
    instrument_g_pct: float = parameter(
        0.70,
        "0.01 to 50 g/%",
        "water the instrument takes up for each % RH",
        "1.55 g/kg of wood, from Wood Handbook eq. 4-5; mass: common practice, no source",
    )
    lining_g_pct: float = parameter(
        0.25, "0 to 20 g/%", "water the lining takes up for each % RH", "from memory, unchecked"
    )
    capacity_times: float = parameter(1.25, "1 to 3", "spread of both capacities")
    exchange_g_h_pct: float = parameter(
        0.0134,
        "1e-4 to 2 g/(h·%)",
        "water it exchanges in free air for each % RH of difference",
        "a violin out of its case, 0.010 to 0.018: Marcon, Goli, Fioravanti, Heritage Science 8, 2020",
    )
    exchange_times: float = parameter(1.35, "1 to 4", "spread of the exchange")
    warms_min: float = parameter(
        60.0,
        "5 to 1000 min",
        "time constant with which its inside follows the temperature around it",
        "ours: 1.3 kJ/K of contents behind 0.4 to 1.0 W/K, with a margin",
    )
    warms_times: float = parameter(2.0, "1 to 5", "spread of that")

    def __post_init__(self) -> None:
        wrong = not isinstance(self.name, str) or not 1 <= len(self.name.strip()) <= 60
        more = [FieldFault("", "name", self.name, "1 to 60 characters")] if wrong else []
        checked_fields(self, str(self.name), more)

    @property
    def usual(self) -> Case:
        """The same case without spread."""
        spreads = [f.name for f in fields(self) if f.name.endswith("_times")]
        return replace(self, **dict.fromkeys(spreads, 1.0))  # type: ignore[arg-type] # fields by name

    @property
    def capacity_g_pct(self) -> float:
        """Instrument and lining. [g/%]"""
        return self.instrument_g_pct + self.lining_g_pct

    def leak_g_day_pct(self, temp_c: float = 20.0) -> float:
        """Water through the shut case's gaps for each % RH of difference. [g/(day %)]

        >>> round(PRESETS["violin, hard case"].leak_g_day_pct() / 8 * 10, 4)
        0.0311
        """
        return float(self.closed_changes_day * self.air_l / 1000 * grams_per_pct(np.array(temp_c)))

    @property
    def holds_nothing(self) -> bool:
        """True for a cover: the case less than doubles the time the instrument takes by itself."""
        return self.leak_g_day_pct() > 24 * self.exchange_g_h_pct


def _preset(
    name: str,
    air_l: float,
    changes: float,
    wood_kg: float,
    lining_g_pct: float,
    hours: float,
    exchange_times: float,
    warms_min: float,
) -> Case:
    """Preset of a case; `hours`: time constant of the instrument in free air."""
    capacity = CAPACITY_G_KG_PCT * wood_kg
    return Case(
        name=name,
        air_l=air_l,
        closed_changes_day=changes,
        instrument_g_pct=round(capacity, 3),
        lining_g_pct=lining_g_pct,
        exchange_g_h_pct=round(capacity / hours, 4),
        exchange_times=exchange_times,
        warms_min=warms_min,
    )


PRESETS: Mapping[str, Case] = MappingProxyType(
    {
        case.name: case
        for case in (
            _preset("violin, hard case", 18, 8, 0.45, 0.25, 52, 1.35, 60),
            _preset("violin, soft case", 18, 20, 0.45, 0.20, 52, 1.35, 60),
            _preset("viola, hard case", 24, 8, 0.55, 0.30, 55, 1.6, 65),
            _preset("viola, soft case", 24, 20, 0.55, 0.25, 55, 1.6, 65),
            _preset("cello, hard case", 110, 8, 2.2, 0.80, 75, 2.0, 120),
            _preset("cello, soft case", 75, 25, 2.2, 0.60, 75, 2.0, 120),
            replace(_preset("bass, cover", 250, 1000, 8.0, 0.0, 110, 2.0, 150), closed_times=3.0),
        )
    }
)
"""By name. Air of a violin's case, mass of its wood and lining: common practice, no source; its
exchange as measured, the lag of larger instruments in proportion to their plates: ours, with a
wider spread, since none was measured. A cover lets the room's air through: see `holds_nothing`."""


@dataclass(frozen=True, kw_only=True)
class Use:
    """Hours of the day with the instrument out of its case or the lid open.

    Each a tuple of (from, to), local clock hours, 0 to 24; a span may run past midnight (23, 1).

    Parameters
    ----------
    played : the instrument is out and played.
    left_out : it is out and not played. Case discipline ends this, and the next.
    lid_open : it lies in the case with the lid open.

    Raises
    ------
    CaseFault
    """

    played: tuple[tuple[float, float], ...] = ((17.0, 19.0),)
    left_out: tuple[tuple[float, float], ...] = ()
    lid_open: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        faults = [
            FieldFault(
                "use", f"{name}[{i}]", span, "two clock hours, 0 to 24, a minute or more apart"
            )
            for name in ("played", "left_out", "lid_open")
            for i, span in enumerate(getattr(self, name))
            if len(span) != 2
            or not all(is_number(hour) and 0 <= hour <= 24 for hour in span)
            or not _minutes(*span)
        ]
        if faults:
            raise CaseFault(faults)

    @property
    def careful(self) -> Use:
        """The same playing, and the instrument in its shut case at all other times."""
        return Use(played=self.played)

    def shares(self, start_h: float, step_h: float, steps: int) -> tuple[Floats, Floats]:
        """Share of each step for which it is out, and for which the lid is open over it. [-]

        >>> Use(played=((17, 18.5),)).shares(16, 1, 4)[0].tolist()
        [0.0, 1.0, 0.5, 0.0]
        """
        return _shares(self, start_h, step_h, steps)


def _minutes(begin_h: float, end_h: float) -> int:
    """Whole minutes of a span, 0 if it has none; from 0 to 24 is a day."""
    apart = round(end_h * 60) - round(begin_h * 60)
    return apart if apart > 0 else apart % 1440


@functools.lru_cache(32)
def _shares(use: Use, start_h: float, step_h: float, steps: int) -> tuple[Floats, Floats]:
    edges = np.asarray(start_h + step_h * np.arange(steps + 1), dtype=np.float64)
    out = _share(edges, (*use.played, *use.left_out))
    lid = np.minimum(_share(edges, use.lid_open), 1 - out)
    for shares in (out, lid):
        shares.flags.writeable = False  # they are kept
    return out, lid


def _share(edges: Floats, spans: tuple[tuple[float, float], ...]) -> Floats:
    """Share of each step inside any of the spans, to the minute."""
    minute = np.zeros(1440)
    for begin, end in spans:
        low, high = round(begin * 60), round(end * 60)
        inside = np.arange(low, high if high > low else high + 1440) % 1440
        minute[inside] = 1
    total = np.concatenate([[0.0], np.cumsum(minute)]) / 60
    until = edges // 24 * total[-1] + np.interp(edges % 24, np.arange(1441) / 60, total)
    return np.asarray(np.diff(until) / np.diff(edges))
