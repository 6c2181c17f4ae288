"""Commands on instruments: take one in, open and close it, move it, hand it out."""

from __future__ import annotations

from monitor.commands.request import Command, Decision
from monitor.core.errors import Rejected
from monitor.domain import instrument
from monitor.domain.instrument import InstrumentRequest, RegisterInstrument


def decide_instrument(command: Command[InstrumentRequest]) -> Decision:
    """Carry out a request on an instrument."""
    request = command.request
    instrument_id = instrument.id_of(request.subject)
    known = command.journal.instruments.get(instrument_id)
    if known is None and not isinstance(request, RegisterInstrument):
        raise Rejected(f"there is no instrument {request.subject[:60]!r}")
    body = instrument.decide(known, request, command.now_ms)
    return Decision([command.event(instrument_id, body)], {"instrument": instrument_id})
