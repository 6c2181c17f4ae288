"""Requests on a sensor: move it, calibrate it in a jar, correct it, note something."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, ClassVar

from msgspec import UNSET, Meta, UnsetType

from monitor.core.clock import EVER_MS
from monitor.core.measurements import Quantity, new_name_fault
from monitor.core.validation import LINE, PlaceId, Request
from monitor.domain.events import About
from monitor.science.calibration.fit import HUMIDITY, TEMPERATURE, FitBounds
from monitor.science.calibration.salts import SALTS

BOUNDS: dict[Quantity, FitBounds] = {
    Quantity.HUMIDITY: HUMIDITY,
    Quantity.TEMPERATURE: TEMPERATURE,
}
"""Quantities that can be corrected, with the bounds of a correction."""
NOTE_MAX, NAME_MAX = 400, 60
AHEAD_MAX_MS, BACK_MAX_MS = 60_000, 5 * 366 * 86_400_000
"""Longest time ahead of the clock, and back, at which something may have happened. [ms]"""


class SensorAction(StrEnum):
    """An action on a sensor, as events and messages have it."""

    MOVE = "move"
    """The sensor moved to another place, whatever place its topic names."""
    SEAL = "seal"
    """The sensor was closed in a jar over a salt."""
    TAKE = "take"
    """The steady reading in the jar is a point of the calibration."""
    COMPARE = "compare"
    """A reading beside a reference is a point of the calibration."""
    BACK = "back"
    """The sensor is out of the jar, at its place."""
    FIT = "fit"
    """The points make a correction, valid from a time on."""
    ABANDON = "abandon"
    """The points are discarded, and the sensor is in no jar."""
    VOID = "void"
    """A wrong correction is void."""
    INHERIT = "inherit"
    """The sensor had another topic before; the corrections of its old name apply."""
    NOTE = "note"
    VOID_READINGS = "void-readings"
    """The readings of a span are void."""
    RESTORE_READINGS = "restore-readings"
    """Readings that were voided count again."""
    RENAME = "rename"
    """The sensor has another place and name than its topic, for all its readings."""
    UNDO_RENAME = "undo-rename"
    """The last renaming is undone."""


AnyTime = Annotated[int, Meta(ge=-EVER_MS, le=EVER_MS, extra={"unit": "ms"})]
"""A time, over or to come. [ms since 1970-01-01 UTC]"""
PastTime = Annotated[
    int, Meta(extra={"unit": "ms", "past_ms": BACK_MAX_MS, "ahead_ms": AHEAD_MAX_MS})
]
"""A time that is over. [ms since 1970-01-01 UTC]"""
Corrected = Annotated[Quantity, Meta(extra={"one_of": tuple(BOUNDS)})]
"""A quantity that can be corrected."""


def _text_fault(text: str) -> str | None:
    return LINE["fault"](text) if text else "is empty"


class SensorRequest(Request, frozen=True, kw_only=True):
    """A request that concerns a sensor, by its "place/name"."""

    about: ClassVar[str] = About.SENSOR
    key: ClassVar[str] = "sensor"
    sensor: str


class TimedSensorRequest(SensorRequest, frozen=True, kw_only=True):
    """A request that takes effect at a time; without `at_ms`, now."""

    at_ms: PastTime | UnsetType = UNSET


class MoveSensor(TimedSensorRequest, frozen=True, kw_only=True, tag="move"):
    """Record that a sensor moved to a place, whatever place its topic names."""

    place: PlaceId


class SealSensor(TimedSensorRequest, frozen=True, kw_only=True, tag="seal"):
    """Record that a sensor was closed in a jar over a salt."""

    salt: Annotated[str, Meta(extra={"one_of": tuple(SALTS)})]


class TakePoint(SensorRequest, frozen=True, kw_only=True, tag="take"):
    """Take the steady reading in the jar as a point of the calibration."""


class ComparePoint(
    TimedSensorRequest, frozen=True, kw_only=True, tag="compare", rename={"name": "with"}
):
    """Take a reading beside a reference as a point.

    `value` is the reference's, `u` its expanded uncertainty (k = 2), `name` its mark.
    """

    value: float
    u: float
    quantity: Corrected = Quantity.HUMIDITY
    name: Annotated[str, Meta(max_length=NAME_MAX, extra=LINE)] = ""


class ReturnSensor(TimedSensorRequest, frozen=True, kw_only=True, tag="back"):
    """Record that a sensor is out of the jar, at its place."""


class FitCorrection(SensorRequest, frozen=True, kw_only=True, tag="fit"):
    """Make a correction of the points; `line` true: slope and offset, false: offset."""

    quantity: Corrected = Quantity.HUMIDITY
    line: bool | None = None
    since_ms: Annotated[int, Meta(extra={"unit": "ms"})] | UnsetType = UNSET


class AbandonCalibration(TimedSensorRequest, frozen=True, kw_only=True, tag="abandon"):
    """Discard the points of the calibration under way."""


class VoidCorrection(SensorRequest, frozen=True, kw_only=True, tag="void"):
    """Void a correction that was wrong."""

    number: int


class InheritCorrections(SensorRequest, frozen=True, kw_only=True, tag="inherit"):
    """Give a sensor the corrections of its old name."""

    of: str


class NoteSensor(SensorRequest, frozen=True, kw_only=True, tag="note"):
    """Note something about a sensor."""

    text: Annotated[str, Meta(max_length=NOTE_MAX, extra=LINE | {"fault": _text_fault})]


class VoidReadings(SensorRequest, frozen=True, kw_only=True, tag="void-readings"):
    """Void a sensor's readings of a span; without `from_ms` from the first on, without `until_ms` up
    to now. They are kept, and counted nowhere."""

    from_ms: AnyTime | UnsetType = UNSET
    until_ms: AnyTime | UnsetType = UNSET
    why: Annotated[str, Meta(max_length=NOTE_MAX, extra=LINE | {"fault": _text_fault})]


class RestoreReadings(SensorRequest, frozen=True, kw_only=True, tag="restore-readings"):
    """Undo the voiding of readings."""

    number: int


def _id_fault(text: str) -> str | None:
    place, slash, name = text.partition("/")
    if not slash:
        return "must be place/name"
    return new_name_fault(place) or new_name_fault(name)


class RenameSensor(SensorRequest, frozen=True, kw_only=True, tag="rename"):
    """Give a sensor another place and name, for all its readings, past and future. With `old_place`
    and `new_place`, what it was moved to under the old name of a place is under the new one too."""

    to: Annotated[str, Meta(extra={"fault": _id_fault})]
    old_place: PlaceId | UnsetType = UNSET
    new_place: PlaceId | UnsetType = UNSET


class UndoRename(SensorRequest, frozen=True, kw_only=True, tag="undo-rename"):
    """Undo the last renaming of a sensor."""


REQUESTS = (
    MoveSensor,
    SealSensor,
    TakePoint,
    ComparePoint,
    ReturnSensor,
    FitCorrection,
    AbandonCalibration,
    VoidCorrection,
    InheritCorrections,
    NoteSensor,
    VoidReadings,
    RestoreReadings,
    RenameSensor,
    UndoRename,
)
