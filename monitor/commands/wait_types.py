"""Commands on kinds of wait: add or change one, take one off the list, put it back."""

from __future__ import annotations

from monitor.commands.request import CommandFault, Decision, Request
from monitor.domain.wait_type_registry import RESTORE, RETIRE, SET, KindFault, as_mapping, changed


def of_kinds(asked: Request) -> Decision:
    kind_id = asked.id_of("kind")
    if asked.do == SET:
        kind = changed(asked.journal.book, kind_id, asked.rest("kind"))
        return Decision([asked.event(kind_id, as_mapping(kind))], {"kind": kind_id})
    if asked.do == RESTORE:
        if kind_id not in asked.journal.retired:
            known = ", ".join(asked.journal.retired) or "none is off the list"
            raise KindFault(f"kind {kind_id!r} is not off the list: {known}")
        kind = asked.journal.retired[kind_id]
        return Decision([asked.event(kind_id, as_mapping(kind))], {"kind": kind_id})
    if asked.do != RETIRE:
        words = f"{SET}, {RETIRE}, {RESTORE}"
        raise CommandFault(f"do = {asked.do!r:.40}: must be one of {words}")
    if kind_id not in asked.journal.book:
        raise KindFault(f"there is no kind {kind_id!r}")
    return Decision([asked.event(kind_id, {})], {"kind": kind_id})
