"""Requests of the command line to the running service."""

from __future__ import annotations

import getpass
import uuid
from typing import TYPE_CHECKING, Any

import typer

from monitor.cli.shared import err, exit_on, failed, in_reader_unit, out, start_hint, wrong
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.core.validation import SURE

if TYPE_CHECKING:
    from monitor.settings import Settings


def ask(settings: Settings, do: str, fields: dict[str, Any]) -> Any:
    """The answer of the running service to a request; a rejection ends the command."""
    with exit_on():
        return ask_or_raise(settings, do, fields)


def ask_sure(settings: Settings, do: str, fields: dict[str, Any], *, yes: bool) -> Any:
    """The answer of the running service to a request that it may have a question about. The person
    answers the question, or `yes` does."""
    with exit_on():
        try:
            return ask_or_raise(settings, do, fields | ({SURE: True} if yes else {}))
        except Rejected as exc:
            if exc.faults[0].field != SURE:
                raise
            question = in_reader_unit(exc.faults[0].problem, settings)
        if not typer.confirm(question):
            failed("Nothing was changed. To do it without this question, add --yes.")
        return ask_or_raise(settings, do, fields | {SURE: True})


def ask_or_raise(settings: Settings, do: str, fields: dict[str, Any]) -> Any:
    """The answer of the running service to a request; the caller handles a `Rejected`."""
    from monitor.commands import link, read_request

    request = read_request({"do": do} | fields, now_ms())
    command = request.as_command(by=getpass.getuser(), id=uuid.uuid4().hex)
    if link.is_down(settings):
        if isinstance(settings.store_address, str):
            failed("No service uses the store. Start Benchweather on the shop's computer.")
        failed(f"No service is running in {settings.data}. {start_hint(settings)}")
    return link.ask(settings, command)


def each(
    settings: Settings, do: str, numbers: list[str], fields: dict[str, Any], about: str = "wait"
) -> None:
    """Send one request for each wait or alert; a rejected one does not stop the others."""
    rejected = False
    for one in listed(numbers):
        try:
            with exit_on(apart=Rejected):
                ask_or_raise(settings, do, {"about": about, about: one} | fields)
            out.print(f"{one}: done")
        except Rejected as exc:
            rejected = True
            err.print(f"{one}: {exc}", style="bold red")
    if rejected:
        raise typer.Exit(1)


def listed(given: list[str]) -> list[str]:
    """Numbers as typed, 12 13 14 or 12-19, each once."""
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
