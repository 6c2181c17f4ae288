"""Commands on instruments: take one in, open and close it, move it, hand it out."""

from __future__ import annotations

from monitor.commands.request import CommandFault, Decision, Request
from monitor.domain import instrument
from monitor.domain.instrument import FieldFault, InstrumentAction, InstrumentFault


def of_instruments(asked: Request) -> Decision:
    if asked.do not in list(InstrumentAction):
        raise CommandFault(f"do = {asked.do!r:.40}: must be one of {', '.join(InstrumentAction)}")
    named = asked.id_of("reference" if asked.do == InstrumentAction.REGISTER else "instrument")
    instrument_id = instrument.id_of(named)
    known = asked.journal.instruments.get(instrument_id)
    if known is None and asked.do != InstrumentAction.REGISTER:
        raise InstrumentFault([FieldFault(f"there is no instrument {named[:60]!r}")])
    body = instrument.decide(
        known, InstrumentAction(asked.do), asked.rest("instrument"), asked.now_ms
    )
    return Decision([asked.event(instrument_id, body)], {"instrument": instrument_id})
