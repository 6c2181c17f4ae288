"""Commands on waits: open one or a series, go on with it, release it."""

from __future__ import annotations

from collections.abc import Callable

from monitor.commands.request import CommandFault, Decision, Request
from monitor.domain import wait as waits
from monitor.domain.wait import COUNT_MAX, Action, Wait, WaitFault
from monitor.domain.wait_type_registry import as_mapping

Equivalent = Callable[[Wait, int], float | None]
"""How much time in reference air a wait had had by a moment [ms]; None if it cannot be told. [s]"""

Foresee = Callable[[Wait, int], tuple[int, int, int] | None]
"""When a wait opened now [ms] will be ready: 10 %, median, 90 % [ms]; None if it cannot be told."""


class OfWaits:
    """`foresee` is asked when a wait is opened and `equivalent` when it is released, so that what
    was promised and what it teaches are kept with it."""

    def __init__(self, equivalent: Equivalent | None, foresee: Foresee | None) -> None:
        self._equivalent, self._foresee = equivalent, foresee

    def __call__(self, asked: Request) -> Decision:
        if asked.do not in list(Action):
            raise CommandFault(f"do = {asked.do!r:.40}: must be one of {', '.join(Action)}")
        if asked.do == Action.OPEN:
            return self._opened(asked)
        wait_id = asked.id_of("wait")
        wait = asked.journal.waits.get(wait_id)
        if wait is None:
            raise WaitFault(f"there is no wait {wait_id[:40]!r}")
        body = waits.decide(wait, Action(asked.do), asked.rest("wait"), asked.now_ms)
        if asked.do == Action.RELEASE:
            body["equivalent_s"] = self._equivalent and self._equivalent(wait, body["at_ms"])
        return Decision([asked.event(wait_id, body)], {"waits": [wait_id]})

    def _opened(self, asked: Request) -> Decision:
        wish, journal, now_ms = asked.rest("count"), asked.journal, asked.now_ms
        count = asked.wish.get("count", 1)
        if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= COUNT_MAX:
            raise WaitFault(f"count = {count!r:.40}: must be a whole number from 1 to {COUNT_MAX}")
        kind = journal.book.get(str(wish.get("kind")))
        if kind is None:
            known = ", ".join(journal.book)
            raise WaitFault(f"kind {wish.get('kind')!r:.40}: must be one of {known}")
        wish["kind"] = as_mapping(kind)
        if (learned := journal.learned(kind.id)) is not None and learned.evidence:
            wish["kind"] |= {"basis_s": learned.used_s, "spread": learned.spread}
        first = 1 + max((int(i) for i in journal.waits), default=0)
        what = str(wish.get("what", ""))
        events = []
        foreseen = None
        for number in range(count):
            own = dict(wish)
            if count > 1:
                own["what"] = f"{what or kind.name} {number + 1} of {count}"
            body = waits.decide(None, Action.OPEN, own, now_ms)
            if self._foresee and not number:
                new = waits.apply(None, asked.event(str(first), body))
                foreseen = self._foresee(new, now_ms)
            body["foreseen_ms"] = foreseen
            if count > 1:
                body["series"] = str(first)
            events.append(asked.event(str(first + number), body))
        return Decision(events, {"waits": [event.subject for event in events]})
