"""Stores forecasts from every source: compares each with the shop's position and its outdoor sensor,
stores it with any doubt, or rejects it with the reason."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from monitor.air.place_means import means
from monitor.core.errors import BadPayload
from monitor.core.measurements import Refusal
from monitor.domain.forecast import HOUR_MS, STALE_MS, Forecast, at_moments, position
from monitor.outlook.weather.agreement import Agreement, agreement
from monitor.outlook.weather.formats import from_json
from monitor.science.air import dew_point
from monitor.store import HOUR_S, Reader, Writer, forecasts
from monitor.store.connection import Cursor

if TYPE_CHECKING:
    from monitor.science.ranges import Floats
    from monitor.settings import Settings

log = logging.getLogger(__name__)

NEAR_DEG = 0.25
"""A forecast farther than this from the shop is for another place. [°]  Ours: 20 to 30 km."""
COMPARED_H = 24
"""Span over which a forecast's past is compared with the outdoor sensor. [h]"""
SHORTER = 0.5
"""A forecast that reaches less than this part as far as the one before is half an answer. [-]"""


class IntakeResult(NamedTuple):
    """Result of storing forecasts: how many are new and how many were stored already, notes on the new
    ones, and why the last one given should not be used (empty if it can be)."""

    new: int
    repeated: int
    notes: tuple[str, ...]
    doubt: str = ""


class ForecastIntake:
    """The only way for forecasts into the store. Threads may share it.

    Parameters
    ----------
    settings : Settings
    reader : Reader
    writer : Writer
    """

    def __init__(self, settings: Settings, reader: Reader, writer: Writer) -> None:
        self.writer, self._reader = writer, reader
        self._outdoors = [place.id for place in settings.places if place.kind == "outdoors"]
        self._asked = {source.id for source in settings.forecasts if source.asked}
        weather = settings.weather
        self._position = (
            None
            if weather.latitude is None or weather.longitude is None
            else position(weather.latitude, weather.longitude)
        )

    def message(
        self, source: str, payload: bytes, arrived_ms: int, deliveries: Iterable[tuple[int, bytes]]
    ) -> None:
        """Store a forecast that came by MQTT, and note the delivery with it.

        Raises
        ------
        BadPayload
            If it is rejected.
        """
        if source in self._asked:
            raise BadPayload(
                f"{source} is a source that is polled over the network: send under another name"
            )
        found = from_json(payload, source, arrived_ms)
        self.keep(found, arrived_ms, also=lambda run: Writer.remember(run, deliveries))

    def keep(
        self,
        found: Sequence[Forecast],
        arrived_ms: int,
        *,
        archive: bool = False,
        also: Callable[[Cursor], object] = lambda _: None,
    ) -> IntakeResult:
        """Store forecasts in one transaction, without the hours before their issue.

        Parameters
        ----------
        arrived_ms : int
            From when they count as known; those of an archive from their issue. [ms]
        archive : bool
        also : callable
            What else is written in the same transaction.

        Raises
        ------
        BadPayload
            If one says that it is for another place: then none is stored.
        """
        judged = [self._compared_with_the_shop(one, archive=archive) for one in found]
        new, notes = 0, list[str]()
        with self.writer.connection.transaction() as run:
            for one in judged:
                known_ms = one.issued_ms if archive else arrived_ms
                if forecasts.add(run, _coming(one), known_ms):
                    new += 1
                    notes += one.notes
            also(run)
        took = IntakeResult(new, len(judged) - new, tuple(dict.fromkeys(notes)), judged[-1].doubt)
        if new and not archive:
            for note in took.notes:
                log.info("forecast source=%s note=%s", found[0].source, note)
            if took.doubt:
                log.warning("forecast doubted source=%s reason=%s", found[0].source, took.doubt)
        return took

    def refuse(self, topic: str, payload: bytes, reason: str, arrived_ms: int) -> None:
        """Store a rejected document, with the reason, among the rejected messages."""
        log.warning("forecast rejected from=%s reason=%s", topic, reason)
        refusal = Refusal.of(arrived_ms, topic, payload, reason)
        self.writer.write([], refusals=[refusal])

    def _compared_with_the_shop(self, one: Forecast, *, archive: bool) -> Forecast:
        if one.position and self._position:
            apart = max(abs(a - b) for a, b in zip(one.position, self._position, strict=True))
            if apart > NEAR_DEG:
                raise BadPayload(
                    f"it is for {one.position}: the shop is at {self._position} (weather.latitude, "
                    f"weather.longitude), must be within {NEAR_DEG:g}°"
                )
        if archive:
            return one
        notes = list(one.notes)
        before = forecasts.last_of(self.writer, one.source)
        if before is not None:
            reach, was = ((f.ends_ms - f.issued_ms) / HOUR_MS for f in (one, before))
            if reach < SHORTER * was:
                notes.append(f"it reaches {reach:.0f} h, the one before {was:.0f} h")
        return replace(one, notes=tuple(notes), doubt=self._compared(one).doubt)

    def _compared(self, one: Forecast) -> Agreement:
        """Compare this source's last hours with the outdoor sensor."""
        end_ms = one.issued_ms - one.issued_ms % HOUR_MS
        hours = end_ms + HOUR_MS * np.arange(-COMPARED_H, 0)
        middles = hours + HOUR_MS // 2
        for place in self._outdoors:
            read = means(self._reader, place, int(hours[0]), end_ms, HOUR_S)
            at = np.isin(hours, read.ts_ms)
            if not at.any():
                continue
            its = np.isin(read.ts_ms, hours)
            forecast_temp, forecast_dew = self._past_values(one, middles[at])
            temp, rh = read.temp_c[its], np.clip(read.rh_pct[its], 0.5, 100)
            temp = np.where((temp >= -45) & (temp <= 60), temp, np.nan)
            return agreement(forecast_temp, forecast_dew, temp, np.asarray(dew_point(temp, rh)))
        return Agreement(0, 0.0, 0.0)

    def _past_values(self, one: Forecast, moments_ms: np.ndarray) -> tuple[Floats, Floats]:
        """The source's values at past moments: of this forecast, else of the newest that was known then,
        up to half a day old."""
        temp, dew, _ = at_moments(one, moments_ms)
        earlier = list(
            forecasts.between(
                self.writer, int(moments_ms[0]) - STALE_MS, int(moments_ms[-1]), one.source
            )
        )
        for past in reversed(earlier):
            t, d, _ = at_moments(past, moments_ms)
            use = np.isnan(temp) & (past.issued_ms <= moments_ms)
            use &= moments_ms - past.issued_ms <= STALE_MS
            temp, dew = np.where(use, t, temp), np.where(use, d, dew)
        return temp, dew


def _coming(one: Forecast) -> Forecast:
    """The forecast from the hour of its issue on: earlier hours are not forecast."""
    return one.at_hours(one.valid_ms > one.issued_ms - HOUR_MS)
