"""Commands on batches of glue."""

from __future__ import annotations

from monitor.commands.projections import Journal
from monitor.commands.request import Command, Decision
from monitor.core.errors import Fault, Rejected
from monitor.domain import glue
from monitor.domain.glue import Glue, GlueRequest, MixGlue


def decide_glue(command: Command[GlueRequest]) -> Decision:
    """Carry out a request on a batch of glue."""
    request, journal = command.request, command.journal
    if isinstance(request, MixGlue):
        body = glue.mixed(request, command.now_ms)
        own = str(1 + max((int(i) for i in journal.glues), default=0))
    else:
        own = glue_of(journal, request.subject).id
        body = glue.decide(journal.glues[own], request, command.now_ms)
    return Decision([command.event(own, body)], {"glue": own})


def glue_of(journal: Journal, glue_id: str) -> Glue:
    """The batch with an id.

    Raises
    ------
    Rejected
        If there is none.
    """
    found = journal.glues.get(glue_id)
    if found is None:
        here = ", ".join(one.id for one in journal.glues.values() if one.here)
        raise Rejected(Fault("", "glue", glue_id[:40], f"one of {here}" if here else "a batch"))
    return found
