"""`benchweather instrument`: the instruments in the shop and their wood, from the terminal.

What changes something is handed to the running service; what only shows is read from the store.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from monitor.cli.asking import ask, journal_of
from monitor.cli.shared import Config, Data, Demo, exit_on, load, moment_of, out, wrong
from monitor.core import formats
from monitor.core.clock import now_ms, to_ms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.domain.instrument import Instrument
    from monitor.science.plates.assessment import PartStatus, PlateRange, WoodStatus
    from monitor.settings import Settings
    from monitor.wood.evaluation import WoodStanding

app = typer.Typer(no_args_is_help=True, help="Instruments in the shop: their wood, safe to close.")

Reference = Annotated[str, typer.Argument(metavar="INSTRUMENT", help="Its reference or id")]
At = Annotated[str, typer.Option("--at", help="When, if not now: 14:30 or 2026-01-31T14:30")]
HomeRh = Annotated[str, typer.Option(help="RH of the air of its home [%]; none: not known")]
HomeTemp = Annotated[str, typer.Option(help="Temperature of its home, 21C or 70F")]
Cold = Annotated[str, typer.Option(help="How cold it came in, 4C or 39F; none: not noted")]
Arrived = Annotated[str, typer.Option(help="When it came, if not now")]
Due = Annotated[str, typer.Option(help="Day it is due out; none: no day")]
PartFields = Annotated[
    list[str] | None,
    typer.Option(
        "--part", metavar="PART.FIELD=VALUE", help="Such as top.thickness_mm=3.2; repeat"
    ),
]


@app.command("list")
def list_(
    left: Annotated[bool, typer.Option("--left", help="Those handed out")] = False,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Show the instruments in the shop, the one furthest from its rest first."""
    settings = load(data, config, demo=demo)
    if left:
        _gone(settings)
        return
    table = Table("instrument", "furthest from its rest", "its width", "safe to close")
    for one in sorted(_standings(settings), key=lambda one: -_off(one)):
        part = max(_parts(one), key=lambda p: abs(p.from_rest_pct.median), default=None)
        instrument = one.instrument
        state = "open" if instrument.open_now else "closed"
        table.add_row(
            f"{instrument.reference}\n{instrument.kind}, {state}\n{instrument.place}",
            f"{part.part.name}\n{_from_rest(part.from_rest_pct)}" if part else "not known",
            _moved(part) if part else "",
            _closing(one.answer) if one.answer else one.why_not,
        )
    out.print(table)


@app.command()
def show(
    instrument: Reference, data: Data = None, config: Config = None, demo: Demo = False
) -> None:
    """Show an instrument: its parts, whether it is safe to close, and its history."""
    settings = load(data, config, demo=demo)
    found = _found(settings, instrument)
    home = found.home
    air = (
        "not known"
        if home is None or home.rh_pct is None
        else (
            f"{home.rh_pct:g} % RH, {home.temp_c:g} °C ({formats.whole_temperature(home.temp_c, 'F')})"
        )
    )
    state = ("open" if found.open_now else "closed") if found.here else "handed out"
    lines = [
        f"{found.reference}: {found.kind}, {state}, {found.place}",
        f"came {_local(found.arrived_ms, settings)}, due {_day(found.due_ms, settings)}",
        f"air of its home: {air}",
    ]
    if found.note:
        lines.append(f"note: {found.note}")
    out.print("\n".join(lines), highlight=False)
    for one in _standings(settings, found.id) if found.here else ():
        if one.answer is None:
            out.print(one.why_not, highlight=False)
            continue
        out.print(f"safe to close: {_closing(one.answer)}", highlight=False)
        table = Table("part", "from its rest", "width", "settles", "strain of yield")
        for part in one.answer.parts:
            table.add_row(
                f"{part.part.name}\n{part.part.species}, {part.part.thickness_mm:g} mm",
                _from_rest(part.from_rest_pct),
                _moved(part),
                _span(part.settles_in_s.median),
                _percent(part.yield_share),
            )
        out.print(table)
        out.print(
            f"Taken for granted: {'; '.join(map(str, one.answer.assumed))}.", highlight=False
        )
    _history(found, settings)


@app.command()
def register(
    reference: Annotated[str, typer.Argument(help="What stands on its ticket")],
    kind: Annotated[str, typer.Argument(help="violin, viola, cello or bass")],
    place: Annotated[str, typer.Argument(help="Place it stands in")],
    opened: Annotated[bool, typer.Option("--open", help="It is open")] = False,
    home_rh: HomeRh = "",
    home_temp: HomeTemp = "",
    cold: Cold = "",
    arrived: Arrived = "",
    due: Due = "",
    note: Annotated[str, typer.Option(help="A note")] = "",
    part: PartFields = None,
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Take an instrument in; its parts start from those of its kind."""
    from monitor.science.plates.parts import PRESETS

    settings = load(data, config, demo=demo)
    wish = {"reference": reference, "kind": kind, "place": place, "open": opened}
    wish |= _fields(settings, home_rh, home_temp, cold, arrived, due)
    if note:
        wish["note"] = note
    if part:
        wish["parts"] = _edited([one.to_mapping() for one in PRESETS.get(kind, ())], part)
    answer = ask(settings, "register", {"about": "instrument"} | wish)
    out.print(f"{answer['instrument']} is in the shop", highlight=False)


@app.command("open")
def open_(
    instrument: Reference,
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Note that an instrument was opened."""
    _happened(load(data, config, demo=demo), "open", instrument, at)


@app.command()
def close(
    instrument: Reference,
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Note that an instrument was closed."""
    _happened(load(data, config, demo=demo), "close", instrument, at)


@app.command()
def move(
    instrument: Reference,
    place: Annotated[str, typer.Argument(help="Where it is now")],
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Move an instrument to another place and its air."""
    _happened(load(data, config, demo=demo), "move", instrument, at, place=place)


@app.command()
def leave(
    instrument: Reference,
    at: At = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Note that an instrument was handed out."""
    _happened(load(data, config, demo=demo), "leave", instrument, at)


@app.command()
def amend(
    instrument: Reference,
    home_rh: HomeRh = "",
    home_temp: HomeTemp = "",
    cold: Cold = "",
    arrived: Annotated[str, typer.Option(help="When it came")] = "",
    due: Due = "",
    note: Annotated[str | None, typer.Option(help="A note")] = None,
    part: PartFields = None,
    drop: Annotated[list[str] | None, typer.Option(help="Part to take off; repeat")] = None,
    like: Annotated[str, typer.Option(help="Kind whose usual parts it gets")] = "",
    data: Data = None,
    config: Config = None,
    demo: Demo = False,
) -> None:
    """Put right what was said of an instrument; what stood there stays in the history."""
    from monitor.science.plates.parts import PRESETS

    settings = load(data, config, demo=demo)
    wish = _fields(settings, home_rh, home_temp, cold, arrived, due)
    if note is not None:
        wish["note"] = note
    if like and like not in PRESETS:
        wrong(f"--like {like!r}: must be one of {', '.join(PRESETS)}")
    if part or drop or like:
        had = PRESETS[like] if like else _found(settings, instrument).parts
        parts = [one.to_mapping() for one in had]
        names = [one["name"] for one in parts]
        for name in drop or ():
            if name not in names:
                wrong(f"--drop {name!r}: must be one of {', '.join(names)}")
        parts = [one for one in parts if one["name"] not in (drop or ())]
        wish["parts"] = _edited(parts, part or [])
    ask(settings, "amend", {"about": "instrument", "instrument": instrument} | wish)
    out.print("put right")


def _happened(settings: Settings, do: str, instrument: str, at: str, **more: str) -> None:
    wish = {"about": "instrument", "instrument": instrument} | more
    ask(settings, do, wish | ({"at_ms": _time(at, settings, "--at")} if at else {}))
    out.print("done")


def _fields(
    settings: Settings, home_rh: str, home_temp: str, cold: str, arrived: str, due: str
) -> dict[str, Any]:
    """What was given of the fields that can be amended."""
    wish: dict[str, Any] = {}
    if home_rh:
        wish["home_rh_pct"] = None if home_rh == "none" else _number(home_rh, "--home-rh")
    if home_temp:
        wish["home_temp_c"] = _temp_c(home_temp, "--home-temp")
    if cold:
        wish["arrived_temp_c"] = None if cold == "none" else _temp_c(cold, "--cold")
    if arrived:
        wish["arrived_ms"] = _time(arrived, settings, "--arrived")
    if due:
        wish["due_ms"] = None if due == "none" else _end_of(due, settings)
    return wish


def _edited(parts: list[dict[str, Any]], given: Sequence[str]) -> list[dict[str, Any]]:
    """Parts with fields set as `top.thickness_mm=3.2`; a part of a new name is added."""
    from monitor.science.plates.parts import Part

    numbers = {f for f, kind in Part.__annotations__.items() if kind == "float"}
    by_name = {one["name"]: dict(one) for one in parts}
    for text in given:
        which, sign, value = text.partition("=")
        name, dot, field = which.rpartition(".")
        if not (sign and dot and name):
            wrong(f"--part {text!r}: must be PART.FIELD=VALUE such as top.thickness_mm=3.2")
        if field not in Part.__annotations__:
            wrong(f"--part {text!r}: {field} must be one of {', '.join(Part.__annotations__)}")
        own = by_name.setdefault(name, {"name": name})
        own[field] = _number(value, f"--part {which}") if field in numbers else value
    return list(by_name.values())


def _number(text: str, option: str) -> float:
    try:
        return float(text)
    except ValueError:
        wrong(f"{option} {text!r}: must be a number")


def _temp_c(text: str, option: str) -> float:
    """21C, 70F, or 21 for °C. [°C]"""
    unit = text[-1:].upper()
    try:
        value = float(text[:-1] if unit in ("C", "F") else text)
    except ValueError:
        wrong(f"{option} {text!r}: must be a temperature such as 21C or 70F")
    return round(formats.to_celsius(value, "F"), 3) if unit == "F" else value


def _time(text: str, settings: Settings, option: str) -> int:
    """A time of day today, or a whole time, in the shop's zone. [ms since 1970-01-01 UTC]"""
    if len(text) == len("14:30") and text[2] == ":":
        text = f"{datetime.now(settings.zone).date().isoformat()}T{text}"
    return moment_of(text, settings.zone, option=option)


def _end_of(day: str, settings: Settings) -> int:
    """The last minute of a day in the shop's zone, or a whole time. [ms since 1970-01-01 UTC]"""
    if "T" in day:
        return moment_of(day, settings.zone, option="--due")
    start = formats.local(moment_of(day, settings.zone, option="--due"), settings.zone)
    following = start.replace(tzinfo=None) + timedelta(days=1)
    return to_ms(following.replace(tzinfo=settings.zone)) - 60_000


def _found(settings: Settings, named: str) -> Instrument:
    from monitor.domain.instrument import FieldFault, InstrumentFault, id_of

    with exit_on(), journal_of(settings) as (_, journal):
        found = journal.instruments.get(id_of(named))
        if found is None:
            raise InstrumentFault([FieldFault(f"there is no instrument {named[:60]!r}")])
    return found


def _standings(settings: Settings, only: str = "") -> list[WoodStanding]:
    from monitor.wood.evaluation import wood_standings

    with journal_of(settings) as (reader, journal):
        here = [one for one in journal.instruments.values() if one.here and only in ("", one.id)]
        return wood_standings(reader, settings, here, now_ms())


def _gone(settings: Settings) -> None:
    table = Table("instrument", "kind", "came", "handed out")
    with journal_of(settings) as (_, journal):
        gone = [one for one in journal.instruments.values() if not one.here]
    for one in sorted(gone, key=lambda one: -(one.left_ms or 0)):
        table.add_row(
            one.reference,
            one.kind,
            _local(one.arrived_ms, settings),
            _local(one.left_ms, settings),
        )
    out.print(table)


def _history(found: Instrument, settings: Settings) -> None:
    table = Table("when", "who", "did", "with")
    for event in found.events:
        told_of = {k: v for k, v in event.body.items() if v not in ("", None) and k != "parts"}
        if "parts" in event.body:
            told_of["parts"] = ", ".join(part["name"] for part in event.body["parts"])
        table.add_row(
            _local(event.recorded_ms, settings),
            event.by,
            str(event.action),
            ", ".join(
                f"{k.removesuffix('_ms')} {_local(v, settings) if k.endswith('_ms') else v}"
                for k, v in told_of.items()
            ),
        )
    out.print(table)


def _parts(one: WoodStanding) -> tuple[PartStatus, ...]:
    return one.answer.parts if one.answer else ()


def _off(one: WoodStanding) -> float:
    return max((abs(part.from_rest_pct.median) for part in _parts(one)), default=-1.0)


def _closing(answer: WoodStatus) -> str:
    found = answer.closing
    told_of = f"{found.close}: {found.reason}"
    if found.part:
        told_of += f"\n{found.part} strained {_percent(found.yield_share)} of yield"
    ready = found.ready_in_s
    if ready is not None and ready.median > 0 and not math.isinf(ready.median):
        told_of += f"\nif the air holds, in {_span(ready.median)}"
    return told_of


def _from_rest(off: PlateRange) -> str:
    word = "drier" if off.median < 0 else "damper"
    low, high = (f"{value:+.1f}".replace("-", "−") for value in (off.low, off.high))
    return f"{abs(off.median):.1f} % {word}\n({low} to {high} %)"


def _moved(part: PartStatus) -> str:
    change = part.change_mm
    word = "narrower" if change.median < 0 else "wider"
    low, high = (f"{value:+.1f}".replace("-", "−") for value in (change.low, change.high))
    return (
        f"{abs(change.median):.1f} mm {word}\n({low} to {high})\nacross {part.part.width_mm:g} mm"
    )


def _percent(share: PlateRange) -> str:
    low, middle, high = (round(100 * value) for value in share)
    return f"{middle} % ({low} to {high} %)"


def _span(seconds: float) -> str:
    """A length of time, roughly."""
    if math.isnan(seconds):
        return "not known"
    if math.isinf(seconds):
        return "over a year"
    if seconds < 172_800:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 86_400:.0f} days"


def _day(ms: int | None, settings: Settings) -> str:
    if ms is None:
        return "not known"
    day = formats.local(ms, settings.zone).date()
    return f"{formats.day(day)} {day.year}"


def _local(ms: int | None, settings: Settings) -> str:
    return "" if ms is None else formats.stamp(ms, settings.zone)
