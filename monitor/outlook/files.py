"""Learned models and outlook of each place, kept whole or not at all in their home.

Each is a file that holds arrays in numpy's own format and the rest as JSON. A file that cannot be read,
or of another version, counts as none: it will be made again, except for the issued outlooks.
"""

from __future__ import annotations

import dataclasses
import io
import json
import logging
import math
import typing
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from monitor.core.errors import StoreFault
from monitor.outlook.evaluation.report import Score, SnapScore
from monitor.outlook.evaluation.walk_forward import Walked, WalkState
from monitor.outlook.homes import OutlookFolder, OutlookHome, home_of
from monitor.science.outlook.forecaster import LearnedForecaster
from monitor.science.outlook.hourly_log import STEPS
from monitor.science.outlook.room_model import RoomModel
from monitor.science.outlook.shut_days import ShutOutlook
from monitor.science.outlook.what_if import Launch, Water
from monitor.science.ranges import Floats
from monitor.store.outlooks import Item

if TYPE_CHECKING:
    from monitor.settings import Settings

log = logging.getLogger(__name__)

VERSION = 15
ISSUED_VERSION = 1
"""Version of `IssuedOutlooks`, which cannot be made again."""
HOUR_MS = 3_600_000
FRESH_MS = 3 * HOUR_MS
"""A look that was made longer ago says nothing any more. [ms]  Ours: one is made each hour."""


@dataclasses.dataclass(frozen=True, eq=False)
class IssuedScore:
    """Score of what was issued in the last `days`: of RH, and of the snap alerts that were raised."""

    days: float
    scores: tuple[Score, ...]
    snaps: SnapScore


@dataclasses.dataclass(frozen=True, eq=False)
class LearnedPlace:
    """Models fitted to a place's log.

    `learned_ms` when, from so many `days` of log; `tried` whether it has judged itself; `scores`
    of RH and `snaps` from a walk through the log, empty and None before that. `fills_why`: why the
    measured fills of its tanks do not tell the air change; empty if they do, or there are none.
    `issued`: score of what was really issued.
    """

    place: str
    learned_ms: int
    days: float
    tried: bool
    learned: LearnedForecaster
    scores: tuple[Score, ...]
    snaps: SnapScore | None
    fills_why: str = ""
    issued: IssuedScore | None = None


@dataclasses.dataclass(frozen=True)
class WeatherMembers:
    """Members of the forecast that an outlook rests on: how many, how many hours ahead they reach,
    and from how many days of earlier members their spread was corrected."""

    count: int = 0
    reaches_h: int = 0
    days: float = 0.0


NO_MEMBERS = WeatherMembers()


@dataclasses.dataclass(frozen=True, eq=False)
class StoredOutlook:
    """Outlook of a place, computed at `made_ms`.

    `first_h`: the hour since 1970-01-01 UTC at which the first step ends; `air` (2, members,
    STEPS) temperature [°C] and RH [%]; `source`, `issued_ms` and `reaches_h` of the outdoor
    forecast, empty, 0 and 0 if there is none; `chance` of a dry snap within 84 h, `bar` at which
    to speak; `read_ms` of the last reading it rests on. `water` a day that holds `hold_pct`, None
    if none is needed; the level is that of the band, or the highest safe one where that is lower.
    `shut`: what is known of days on which nobody comes. `wall_factor`: of the coldest measured wall;
    NaN without one. [-]  `held`: see `issued.recently_held`; `outdoors`: whether a sensor reads there;
    `u_rh_pct`: uncertainty of the place's sensor, coverage factor 2, 0 where it is not known. [%]
    `members`: of the outdoor forecast.
    """

    place: str
    made_ms: int
    read_ms: int
    first_h: int
    air: Floats
    room: RoomModel
    launch: Launch
    source: str
    issued_ms: int
    reaches_h: int
    chance: float
    bar: float
    hold_pct: float
    water: Water | None
    fit_ms: int
    shut: ShutOutlook
    wall_factor: float = math.nan
    held: float = math.nan
    outdoors: bool = True
    u_rh_pct: float = 0.0
    members: WeatherMembers = NO_MEMBERS

    @property
    def start_ms(self) -> int:
        """Begin of the first step. [ms since 1970-01-01 UTC]"""
        return (self.first_h - 1) * HOUR_MS

    @property
    def edges_ms(self) -> np.ndarray:
        """Begins of the steps and the end of the last, shape (STEPS + 1,). [ms]"""
        return np.asarray(self.start_ms + HOUR_MS * np.arange(STEPS + 1, dtype=np.int64))

    def fresh(self, now_ms: int) -> bool:
        """True if the outlook is recent enough to show. [ms]"""
        return 0 <= now_ms - self.made_ms < FRESH_MS


@dataclasses.dataclass(frozen=True, eq=False)
class IssuedOutlooks:
    """Outlooks of a place as they were issued, the last of each hour, oldest first.

    Their moments are hours since 1970-01-01 UTC.
    """

    place: str
    walked: Walked


class Progress(NamedTuple):
    """Progress of learning a place: days done, of how many."""

    place: str
    done: int
    total: int


Kept = LearnedPlace | StoredOutlook | WalkState | IssuedOutlooks


def packed(what: Kept) -> Item:
    """Item of a place as its home stores it."""
    arrays: dict[str, np.ndarray] = {}
    tree = _flat(what, arrays)
    head = json.dumps({"version": _version(type(what)), "tree": tree})
    file = io.BytesIO()
    np.savez(file, head=np.frombuffer(head.encode(), np.uint8), **arrays)  # type: ignore[arg-type] # its stub takes the names for allow_pickle
    guess = isinstance(what, LearnedPlace) and not what.tried  # learned meanwhile: that is better
    return Item(what.place, _name(type(what)), file.getvalue(), guess)


def keep(settings: Settings, what: Kept) -> None:
    """Replace what is stored, outside of any turn. The caller reports an OSError."""
    home_of(settings).put([packed(what)._replace(guess=False)])


def set_aside_unreadable(settings: Settings) -> None:
    """Set aside the files that cannot be used, which would keep a guess from being stored. For the
    only process that writes them, before it begins."""
    home = home_of(settings)
    if isinstance(home, OutlookFolder):
        for kind in typing.get_args(Kept):
            for place in home.places(_name(kind)):
                if _read(settings, kind, place) is None:
                    home.set_aside(place, _name(kind))


def fit(settings: Settings, place: str) -> LearnedPlace | None:
    """Stored models of a place; None if there are none."""
    return _read(settings, LearnedPlace, place)


def walk_state(settings: Settings, place: str) -> WalkState | None:
    """Stored state of a place's walk; None if there is none."""
    return _read(settings, WalkState, place)


def issued(settings: Settings, place: str) -> IssuedOutlooks | None:
    """Stored outlooks of a place as they were issued; None if there are none."""
    return _read(settings, IssuedOutlooks, place)


def look(settings: Settings, place: str, now_ms: int) -> StoredOutlook | None:
    """Stored outlook of a place; None if there is none, or it is too old. [ms]"""
    found = _read(settings, StoredOutlook, place)
    return found if found is not None and found.fresh(now_ms) else None


def looked_at(settings: Settings, place: str, home: OutlookHome | None = None) -> int:
    """Version of the stored outlook for caches; 0 before the first. `home`: of the shop, if at hand."""
    return (home or home_of(settings)).stamp(place, _name(StoredOutlook))


def fitted_at(settings: Settings, place: str) -> int:
    """Version of the stored models for caches; 0 before the first."""
    return home_of(settings).stamp(place, _name(LearnedPlace))


def looked_places(settings: Settings) -> set[str]:
    """Places that have a stored outlook, fresh or not."""
    return home_of(settings).places(_name(StoredOutlook))


def progress(settings: Settings) -> Progress | None:
    """Progress of learning; None while there is none."""
    found = home_of(settings).progress()
    return None if found is None else Progress(*found)


def _version(kind: type) -> int:
    return ISSUED_VERSION if kind is IssuedOutlooks else VERSION


def _name(kind: type) -> str:
    return kind.__name__.lower()


def _read(settings: Settings, kind: type, place: str) -> Any:
    try:
        with (
            home_of(settings).opened(place, _name(kind)) as file,
            np.load(file, allow_pickle=False) as arrays,
        ):
            head = json.loads(arrays["head"].tobytes())
            if head["version"] != _version(kind):
                return None
            return _built(kind, head["tree"], arrays)
    except FileNotFoundError:
        return None
    except StoreFault:
        raise
    except Exception as exc:  # noqa: BLE001 - a damaged archive may raise any
        log.warning("outlook cannot be read place=%s kind=%s reason=%r", place, _name(kind), exc)
        return None


def _flat(value: Any, arrays: dict[str, np.ndarray]) -> Any:
    """A tree of dataclasses, tuples and numbers as JSON; arrays go into `arrays`, by their name."""
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value.astype(np.float32) if value.size > 10_000 else value
        return name
    if dataclasses.is_dataclass(value):
        return {f.name: _flat(getattr(value, f.name), arrays) for f in dataclasses.fields(value)}
    if isinstance(value, tuple):
        return [_flat(item, arrays) for item in value]
    return value.item() if isinstance(value, np.generic) else value


def _origin(kind: Any) -> Any:
    """Generic type of an annotation; NumPy 2.5 names its arrays by an alias of Python 3.12."""
    origin = typing.get_origin(kind)
    return typing.get_origin(getattr(origin, "__value__", None)) or origin


def _built(kind: Any, node: Any, arrays: Any) -> Any:
    """Object rebuilt from `_flat`, by the declared types of its fields."""
    origin, inside = _origin(kind), typing.get_args(kind)
    if kind is np.ndarray or origin is np.ndarray:
        found = arrays[node]
        return found.astype(np.float64) if found.dtype == np.float32 else found
    if origin is tuple:
        kinds = [inside[0]] * len(node) if inside[-1] is ... else inside
        return tuple(_built(k, n, arrays) for k, n in zip(kinds, node, strict=True))
    if type(None) in inside:  # X | None
        own = next(k for k in inside if k is not type(None))
        return None if node is None else _built(own, node, arrays)
    if dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(kind)
        fields = {name: _built(hints[name], n, arrays) for name, n in node.items()}
        return typing.cast("Any", kind)(**fields)
    if hasattr(kind, "_fields"):
        hints = typing.get_type_hints(kind)
        return kind(
            *(_built(hints[k], n, arrays) for k, n in zip(kind._fields, node, strict=True))
        )
    return node
