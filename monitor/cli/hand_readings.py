"""`benchweather sensor read` and `withdraw`: readings of a hygrometer that a person reads."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from monitor.cli.asking import ask, ask_sure
from monitor.cli.output import local, out
from monitor.cli.shared import ClockTime, number_of, temp_c_of, time_of
from monitor.settings import Settings

Place = Annotated[str, typer.Argument(help="Place, by its id")]


def read(
    settings: Settings,
    place: Place,
    temp: Annotated[str, typer.Option(help="Temperature, 21C or 70F")],
    rh: Annotated[str, typer.Option(help="Relative humidity, in %")],
    at: ClockTime = "",
    yes: Annotated[bool, typer.Option("--yes", help="Keep it even if it looks mistyped")] = False,
) -> None:
    """Record what a hygrometer at PLACE shows."""
    fields: dict[str, Any] = {
        "about": "reading",
        "place": place,
        "temp_c": temp_c_of(temp, "--temp"),
        "rh_pct": number_of(rh.removesuffix("%"), "--rh"),
    }
    if at:
        fields["at_ms"] = time_of(at, settings)
    done = ask_sure(settings, "read", fields, yes=yes)
    out.print(f"{place}: stored, read {local(done['at_ms'], settings.zone)}")


def withdraw(settings: Settings, place: Place) -> None:
    """Withdraw the last reading by hand at PLACE."""
    done = ask(settings, "withdraw", {"about": "reading", "place": place})
    out.print(f"{place}: the reading of {local(done['at_ms'], settings.zone)} is withdrawn")
