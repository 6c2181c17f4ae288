"""What can be asked of the service: open a wait and go on with it, take in an instrument, put an
alert to rest.

The board, the command line and a button over MQTT ask in the same words: a mapping with `about`
and `do`, what is concerned, and `by`. A command with an `id` of its own is carried out once, however
often it comes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from monitor.commands.alerts import OfReservoirs, OfRules, of_alerts, of_cautions
from monitor.commands.instruments import of_instruments
from monitor.commands.projections import Journal
from monitor.commands.request import CommandFault, Decision, Request
from monitor.commands.sensors import OfSensors, SensorReader
from monitor.commands.wait_types import of_kinds
from monitor.commands.waits import Equivalent, Foresee, OfWaits
from monitor.core.measurements import text_fault
from monitor.domain.events import About
from monitor.domain.places import AirLimits
from monitor.domain.wait_type_registry import RESTORE, RETIRE, SET
from monitor.store import Writer, journal
from monitor.store.connection import Cursor

__all__ = ["CommandFault", "Commands", "Journal"]

BY_MAX = 60
"""Longest name of who asked. [characters]"""
TRIES = 3
"""How often a command is decided without keeping other writers waiting."""


class Commands:
    """Carries commands out. Threads may share it.

    A command is decided on a snapshot of the journal, outside the writer's transaction: the forecast
    for a new wait takes tenths of a second, and readings do not wait for it. If something was done
    meanwhile, the command is decided again.

    `on_change` is called after each command that changed something; `places` tells the ids of the
    places there are, for which alone a wait, an instrument or a rule can be.
    """

    def __init__(
        self,
        writer: Writer,
        equivalent: Equivalent | None = None,
        foresee: Foresee | None = None,
        on_change: Callable[[], None] = lambda: None,
        *,
        limits: AirLimits | None = None,
        reservoirs: Mapping[str, object] | None = None,
        places: Callable[[], Iterable[str]] | None = None,
        look: SensorReader | None = None,
    ) -> None:
        self._writer = writer
        self._on_change, self._places = on_change, places
        self._journal = Journal(writer)
        self._of: dict[About, Callable[[Request], Decision]] = {
            About.WAIT: OfWaits(equivalent, foresee),
            About.KIND: of_kinds,
            About.INSTRUMENT: of_instruments,
            About.ALERT: of_alerts,
            About.RULE: OfRules(limits or AirLimits(), places),
            About.RESERVOIR: OfReservoirs(reservoirs or {}),
            About.CAUTION: of_cautions,
            About.SENSOR: OfSensors(look),
        }

    @property
    def journal(self) -> Journal:
        """The journal as it is now; later events do not change it."""
        with self._writer.connection.alone():
            self._journal.refresh()
            return self._journal.snapshot()

    def carry_out(
        self, command: Mapping[str, Any], now_ms: int, deliveries: Iterable[tuple[int, bytes]] = ()
    ) -> Mapping[str, Any]:
        """Do what was asked, on disk when this returns.

        Parameters
        ----------
        command : mapping
            `about`: a word of `About`; left out, a wait (or a kind, if `do` is one of a kind's).
            `do`: for waits, instruments, alerts and sensors as in the `decide` of their modules; kind,
            retire or restore for kinds, rule or reset for rules, filled for reservoirs, put away for
            cautions. What is concerned, under the word of `about`. `by`: who; `id`: the command's.
        now_ms : int
            [ms since 1970-01-01 UTC]
        deliveries : iterable of (packet id, digest)
            The message it came by.

        Returns
        -------
        mapping
            `waits`: the ids of the waits concerned; or the id under another word of `about`.

        Raises
        ------
        CommandFault, and the fault of the book concerned
            If it cannot be done; nothing was changed.
        StoreUnavailable
            If it cannot be written just now.
        """
        command_id = command.get("id")
        if command_id is not None and (not isinstance(command_id, str) or len(command_id) > 100):
            raise CommandFault("id must be text of at most 100 characters")
        notes = list(deliveries)

        def write(run: Cursor, decision: Decision) -> None:
            done = (command_id, now_ms, decision.answer) if command_id else None
            journal.append(run, decision.events, done=done)
            self._writer.remember(run, notes)

        for _ in range(TRIES):
            known = self.journal
            if command_id and (answer := journal.answered(self._writer, command_id)) is not None:
                return answer
            decision = self._decided(command, now_ms, known)
            with self._writer.connection.transaction() as run:
                if current := journal.last(run) == known.version:
                    write(run, decision)
            if current:
                break
        else:  # the journal grows faster than this command is decided: let nothing come between
            with self._writer.connection.transaction() as run:
                if command_id and (answer := journal.answered(self._writer, command_id)):
                    return answer
                decision = self._decided(command, now_ms, self.journal)
                write(run, decision)
        self._on_change()
        return decision.answer

    def _decided(self, command: Mapping[str, Any], now_ms: int, known: Journal) -> Decision:
        asked = self._asked(command, now_ms, known)
        return self._of[asked.about](asked)

    def _asked(self, command: Mapping[str, Any], now_ms: int, known: Journal) -> Request:
        by, do = command.get("by", ""), command.get("do")
        if fault := text_fault(by, BY_MAX):
            raise CommandFault(f"by {fault}")
        if not isinstance(do, str):
            raise CommandFault(f"do = {do!r:.40}: must be text, what is to be done")
        about = command.get("about", About.KIND if do in (SET, RETIRE, RESTORE) else About.WAIT)
        if about not in list(self._of):
            raise CommandFault(f"about = {about!r:.40}: must be one of {', '.join(self._of)}")
        wish = {k: v for k, v in command.items() if k not in ("id", "by", "do", "about")}
        if about in (About.WAIT, About.INSTRUMENT) and "place" in wish:
            self._check_place(wish["place"])
        return Request(About(about), do, wish, by, now_ms, known)

    def _check_place(self, place: object) -> None:
        """Refuse a place that nobody has named: its air would never come. While none is known, as
        in a shop without a sensor, any will do."""
        known = set(self._places()) if self._places else set()
        if known and isinstance(place, str) and place not in known:
            raise CommandFault(
                f"place: there is no place {place:.60}: must be one of {', '.join(sorted(known))}; a "
                "new one is named in the settings, or by its sensor's first reading"
            )
