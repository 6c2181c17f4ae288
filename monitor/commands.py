"""What can be asked of the service: open a wait and go on with it, change a kind.

The board, the command line and a button over MQTT ask in the same words: a mapping with `do`, what
it is about, and `by`. A command with an `id` of its own is carried out once, however often it
comes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from monitor import waits
from monitor.errors import MonitorError
from monitor.kind_book import KindFault, as_mapping, book_of, changed
from monitor.kinds import Kind
from monitor.records import text_fault
from monitor.science.waits.learning import Evidence, Learned, Prior, Verdict, learn
from monitor.store import Reader, Writer, journal
from monitor.waits import COUNT_MAX, Action, Event, Feel, Wait, WaitFault

BY_MAX = 60
"""Longest name of who asked. [characters]"""


class CommandFault(MonitorError, ValueError):
    """A command is no command: what is wrong and what is allowed."""


class Journal:
    """Waits and kinds as the journal has them; `refresh` takes in what was added since."""

    def __init__(self, store: Reader | Writer) -> None:
        self._store = store
        self._last = 0
        self.waits: dict[str, Wait] = {}
        self.book: dict[str, Kind] = {}
        self.refresh()

    def refresh(self) -> None:
        new, self._last = journal.events(self._store, self._last)
        for event in new:
            self.waits[event.wait_id] = waits.apply(self.waits.get(event.wait_id), event)
        versions = journal.kind_versions(self._store)
        self.book = book_of((version.kind_id, version.body) for version in versions)

    def learned(self, kind_id: str) -> Learned | None:
        """What the releases of a kind have taught of its basis; None where nothing can be learned."""
        kind = self.book.get(kind_id)
        if kind is None or not kind.spread:
            return None
        evidence = [
            Evidence(_FEEL[wait.feel], wait.equivalent_s)
            for wait in self.waits.values()
            if wait.kind["id"] == kind_id and wait.feel is not None and wait.equivalent_s
        ]
        return learn(Prior(kind.basis_s, kind.spread, kind.minimum_s), evidence)


_FEEL = {
    Feel.SOFT: Verdict.SOFT,
    Feel.RIGHT: Verdict.RIGHT,
    Feel.LONG_BEFORE: Verdict.LONG_BEFORE,
}

Equivalent = Callable[[Wait, int], float | None]
"""How much time in reference air a wait had had by a moment [ms]; None if it cannot be told. [s]"""


Foresee = Callable[[Wait, int], tuple[int, int, int] | None]
"""When a wait opened now [ms] will be ready: 10 %, median, 90 % [ms]; None if it cannot be told."""


class Commands:
    """Carries commands out. The caller holds the lock of the writer.

    `foresee` is asked when a wait is opened and `equivalent` when it is released, so that what was
    promised and what it teaches are kept with it.
    `on_change` is called after each command that changed something.
    """

    def __init__(
        self,
        writer: Writer,
        equivalent: Equivalent | None = None,
        foresee: Foresee | None = None,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        self._writer = writer
        self._equivalent = equivalent
        self._foresee = foresee
        self._on_change = on_change
        self._journal = Journal(writer)

    def carry_out(
        self,
        command: Mapping[str, Any],
        now_ms: int,
        deliveries: Iterable[tuple[int, bytes]] = (),
    ) -> Mapping[str, Any]:
        """Do what was asked, on disk when this returns.

        Parameters
        ----------
        command : mapping
            `do`: open, pause, resume, move, release, reopen, correct, feel (see `waits.decide`),
            kind (add or change) or retire (a kind). `wait`: the wait's id; `kind`: the kind's id.
            `count`: how many to open at once. `by`: who; `id`: the command's own.
        now_ms : int
            [ms since 1970-01-01 UTC]
        deliveries : iterable of (packet id, digest)
            The message it came by.

        Returns
        -------
        mapping
            `waits`: the ids of the waits concerned; or `kind`.

        Raises
        ------
        CommandFault, WaitFault, KindFault
            If it cannot be done; nothing was changed.
        StoreUnavailable
            If it cannot be written just now.
        """
        command_id = command.get("id")
        if command_id is not None and (not isinstance(command_id, str) or len(command_id) > 100):
            raise CommandFault("id must be text of at most 100 characters")
        if command_id and (answer := journal.answered(self._writer, command_id)) is not None:
            return answer
        by = command.get("by", "")
        if fault := text_fault(by, BY_MAX):
            raise CommandFault(f"by {fault}")
        do = command.get("do")
        rest = {k: v for k, v in command.items() if k not in ("id", "by", "do")}
        events: list[Event] = []
        kinds: list[journal.KindVersion] = []
        if do in ("kind", "retire"):
            kinds = [self._kind(str(do), rest, by, now_ms)]
            answer = {"kind": kinds[0].kind_id}
        elif isinstance(do, str) and do in list(Action):
            events = self._events(Action(do), rest, by, now_ms)
            answer = {"waits": [event.wait_id for event in events]}
        else:
            raise CommandFault(
                f"do = {do!r:.40}: must be one of {', '.join([*Action, 'kind', 'retire'])}"
            )
        done = (command_id, now_ms, answer) if command_id else None
        journal.append(self._writer, events, kinds=kinds, done=done, deliveries=deliveries)
        self._journal.refresh()
        self._on_change()
        return answer

    def _events(self, action: Action, wish: dict[str, Any], by: str, now_ms: int) -> list[Event]:
        if action is not Action.OPEN:
            wait_id = wish.pop("wait", "")
            if not isinstance(wait_id, str):
                raise CommandFault(f'wait = {wait_id!r:.40}: must be text, such as "12"')
            wait = self._journal.waits.get(wait_id)
            if wait is None:
                raise WaitFault(f"there is no wait {wait_id[:40]!r}")
            body = waits.decide(wait, action, wish, now_ms)
            if action is Action.RELEASE:
                told = self._equivalent and self._equivalent(wait, body["at_ms"])
                body["equivalent_s"] = told
            return [Event(wait_id, now_ms, by, action, body)]
        count = wish.pop("count", 1)
        if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= COUNT_MAX:
            raise WaitFault(f"count = {count!r:.40}: must be a whole number from 1 to {COUNT_MAX}")
        kind = self._journal.book.get(str(wish.get("kind")))
        if kind is None:
            known = ", ".join(self._journal.book)
            raise WaitFault(f"kind {wish.get('kind')!r:.40}: must be one of {known}")
        wish["kind"] = as_mapping(kind)
        if (learned := self._journal.learned(kind.id)) is not None and learned.evidence:
            wish["kind"] |= {"basis_s": learned.basis_s, "spread": learned.spread}
        first = 1 + max((int(i) for i in self._journal.waits), default=0)
        what = str(wish.get("what", ""))
        events = []
        foreseen = None
        for number in range(count):
            own = dict(wish)
            if count > 1:
                own["what"] = f"{what or kind.name} {number + 1} of {count}"
            body = waits.decide(None, action, own, now_ms)
            if self._foresee and not number:
                new = waits.apply(None, Event(str(first), now_ms, by, action, body))
                foreseen = self._foresee(new, now_ms)
            body["foreseen_ms"] = foreseen
            events.append(Event(str(first + number), now_ms, by, action, body))
        return events

    def _kind(self, do: str, wish: dict[str, Any], by: str, now_ms: int) -> journal.KindVersion:
        kind_id = str(wish.pop("kind", ""))
        if do == "kind":
            kind = changed(self._journal.book, kind_id, wish)
            return journal.KindVersion(kind_id, now_ms, by, as_mapping(kind))
        if kind_id not in self._journal.book:
            raise KindFault(f"there is no kind {kind_id!r}")
        return journal.KindVersion(kind_id, now_ms, by, None)
