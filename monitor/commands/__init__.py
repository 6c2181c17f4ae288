"""The one way to change anything in the shop: requests on waits, instruments, alerts and the rest.

The board, the command line and a button over MQTT send the same messages: a mapping with `about`
and `do`, the fields of the request, and `by`. A command with an `id` is carried out once, however
often it comes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any

from msgspec import UNSET, Meta

from monitor.commands import alerts as alert_commands
from monitor.commands.alerts import (
    DecideReservoir,
    DecideRule,
    decide_alert,
    decide_caution,
    decide_humidifier,
)
from monitor.commands.asides import AsideKeeper, DecideAside
from monitor.commands.clock import DecideClock, ShopClock, check_time_known
from monitor.commands.closing import decide_closing
from monitor.commands.glue import decide_glue
from monitor.commands.guide import DecideTestNotice, decide_guide
from monitor.commands.hand_readings import DecideHandReading, HandReadings
from monitor.commands.instruments import decide_instrument
from monitor.commands.listening import DecideListening
from monitor.commands.newcomers import DecideNewcomer, NewcomerKeeper
from monitor.commands.own_proof import DecideProof, Prove
from monitor.commands.projections import Journal
from monitor.commands.repairs import DecideRepair, Doubts, OpenAt, decide_stock, decide_template
from monitor.commands.request import Also, Command, Decision, no_more
from monitor.commands.sensors import DecideSensor, SensorReader
from monitor.commands.settings import DecideSettings
from monitor.commands.wait_types import decide_wait_type
from monitor.commands.waits import DecideWait, Equivalent, Expect
from monitor.core.errors import Fault, Rejected
from monitor.core.validation import LINE, Request, checked, read
from monitor.domain import aside as asides
from monitor.domain import (
    channel_test,
    closing,
    glue,
    guide,
    hand_reading,
    humidifier,
    instrument,
    listening,
    newcomer,
    own_proof,
    sensor_requests,
    settings_change,
    shop_clock,
    wait,
    wait_type_registry,
)
from monitor.domain.alerts import alert, rule_registry
from monitor.domain.events import About
from monitor.domain.places import AirLimits
from monitor.domain.repairs import requests as repair_requests
from monitor.domain.repairs import stock, templates
from monitor.store import Writer, journal
from monitor.store.connection import Cursor

__all__ = ["Commands", "Journal", "read_request"]

By = Annotated[str, Meta(max_length=60, extra=LINE)]
CommandId = Annotated[str, Meta(max_length=100)] | None

TRIES = 3
"""Most times that a command is decided without keeping other writers waiting."""

REQUESTS: dict[str, dict[str, type[Request]]] = {}
"""The type of each request, by what it is about and its action."""
for _module in (
    wait,
    wait_type_registry,
    instrument,
    alert,
    rule_registry,
    alert_commands,
    sensor_requests,
    glue,
    own_proof,
    repair_requests,
    templates,
    stock,
    humidifier,
    closing,
    asides,
    newcomer,
    shop_clock,
    hand_reading,
    settings_change,
    guide,
    channel_test,
    listening,
):
    for _type in _module.REQUESTS:
        REQUESTS.setdefault(_type.about, {})[str(_type.__struct_config__.tag)] = _type


def read_request(command: Mapping[str, Any], now_ms: int) -> Request:
    """The request of a command, each field checked.

    Without `about` it is about a wait, or a wait type if `do` is one of its actions.

    Raises
    ------
    Rejected
        With every field that is wrong.
    """
    do = command.get("do")
    kinds = REQUESTS[About.KIND]
    about = command.get("about", About.KIND if isinstance(do, str) and do in kinds else About.WAIT)
    if not isinstance(about, str) or about not in REQUESTS:
        raise Rejected(Fault("", "about", about, f"one of {', '.join(REQUESTS)}"))
    actions = REQUESTS[about]
    if not isinstance(do, str) or do not in actions:
        raise Rejected(Fault("", "do", do, f"one of {', '.join(actions)}"))
    values = {k: v for k, v in command.items() if k not in ("id", "by", "do", "about")}
    return read(actions[do], values, now_ms)


class Commands:
    """Carries commands out. Threads may share it.

    A command is decided on a snapshot of the journal, outside the writer's transaction: the forecast
    for a new wait takes tenths of a second, and readings do not wait for it. If something was done
    meanwhile, the command is decided again.

    `on_change` is called after each command that changed something; `places` returns the ids of the
    places there are, for which alone a wait, an instrument or a rule can be.
    """

    def __init__(
        self,
        writer: Writer,
        equivalent: Equivalent | None = None,
        expect: Expect | None = None,
        on_change: Callable[[], None] = lambda: None,
        *,
        limits: AirLimits | None = None,
        reservoirs: Mapping[str, object] | None = None,
        places: Callable[[], Iterable[str]] | None = None,
        look: SensorReader | None = None,
        prove: Prove | None = None,
        aside: AsideKeeper | None = None,
        newcomers: NewcomerKeeper | None = None,
        clock: ShopClock | None = None,
        by_hand: HandReadings | None = None,
        settings: DecideSettings | None = None,
        test_notice: DecideTestNotice | None = None,
        listen: DecideListening | None = None,
        open_at: OpenAt | None = None,
        doubts: Doubts | None = None,
    ) -> None:
        self._writer = writer
        self._on_change, self._places, self._clock = on_change, places, clock
        self._journal = Journal(writer)
        decide_wait = DecideWait(equivalent, expect)
        self._decide: dict[str, Callable[[Command[Any]], Decision]] = {
            About.WAIT: decide_wait,
            About.KIND: decide_wait_type,
            About.INSTRUMENT: decide_instrument,
            About.ALERT: decide_alert,
            About.RULE: DecideRule(limits or AirLimits(), places),
            About.RESERVOIR: DecideReservoir(reservoirs or {}),
            About.HUMIDIFIER: decide_humidifier,
            About.CLOSING: decide_closing,
            About.CAUTION: decide_caution,
            About.SENSOR: DecideSensor(look),
            About.GLUE: decide_glue,
            About.PROOF: DecideProof(equivalent, prove),
            About.REPAIR: DecideRepair(decide_wait, open_at, doubts),
            About.TEMPLATE: decide_template,
            About.STOCK: decide_stock,
            About.ASIDE: DecideAside(aside),
            About.NEWCOMER: DecideNewcomer(newcomers),
            About.CLOCK: DecideClock(clock),
            About.READING: DecideHandReading(by_hand),
            About.SETTINGS: settings or DecideSettings(None),
            About.GUIDE: decide_guide,
            About.CHANNEL: test_notice or DecideTestNotice({}),
            About.LISTENING: listen or DecideListening(),
        }

    @property
    def journal(self) -> Journal:
        """The journal as it is now; later events do not change it."""
        with self._writer.connection.alone():
            self._journal.refresh()
            return self._journal.snapshot()

    def carry_out(
        self, command: Mapping[str, Any], now_ms: int, also: Also = no_more
    ) -> Mapping[str, Any]:
        """Carry out a command, on disk when this returns.

        Parameters
        ----------
        command : mapping
            `about` and `do` name the request, as in `REQUESTS`; the fields of the request; `by`:
            who asks; `id`: the command's own.
        now_ms : int
            [ms since 1970-01-01 UTC]
        also : callable, optional
            Called within the transaction that carries it out, with the answer.

        Returns
        -------
        mapping
            `waits`: the ids of the waits concerned; or the id under another word of `about`.

        Raises
        ------
        Rejected
            If it cannot be done, with every fault; nothing was changed.
        StoreUnavailable
            If it cannot be written just now.
        """
        command_id = checked("id", command.get("id"), CommandId)
        if command_id and (answer := journal.answered(self._writer, command_id)) is not None:
            return answer
        by = checked("by", command.get("by", ""), By)
        request = read_request(command, now_ms)
        self._check_place(request)
        check_time_known(self._clock, request.about)

        def decide(known: Journal) -> Decision:
            return self._decide[request.about](Command(request, by, now_ms, known))

        def write(run: Cursor, decision: Decision) -> None:
            done = (command_id, now_ms, decision.answer) if command_id else None
            journal.append(run, decision.events, done=done)
            also(run, decision.answer)  # which may reject it: before a file is written
            if decision.write is not None:
                decision.write(run)

        for _ in range(TRIES):
            known = self.journal
            if command_id and (answer := journal.answered(self._writer, command_id)) is not None:
                return answer
            decision = decide(known)
            with self._writer.connection.transaction() as run:
                if current := journal.last(run) == known.version:
                    write(run, decision)
            if current:
                break
        else:  # the journal grows faster than this command is decided: let nothing come between
            with self._writer.connection.transaction() as run:
                answer = journal.answered(self._writer, command_id) if command_id else None
                if answer is not None:
                    return answer
                decision = decide(self.journal)
                write(run, decision)
        self._on_change()
        return decision.answer

    def _check_place(self, request: Request) -> None:
        """Reject a place that does not exist: it has no air. While none is known, as in a shop
        without a sensor, any will do."""
        named = {"place": getattr(request, "place", None)}
        if isinstance(request, templates.SetTemplate) and request.steps is not UNSET:
            for i, step in enumerate(request.steps):
                named[f"steps.{i}.place"] = step.get("place")
        known = set(self._places()) if self._places else set()
        allowed = f"one of {', '.join(sorted(known))}"
        to_add = "to add one, name it in the settings or start its sensor"
        faults = [
            Fault("", field, place, f"{allowed}; {to_add}")
            for field, place in named.items()
            if isinstance(place, str) and place and place not in known
        ]
        if known and faults and request.about != About.SENSOR:
            raise Rejected(*faults)
