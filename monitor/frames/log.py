"""The log of a shop, opened for reading: its air, places, waits, instruments and alerts as tables."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any, Self

import pandas as pd

from monitor import settings as settings_module
from monitor.air import place_means
from monitor.commands.projections import Journal
from monitor.core.clock import EVER_MS
from monitor.core.errors import MonitorError
from monitor.domain.places import band
from monitor.readings import export
from monitor.science.air import STANDARD_PRESSURE_PA, pressure_at_altitude
from monitor.science.registry import DERIVED, derive
from monitor.store import HOUR_S, TEN_MINUTES_S, Reader, is_there

if TYPE_CHECKING:
    from pathlib import Path

PERIODS_S = {"10min": TEN_MINUTES_S, "hour": HOUR_S}
"""Periods of the means that the store keeps. [s]"""
_UNITS = {"°C": "c", "g/m³": "g_m3", "kg/kg": "kg_kg", "Pa": "pa", "%": "pct"}

Moment = str | datetime | pd.Timestamp
"""A time: without a zone it is the shop's local time."""


class FrameFault(MonitorError, ValueError):
    """The log cannot answer what it was asked."""


class ShopLog:
    """The log of one shop. Use it in a `with` block, or close it.

    Parameters
    ----------
    data : Path, optional
        The data folder; else the one that `benchweather` itself would use.

    Raises
    ------
    SettingsFault
        If the settings there cannot be used.
    FrameFault
        If there is no log yet.
    """

    def __init__(self, data: Path | None = None) -> None:
        self.settings = settings_module.load(data=data)
        if not is_there(self.settings.store_address):
            raise FrameFault(f"{self.settings.data}: there is no log yet")
        self._reader = Reader(self.settings.read_address)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the store."""
        self._reader.close()

    def places(self) -> pd.DataFrame:
        """Every place, by id.

        Returns
        -------
        DataFrame
            Index `place`; columns `name`, `kind`, `band_low_pct`, `band_high_pct`, `volume_m3`
            (NaN if not given), `first_reading` and `last_reading` (NaT if there is none).
        """
        spans: dict[str, list[tuple[int, int]]] = {}
        for series, series_id in self._reader.series().items():
            if span := self._reader.span(series_id):
                spans.setdefault(series.place, []).append(span)
        rows = []
        for place in place_means.places(self._reader, self.settings):
            low, high = band(place, self.settings.limits)
            own = spans.get(place.id, [])
            rows.append(
                {
                    "place": place.id,
                    "name": place.label,
                    "kind": place.kind,
                    "band_low_pct": low,
                    "band_high_pct": high,
                    "volume_m3": place.volume_m3 or float("nan"),
                    "first_reading": min((first for first, _ in own), default=None),
                    "last_reading": max((last for _, last in own), default=None),
                }
            )
        return self._timed(rows, "place", ("first_reading", "last_reading"))

    def air(
        self,
        place: str,
        start: Moment | None = None,
        end: Moment | None = None,
        every: str = "10min",
    ) -> pd.DataFrame:
        """Mean air of a place, with everything that follows from it.

        Parameters
        ----------
        place : str
            Id of a place that has readings.
        start, end : str, datetime or Timestamp, optional
            From, and before; the whole log if left out. Without a zone: the shop's local time.
        every : {"10min", "hour"}
            Period of the means.

        Returns
        -------
        DataFrame
            Index `measured_at`: start of the period, in the shop's zone. Columns `temp_c`,
            `rh_pct`, then those of `with_derived`. A period without readings has no row. The
            values are corrected, of the sensor that the board takes for the place.

        Raises
        ------
        FrameFault
            If the place has no readings, a time cannot be read, or `every` is another word.
        """
        if every not in PERIODS_S:
            raise FrameFault(f"every = {every!r}: must be one of {', '.join(PERIODS_S)}")
        known = sorted({series.place for series in self._reader.series()})
        if place not in known:
            raise FrameFault(f"place = {place!r}: must be one of {', '.join(known) or 'none yet'}")
        start_ms, end_ms = self._ms("start", start, -EVER_MS), self._ms("end", end, EVER_MS)
        found = place_means.means(self._reader, place, start_ms, end_ms, PERIODS_S[every])
        inside = found.ts_ms >= start_ms  # the store answers with the period that start lies in
        index = pd.to_datetime(found.ts_ms[inside], unit="ms", utc=True)
        table = pd.DataFrame(
            {"temp_c": found.temp_c[inside], "rh_pct": found.rh_pct[inside]},
            index=index.tz_convert(self.settings.zone).rename("measured_at"),
        )
        return with_derived(table, float(pressure_at_altitude(self.settings.shop.altitude_m)))

    def readings(
        self, start: Moment | None = None, end: Moment | None = None, places: Iterable[str] = ()
    ) -> pd.DataFrame:
        """Every single reading, corrected, as `benchweather export` writes it.

        Returns
        -------
        DataFrame
            Columns `measured_at` (the shop's zone), `place`, `sensor`, and one for each measured
            quantity (`temp_c`, `rh_pct`, ...).

        Raises
        ------
        FrameFault
            If a time cannot be read.
        ExportFault
            If a place is not in the log.
        """
        start_ms, end_ms = self._ms("start", start, -EVER_MS), self._ms("end", end, EVER_MS)
        parts = list(export.tables(self._reader, start_ms=start_ms, end_ms=end_ms, places=places))
        if not parts:
            return pd.DataFrame({"measured_at": self._local([]), "place": [], "sensor": []})
        table = pd.concat(parts, ignore_index=True)
        return table.assign(measured_at=table["measured_at"].dt.tz_convert(self.settings.zone))

    def waits(self) -> pd.DataFrame:
        """Every clamp-up, coat and rest, open or not, by number.

        Returns
        -------
        DataFrame
            Index `wait`; columns `type`, `instrument`, `what`, `place` (the last), `started_at`,
            `expected_at` with `expected_earliest` and `expected_latest` (as said at the start),
            `released_at` (NaT while open), `took_h`, `reference_air_h` (the same work in reference
            air), `joint` (as it was found), `clamps`, `mistake` and `note`.
        """
        rows = [
            {
                "wait": wait.id,
                "type": wait.kind["id"],
                "instrument": wait.instrument,
                "what": wait.what,
                "place": wait.places[-1][1],
                "started_at": wait.started_ms,
                "expected_at": wait.foreseen_ms[1] if wait.foreseen_ms else None,
                "expected_earliest": wait.foreseen_ms[0] if wait.foreseen_ms else None,
                "expected_latest": wait.foreseen_ms[2] if wait.foreseen_ms else None,
                "released_at": wait.released_ms,
                "took_h": (wait.released_ms - wait.started_ms) / 3_600_000
                if wait.released_ms is not None
                else float("nan"),
                "reference_air_h": wait.equivalent_s / 3600
                if wait.equivalent_s is not None
                else float("nan"),
                "joint": str(wait.feel) if wait.feel else "",
                "clamps": wait.clamps,
                "mistake": wait.mistaken,
                "note": wait.note,
            }
            for wait in Journal(self._reader).waits.values()
        ]
        moments = [name for name in rows[0] if name.endswith("_at")] if rows else []
        return self._timed(rows, "wait", (*moments, "expected_earliest", "expected_latest"))

    def instruments(self) -> pd.DataFrame:
        """Every instrument's present or last stay, by id.

        Returns
        -------
        DataFrame
            Index `instrument`; columns `reference`, `kind`, `place`, `home_rh_pct`, `arrived_at`,
            `left_at`, `due_at`, `open_now` and `note`.
        """
        rows = [
            {
                "instrument": one.id,
                "reference": one.reference,
                "kind": one.kind,
                "place": one.place,
                "home_rh_pct": one.home.rh_pct if one.home else None,
                "arrived_at": one.arrived_ms,
                "left_at": one.left_ms,
                "due_at": one.due_ms,
                "open_now": one.open_now,
                "note": one.note,
            }
            for one in Journal(self._reader).instruments.values()
        ]
        return self._timed(rows, "instrument", ("arrived_at", "left_at", "due_at"))

    def alerts(self) -> pd.DataFrame:
        """Every alert, by number.

        Returns
        -------
        DataFrame
            Index `alert`; columns `name`, `about`, `urgency` (1 take note, 2 act, 3 act now),
            `quantity`, `value`, `unit`, `began_at`, `raised_at` and `ended_at` (NaT while it is on).
        """
        rows = [
            {
                "alert": one.id,
                "name": one.name,
                "about": one.label,
                "urgency": one.urgency,
                "quantity": one.quantity,
                "value": one.value,
                "unit": one.unit,
                "began_at": one.began_ms,
                "raised_at": one.raised_ms,
                "ended_at": one.cleared_ms,
            }
            for one in Journal(self._reader).alerts.values()
        ]
        return self._timed(rows, "alert", ("began_at", "raised_at", "ended_at"))

    def _timed(
        self, rows: list[dict[str, Any]], index: str, moments: Iterable[str]
    ) -> pd.DataFrame:
        table = pd.DataFrame(rows)
        if not rows:
            return table.rename_axis(index)
        local = {name: self._local(table[name]) for name in moments if name in table}
        return table.assign(**local).set_index(index)

    def _local(self, ms: Any) -> pd.Series[Any]:
        """Times in ms as times of the shop's zone; NaT where there is none."""
        whole = pd.Series(ms, dtype="Int64")
        return pd.to_datetime(whole, unit="ms", utc=True).dt.tz_convert(self.settings.zone)

    def _ms(self, name: str, moment: Moment | None, ever_ms: int) -> int:
        if moment is None:
            return ever_ms
        try:
            found = pd.Timestamp(moment)
            if found.tz is None:
                found = found.tz_localize(self.settings.zone, nonexistent="shift_forward")
        except ValueError as exc:
            raise FrameFault(
                f"{name} = {moment!r}: must be a time, such as 2027-01-31 08:00; in the hour that "
                "comes twice, with its offset, such as 2026-10-25 02:30+01:00"
            ) from exc
        return int(found.timestamp() * 1000)


def with_derived(table: pd.DataFrame, pressure_pa: float = STANDARD_PRESSURE_PA) -> pd.DataFrame:
    """A table of air with everything that follows from temperature and RH.

    Parameters
    ----------
    table : DataFrame
        With columns `temp_c` and `rh_pct`.
    pressure_pa : float
        Barometric pressure, for those that depend on it. [Pa]

    Returns
    -------
    DataFrame
        The same rows; further columns `dew_point_c`, `frost_point_c`, `absolute_humidity_g_m3`,
        `humidity_ratio_kg_kg`, `vapour_pressure_pa`, `vapour_pressure_deficit_pa`, `wet_bulb_c`
        and `equilibrium_moisture_content_pct`. NaN where a formula does not reach.

    Raises
    ------
    FrameFault
        If a column is missing.
    """
    missing = [name for name in ("temp_c", "rh_pct") if name not in table]
    if missing:
        raise FrameFault(f"the table has no column {' and no column '.join(missing)}")
    return table.assign(**_columns(table, pressure_pa))


def _columns(table: pd.DataFrame, pressure_pa: float) -> Mapping[str, Any]:
    temp, rh = table["temp_c"].to_numpy(float), table["rh_pct"].to_numpy(float)
    return {
        f"{name}_{_UNITS[how.unit]}": derive(name, temp, rh, pressure_pa)
        for name, how in DERIVED.items()
    }
