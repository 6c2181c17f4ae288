"""Admission of new places and sensors: the first few at once, the rest when a person admits them.

So a new shop just works, and a flood of invented topics neither fills the board nor the store.
"""

from __future__ import annotations

import logging
import time
from collections import Counter
from collections.abc import Iterable, Sequence

from monitor.commands.newcomers import NewcomerWork
from monitor.core.errors import MonitorError
from monitor.core.measurements import Series
from monitor.store import Writer, newcomers
from monitor.store.connection import Cursor
from monitor.store.newcomers import ADMITTED, REFUSED, TAKEN, WAITING, Newcomer, WaitingMessage

log = logging.getLogger(__name__)

DAY_MS = 86_400_000
NAMES_MAX = 200
"""Most names that wait at once; messages of further ones are counted only."""
MESSAGES_MAX = 500
"""Most messages kept of a name that waits; later ones are counted only."""
BYTES_MAX = 16_000_000
"""Most bytes of messages that wait, of all names together. [bytes]"""
RELOAD_S = 10.0
"""Period of reading what other ingests and people have settled, where several share a stream. [s]"""


class VisitOutdated(MonitorError):
    """Another ingest has met somebody new since a visit was judged."""


class Visit:
    """Newcomers within one batch of messages: changes that are stored with the batch, or never."""

    def __init__(self) -> None:
        self.states: dict[str, tuple[int, str]] = {}
        self.names = 0
        """Number of names in the store when the first of these states was decided."""
        self.unkept: Counter[str] = Counter()
        self.beyond = 0
        self.waiting: list[WaitingMessage] = []
        self.known: set[tuple[str, str]] = set()
        self.counted: Counter[str] = Counter()
        """Numbers of names that wait, and of those taken within a day; empty until needed."""
        self.messages: Counter[str] = Counter()
        self.bytes = 0

    def write(self, run: Cursor) -> None:
        """Within a transaction: store all of it.

        Raises
        ------
        VisitOutdated
            If the store has other names by now than those that it was judged by.
        """
        if self.states and newcomers.count(run) != self.names:
            raise VisitOutdated("other newcomers came first")
        newcomers.note(run, self.states, self.unkept)
        newcomers.keep(run, self.waiting)


class Newcomers:
    """The new places and sensors. Only the ingest's thread judges; others settle.

    The numbers a day hold for all ingests that share a store: new names are decided alone.

    Parameters
    ----------
    writer : Writer
    places : iterable of str
        Places of the settings, which are never new.
    places_a_day, sensors_a_day : int
        Numbers of new places, and of new sensors, that are taken at once within 24 h.
    shared : bool
        True if other processes settle and judge too.
    """

    def __init__(
        self,
        writer: Writer,
        places: Iterable[str] = (),
        *,
        places_a_day: int = 5,
        sensors_a_day: int = 50,
        shared: bool = False,
    ) -> None:
        self._shared = shared
        self._writer, self._named = writer, frozenset(places)
        self._a_day = {False: places_a_day, True: sensors_a_day}
        self.reload()
        self.settled = True
        """True if a person has admitted or refused somebody since `reload`, or may have before us."""

    def reload(self) -> None:
        """Read what the store has."""
        self.settled = False
        self._loaded_s = time.monotonic()
        self._by_name = {one.name: one for one in newcomers.every(self._writer)}
        rows = self._writer.connection.rows("SELECT DISTINCT place, sensor FROM series")
        self._known = {(place, sensor) for place, sensor in rows}
        self._places = {place for place, _ in self._known} | self._named
        for one in self._by_name.values():
            if one.state in (TAKEN, ADMITTED):
                place, _, sensor = one.name.partition("/")
                self._places.add(place)
                if sensor:
                    self._known.add((place, sensor))
        self._bytes = sum(one.bytes for one in self._by_name.values())

    def outdated(self) -> bool:
        """True if the store may have something that was settled since `reload`."""
        return self.settled or (self._shared and time.monotonic() - self._loaded_s > RELOAD_S)

    def is_known(self, series: Series) -> bool:
        """True for a sensor that has sent before, at its place."""
        return (series.place, series.sensor) in self._known

    def held(self, visit: Visit, series: Series, message: tuple[int, str, bytes, int]) -> bool:
        """True if a message is not to be stored now; `visit` has then what becomes of it.

        `message` is its arrival [ms since 1970-01-01 UTC], topic, payload and number of readings.
        """
        place, sensor = series.place, series.sensor
        if (place, sensor) in self._known or (place, sensor) in visit.known:
            return False
        for name in (place, f"{place}/{sensor}"):
            if name == place and (place in self._places or self._state(visit, place) == TAKEN):
                continue
            state = self._state(visit, name) or self._first(visit, name, message[0])
            if state not in (TAKEN, ADMITTED):
                self._hold(visit, name, state, message)
                return True
        visit.known.add((place, sensor))
        return False

    def stored(self, visit: Visit) -> None:
        """Follow a visit that is stored."""
        for name, (first_ms, state) in visit.states.items():
            self._by_name[name] = Newcomer(name, first_ms, state, 0, 0, 0, 0)
            if state == TAKEN and "/" not in name:
                self._places.add(name)
        if new := [name for name, (_, state) in visit.states.items() if state == WAITING]:
            log.warning("newcomers wait to be admitted names=%d first=%s", len(new), new[0])
        for name, n in visit.messages.items():
            known = self._by_name[name]
            self._by_name[name] = known._replace(messages=known.messages + n)
        self._bytes += visit.bytes
        self._known |= visit.known

    def _state(self, visit: Visit, name: str) -> str:
        known = self._by_name.get(name)
        return known.state if known else visit.states.get(name, (0, ""))[1]

    def _first(self, visit: Visit, name: str, now_ms: int) -> str:
        """State of a name that was never seen; "" if too many wait already."""
        if not visit.counted:
            visit.counted = self._counts(now_ms)
        taken = _taken("/" in name)
        if visit.counted[taken] < self._a_day["/" in name]:
            state = TAKEN
            visit.counted[taken] += 1
        elif visit.counted[WAITING] < NAMES_MAX:
            state = WAITING
            visit.counted[WAITING] += 1
        else:
            return ""
        if not visit.states:
            visit.names = len(self._by_name)
        visit.states[name] = (now_ms, state)
        return state

    def _counts(self, now_ms: int) -> Counter[str]:
        counts: Counter[str] = Counter({WAITING: 0})
        for one in self._by_name.values():
            if one.state == WAITING:
                counts[WAITING] += 1
            elif one.state == TAKEN and abs(now_ms - one.first_ms) < DAY_MS:
                counts[_taken("/" in one.name)] += 1
        return counts

    def _hold(
        self, visit: Visit, name: str, state: str, message: tuple[int, str, bytes, int]
    ) -> None:
        """Let a message wait if there is room, or count it."""
        if not state:
            visit.beyond += 1
            return
        kept = self._by_name[name].messages if name in self._by_name else 0
        size = len(message[2])
        room = (
            kept + visit.messages[name] < MESSAGES_MAX
            and self._bytes + visit.bytes + size <= BYTES_MAX
        )
        if state == WAITING and room:
            visit.waiting.append(WaitingMessage(name, *message))
            visit.messages[name] += 1
            visit.bytes += size
        else:
            visit.unkept[name] += 1

    # What people ask for, in other threads.

    def names(self) -> Sequence[str]:
        """Names that wait or were refused."""
        return [one.name for one in newcomers.every(self._writer, WAITING, REFUSED)]

    def settle(self, name: str, *, admit: bool) -> NewcomerWork:
        """Admit or refuse a name, or with an empty one all that wait."""
        states = (WAITING,) if not name else (WAITING, REFUSED)
        found = [one for one in newcomers.every(self._writer, *states) if name in ("", one.name)]

        def write(run: Cursor) -> None:
            state = ADMITTED if admit else REFUSED
            newcomers.settle(run, [one.name for one in found], state)
            self.settled = True  # the ingest reads the store after this transaction

        return NewcomerWork({one.name: one.messages for one in found}, write)


def _taken(sensor: bool) -> str:
    """Name of the count of new sensors or places that were taken at once."""
    return f"{TAKEN} {'sensor' if sensor else 'place'}"
