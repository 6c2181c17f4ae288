"""Commands on instruments: take one in, open and close it, move it, hand it out."""

from __future__ import annotations

from monitor.commands.request import Asked, CommandFault, Plan
from monitor.domain import instrument
from monitor.domain.instrument import Did, Fault, InstrumentFault


def of_instruments(asked: Asked) -> Plan:
    if asked.do not in list(Did):
        raise CommandFault(f"do = {asked.do!r:.40}: must be one of {', '.join(Did)}")
    named = asked.id_of("reference" if asked.do == Did.REGISTER else "instrument")
    instrument_id = instrument.id_of(named)
    known = asked.journal.instruments.get(instrument_id)
    if known is None and asked.do != Did.REGISTER:
        raise InstrumentFault([Fault(f"there is no instrument {named[:60]!r}")])
    body = instrument.decide(known, Did(asked.do), asked.rest("instrument"), asked.now_ms)
    return Plan([asked.event(instrument_id, body)], {"instrument": instrument_id})
