"""Requests of the command line to the running service."""

from __future__ import annotations

import getpass
import uuid
from typing import TYPE_CHECKING, Any

import typer

from monitor.cli.shared import err, exit_on, out, wrong

if TYPE_CHECKING:
    from monitor.settings import Settings


def ask(settings: Settings, do: str, wish: dict[str, Any]) -> Any:
    with exit_on():
        return _sent(settings, do, wish)


def _sent(settings: Settings, do: str, wish: dict[str, Any]) -> Any:
    from monitor.commands import ipc

    return ipc.ask(
        settings.desk_path, {"do": do, "by": getpass.getuser(), "id": uuid.uuid4().hex} | wish
    )


def each(
    settings: Settings, do: str, numbers: list[str], wish: dict[str, Any], about: str = "wait"
) -> None:
    """One command for each wait or alert; what one refuses does not hold up the others."""
    from monitor.commands.ipc import CommandRefused

    refused = False
    for one in _numbers(numbers):
        try:
            with exit_on(apart=CommandRefused):
                _sent(settings, do, {"about": about, about: one} | wish)
            out.print(f"{one}: done")
        except CommandRefused as exc:
            refused = True
            err.print(f"{one}: {exc}", style="bold red", highlight=False, soft_wrap=True)
    if refused:
        raise typer.Exit(1)


def _numbers(given: list[str]) -> list[str]:
    """12 13 14, or 12-19: each number once."""
    from monitor.domain.wait import COUNT_MAX

    found: dict[str, None] = {}
    for text in given:
        first, dash, last = text.partition("-")
        if not dash:
            found[text] = None
        elif first.isdecimal() and last.isdecimal() and 0 <= int(last) - int(first) < COUNT_MAX:
            found |= {str(n): None for n in range(int(first), int(last) + 1)}
        else:
            wrong(f"{text!r}: must be a number, or the first and last such as 12-19")
    return list(found)
