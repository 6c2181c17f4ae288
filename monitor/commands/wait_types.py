"""Commands on wait types: add or change one, retire it, restore it."""

from __future__ import annotations

from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.domain.wait_type_registry import (
    RestoreWaitType,
    SetWaitType,
    WaitTypeRequest,
    as_mapping,
    changed,
)


def decide_wait_type(command: Command[WaitTypeRequest]) -> Decision:
    """Carry out a request on a wait type."""
    request, journal = command.request, command.journal
    body = {}
    if isinstance(request, SetWaitType):
        body = as_mapping(changed(journal.book, request))
    elif isinstance(request, RestoreWaitType):
        if request.kind not in journal.retired:
            retired = ", ".join(journal.retired) or "none is retired"
            raise Rejected(Fault("", "kind", request.kind, f"a retired type: {retired}"))
        body = as_mapping(journal.retired[request.kind])
    elif request.kind not in journal.book:
        raise Rejected(Fault("", "kind", request.kind, f"one of {', '.join(journal.book)}"))
    return Decision([command.event(request.kind, body)], {"kind": request.kind})
