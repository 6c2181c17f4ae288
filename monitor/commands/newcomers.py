"""Commands on new places and sensors that wait to be admitted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple, Protocol

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.domain.newcomer import AdmitNewcomer, NewcomerRequest
from monitor.store.connection import Cursor

LISTED_MAX = 10


class NewcomerWork(NamedTuple):
    """Work of admitting or refusing: the number of messages that wait by name, and the writing."""

    messages: Mapping[str, int]
    write: Callable[[Cursor], None]


class NewcomerKeeper(Protocol):
    """Access to the new places and sensors."""

    def names(self) -> Sequence[str]:
        """Names that wait or were refused."""

    def settle(self, name: str, *, admit: bool) -> NewcomerWork:
        """Admit or refuse a name, or with an empty one all that wait."""


class DecideNewcomer:
    """Carries out requests on new places and sensors."""

    def __init__(self, keeper: NewcomerKeeper | None) -> None:
        self._keeper = keeper

    def __call__(self, command: Command[NewcomerRequest]) -> Decision:
        request, keeper = command.request, self._keeper
        names = keeper.names() if keeper else []
        if keeper is None or (not request.every and request.newcomer not in names):
            more = f" and {len(names) - LISTED_MAX} more" if len(names) > LISTED_MAX else ""
            allowed = f"one of {', '.join(names[:LISTED_MAX]) or 'none'}{more}"
            raise Rejected(Fault("", "newcomer", request.newcomer[:80], allowed))
        name = "" if request.every else request.newcomer
        work = keeper.settle(name, admit=isinstance(request, AdmitNewcomer))
        events = [command.event(n, {"messages": m}) for n, m in work.messages.items()]
        answer = {"newcomers": list(work.messages), "messages": sum(work.messages.values())}
        return Decision(events, answer, work.write)
