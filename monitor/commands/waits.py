"""Commands on waits: open one or a series, go on with it, release it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from monitor.commands.glue import glue_of
from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.domain import wait as waits
from monitor.domain.events import About, Event
from monitor.domain.glue import wait_type_with
from monitor.domain.repairs.repair import after_wait
from monitor.domain.wait import Expectation, OpenWait, ReleaseWait, Wait, WaitRequest
from monitor.domain.wait_type_registry import as_mapping

if TYPE_CHECKING:
    from monitor.commands.projections import Journal

Equivalent = Callable[[Wait, int], float | None]
"""Time in reference air that a wait had by a moment [ms]; None where it is not known. [s]"""

Expect = Callable[[Wait, int], Expectation]
"""Expectation of a wait that is opened now [ms]."""


class DecideWait:
    """Carries out requests on waits.

    `expect` is asked when a wait is opened and `equivalent` when it is released, so that its
    expected ready time and air and the evidence of its release are kept with it.
    """

    def __init__(self, equivalent: Equivalent | None, expect: Expect | None) -> None:
        self._equivalent, self._expect = equivalent, expect

    def __call__(self, command: Command[WaitRequest]) -> Decision:
        request = command.request
        if isinstance(request, OpenWait):
            return self._open(command, request)
        wait = command.journal.waits.get(request.subject)
        if wait is None:
            raise Rejected(f"there is no wait {request.subject[:40]!r}")
        body = waits.decide(wait, request, command.now_ms)
        if isinstance(request, ReleaseWait):
            body["equivalent_s"] = self._equivalent and self._equivalent(wait, body["at_ms"])
        event = command.event(wait.id, body)
        more = after_wait(command.journal.repairs.values(), wait, event)
        return Decision([event, *more], {"waits": [wait.id]})

    def _open(self, command: Command[WaitRequest], request: OpenWait) -> Decision:
        journal, now_ms = command.journal, command.now_ms
        kept = _kind_kept(journal, request)
        first = 1 + max((int(i) for i in journal.waits), default=0)
        events = []
        expected = Expectation(None, None)
        for number in range(request.count):
            body = waits.opened(request, kept, now_ms, number + 1)
            event = command.event(str(first + number), body)
            if self._expect and not number:
                expected = self._expect(waits.apply(None, event), now_ms)
            body["foreseen_ms"] = expected.ready_ms
            if expected.air is not None:
                body["expected_air"] = expected.air._asdict()
            if request.count > 1:
                body["series"] = str(first)
            events.append(event)
        return Decision(events, {"waits": [event.subject for event in events]})


def wait_if_opened(journal: Journal, request: OpenWait, now_ms: int) -> Wait:
    """The wait that a request would open now; nothing is kept of it.

    Raises
    ------
    Rejected
        If it cannot be opened.
    """
    body = waits.opened(request, _kind_kept(journal, request), now_ms)
    return waits.apply(None, Event(About.WAIT, "0", now_ms, "", "open", body))


def _kind_kept(journal: Journal, request: OpenWait) -> dict[str, Any]:
    """The type of a new wait as it is kept with it: with its glue, and what releases have taught."""
    kind = journal.book.get(request.kind)
    if kind is None:
        raise Rejected(Fault("", "kind", request.kind, f"one of {', '.join(journal.book)}"))
    if request.glue:
        kind = wait_type_with(kind, glue_of(journal, request.glue))
    kept = as_mapping(kind)
    if (learned := journal.learned(kind.id)) is not None and learned.evidence:
        raised = max(learned.used_s / learned.prior.basis_s, 1.0)
        kept |= {"basis_s": learned.used_s, "spread": learned.spread}
        kept |= {"load_s": kind.load_s * raised}
    return kept
