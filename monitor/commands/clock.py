"""Commands on the clock of the shop's computer."""

from __future__ import annotations

from typing import Protocol

from monitor.commands.request import Command, Decision
from monitor.core.errors import Rejected
from monitor.core.steady_clock import ClockJump, JumpState
from monitor.domain.events import About
from monitor.domain.shop_clock import CLOCK_ID, ConfirmClock
from monitor.store.connection import Cursor

WITHOUT_TIME = (About.CLOCK, About.ASIDE, About.SETTINGS)
"""Matters of commands that need no right time."""


class ShopClock(Protocol):
    """Access to the clock of the shop's computer."""

    def jump(self) -> ClockJump | None:
        """Jump to be reported; None if there is none."""

    def unknown(self) -> bool:
        """Return whether the time is not known."""

    def accept(self) -> None:
        """Believe the clock from now on."""


class DecideClock:
    """Carries out requests on the clock."""

    def __init__(self, clock: ShopClock | None) -> None:
        self._clock = clock

    def __call__(self, command: Command[ConfirmClock]) -> Decision:
        clock = self._clock
        jump = clock.jump() if clock else None
        if clock is None or jump is None or jump.state is not JumpState.DOUBTED:
            raise Rejected("the clock is not in doubt: there is nothing to confirm")

        def write(_: Cursor) -> None:
            clock.accept()

        event = command.event(CLOCK_ID, {"by_ms": jump.by_ms})
        return Decision([event], {"clock": CLOCK_ID}, write)


def check_time_known(clock: ShopClock | None, about: str) -> None:
    """Raise `Rejected` if a command needs the time and it is not known: what is opened now would
    end at a wrong time."""
    if clock is not None and about not in WITHOUT_TIME and clock.unknown():
        raise Rejected(
            "the clock of the shop's computer is wrong or not confirmed: set it, or confirm it on "
            "the page Sensors or by `benchweather clock confirm`, and try again"
        )
