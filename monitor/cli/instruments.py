"""`benchweather instrument`: the instruments in the shop and their wood."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from monitor.cli.asking import ask
from monitor.cli.field_options import FieldOption, number, or_none, temp_c, with_fields
from monitor.cli.output import local, out, print_json, print_table
from monitor.cli.shared import (
    ClockTime,
    Json,
    at_field,
    command,
    failed,
    in_reader_unit,
    instrument_of,
    journal_of,
    moment_of,
    number_of,
    suggestion,
    time_of,
    wrong,
)
from monitor.core import formats
from monitor.core.clock import now_ms, to_ms
from monitor.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.domain.instrument import Instrument
    from monitor.science.plates.assessment import PartStatus, WoodStatus
    from monitor.science.quantiles import QuantileRange
    from monitor.wood.evaluation import InstrumentStatus

app = typer.Typer(no_args_is_help=True, help="Show and record instruments and their wood.")

Reference = Annotated[
    str, typer.Argument(metavar="INSTRUMENT", help="Reference, id, or a part of it")
]
FIELDS = {
    "home_rh": FieldOption(
        "RH of its home [%]; none if not known", field="home_rh_pct", read=or_none(number)
    ),
    "home_temp": FieldOption(
        "Temperature of its home, 21C or 70F", field="home_temp_c", read=temp_c
    ),
    "cold": FieldOption(
        "Its temperature when it came in, 4C or 39F; none if not measured",
        field="arrived_temp_c",
        read=or_none(temp_c),
    ),
    "arrived": FieldOption("Time when it came in", field="arrived_ms", read=time_of),
    "due": FieldOption(
        "Day when it is due out; none for no day",
        field="due_ms",
        read=or_none(lambda day, settings, _: _end_of(day, settings)),
    ),
    "note": FieldOption("A note", default=None),
}
PartFields = Annotated[
    list[str] | None,
    typer.Option(
        "--part", metavar="PART.FIELD=VALUE", help="Such as top.thickness_mm=3.2; may be repeated"
    ),
]


@command(app, "list")
def list_(
    settings: Settings,
    left: Annotated[bool, typer.Option("--left", help="Show returned instruments")] = False,
    as_json: Json = False,
) -> None:
    """Show the instruments in the shop, the one furthest from its home moisture first."""
    if left:
        _print_returned(settings, as_json=as_json)
        return
    found = sorted(_statuses(settings), key=lambda one: -_off(one))
    if as_json:
        print_json([_record(one) for one in found])
        return
    rows = []
    for one in found:
        part = max(_parts(one), key=lambda p: abs(p.from_home_pct.median), default=None)
        instrument = one.instrument
        state = "open" if instrument.open_now else "closed"
        rows.append(
            (
                f"{instrument.reference}\n{instrument.kind}, {state}\n{instrument.place}",
                f"{part.part.name}\n{_from_home(part.from_home_pct)}" if part else "not known",
                _moved(part) if part else "",
                _closing(one, one.answer, settings) if one.answer else one.why_not,
            )
        )
    print_table(("instrument", "furthest part", "its width", "safe to close"), rows)


@command(app)
def show(settings: Settings, instrument: Reference, as_json: Json = False) -> None:
    """Show an instrument: its parts, whether it is safe to close, and its history."""
    found = instrument_of(settings, instrument)
    statuses = _statuses(settings, found.id) if found.here else []
    if as_json:
        wood = statuses[0].answer if statuses else None
        against = statuses[0].against if statuses else ()
        print_json({"instrument": found, "wood": wood, "against": against})
        return
    home, zone = found.home, settings.zone
    air = (
        "not known"
        if home is None or home.rh_pct is None
        else f"{home.rh_pct:g} % RH, {home.temp_c:g} °C ({formats.whole_temperature(home.temp_c, 'F')})"
    )
    state = ("open" if found.open_now else "closed") if found.here else "returned"
    due = "no day set" if found.due_ms is None else local(found.due_ms, zone)[:10]
    out.print(f"{found.reference}: {found.kind}, {state}, {found.place}")
    out.print(f"came {local(found.arrived_ms, zone)}, due {due}")
    out.print(f"home air: {air}")
    if found.note:
        out.print(f"note: {found.note}")
    for one in statuses:
        if one.answer is None:
            out.print(one.why_not)
            continue
        out.print(f"safe to close: {_closing(one, one.answer, settings)}")
        print_table(
            ("part", "from home moisture", "width", "settles", "strain, % of what it can bear"),
            [
                (
                    f"{part.part.name}\n{part.part.species}, {part.part.thickness_mm:g} mm",
                    _from_home(part.from_home_pct),
                    _moved(part),
                    _span(part.settles_in_s.median),
                    _percent(part.yield_share),
                )
                for part in one.answer.parts
            ],
        )
        out.print(f"Assumed: {'; '.join(map(str, one.answer.assumed))}.")
    _print_history(found, settings)


@command(app)
@with_fields(FIELDS)
def register(
    settings: Settings,
    fields: dict[str, Any],
    reference: Annotated[str, typer.Argument(help="Reference on its ticket")],
    kind: Annotated[str, typer.Argument(help="violin, viola, cello or bass")],
    place: Annotated[str, typer.Argument(help="Place where it is")],
    opened: Annotated[bool, typer.Option("--open", help="The instrument is open")] = False,
    part: PartFields = None,
) -> None:
    """Register an instrument. Its parts start with the usual sizes of its kind."""
    from monitor.science.plates.parts import PRESETS

    request = {"reference": reference, "kind": kind, "place": place, "open": opened}
    request |= fields
    if part:
        request["parts"] = _edited([one.to_mapping() for one in PRESETS.get(kind, ())], part)
    answer = ask(settings, "register", {"about": "instrument"} | request)
    out.print(f"{answer['instrument']} is in the shop")


@command(app, "open")
def open_(settings: Settings, instrument: Reference, at: ClockTime = "") -> None:
    """Record that an instrument was opened."""
    _record_event(settings, "open", instrument, at)


@command(app)
def close(settings: Settings, instrument: Reference, at: ClockTime = "") -> None:
    """Record that an instrument was closed."""
    _record_event(settings, "close", instrument, at)


@command(app)
def move(
    settings: Settings,
    instrument: Reference,
    place: Annotated[str, typer.Argument(help="Place where it is now")],
    at: ClockTime = "",
) -> None:
    """Move an instrument to another place and its air."""
    _record_event(settings, "move", instrument, at, place=place)


@command(app)
def leave(settings: Settings, instrument: Reference, at: ClockTime = "") -> None:
    """Record that an instrument was returned to its client."""
    _record_event(settings, "leave", instrument, at)


@with_fields(FIELDS)
def correct(
    settings: Settings,
    fields: dict[str, Any],
    instrument: Reference,
    part: PartFields = None,
    drop: Annotated[list[str] | None, typer.Option(help="Part to remove; may be repeated")] = None,
    like: Annotated[str, typer.Option(help="Kind of instrument whose usual parts to use")] = "",
) -> None:
    """Correct an instrument's entry. The history keeps what was there before."""
    from monitor.science.plates.parts import PRESETS

    found = instrument_of(settings, instrument)
    request = dict(fields)
    if like and like not in PRESETS:
        wrong(f"--like {like!r}: must be one of {', '.join(PRESETS)}")
    if part or drop or like:
        parts = [one.to_mapping() for one in (PRESETS[like] if like else found.parts)]
        names = [one["name"] for one in parts]
        for name in drop or ():
            if name not in names:
                failed(f"--drop {name!r}: {suggestion(name, names)}")
        parts = [one for one in parts if one["name"] not in (drop or ())]
        request["parts"] = _edited(parts, part or [])
    ask(settings, "amend", {"about": "instrument", "instrument": found.id} | request)
    out.print(f"{found.reference} is corrected.")


command(app)(correct)
command(app, "amend", hidden=True)(correct)


def _record_event(settings: Settings, do: str, given: str, at: str, **more: str) -> None:
    found = instrument_of(settings, given)
    request: dict[str, Any] = {"about": "instrument", "instrument": found.id, **more}
    ask(settings, do, request | at_field(at, settings))
    out.print(f"{found.reference}: done")


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
            wrong(
                f"--part {text!r}: {field} is not a field. {suggestion(field, [*Part.__annotations__])}"
            )
        own = by_name.setdefault(name, {"name": name})
        own[field] = number_of(value, f"--part {which}") if field in numbers else value
    return list(by_name.values())


def _end_of(day: str, settings: Settings) -> int:
    """The last minute of a day in the shop's zone, or a whole time. [ms since 1970-01-01 UTC]"""
    if "T" in day:
        return moment_of(day, settings.zone, option="--due")
    start = formats.local(moment_of(day, settings.zone, option="--due"), settings.zone)
    following = start.replace(tzinfo=None) + timedelta(days=1)
    return to_ms(following.replace(tzinfo=settings.zone)) - 60_000


def _statuses(settings: Settings, only: str = "") -> list[InstrumentStatus]:
    from monitor.planning.step_check import closing_statuses

    with journal_of(settings) as (reader, journal):
        here = [one for one in journal.instruments.values() if one.here and only in ("", one.id)]
        return closing_statuses(reader, settings, journal, here, now_ms())


def _print_returned(settings: Settings, *, as_json: bool) -> None:
    with journal_of(settings) as (_, journal):
        gone = [one for one in journal.instruments.values() if not one.here]
    gone.sort(key=lambda one: -(one.left_ms or 0))
    if as_json:
        print_json(gone)
        return
    print_table(
        ("instrument", "kind", "came", "returned"),
        [
            (
                one.reference,
                one.kind,
                local(one.arrived_ms, settings.zone),
                local(one.left_ms, settings.zone),
            )
            for one in gone
        ],
    )


def _print_history(found: Instrument, settings: Settings) -> None:
    rows = []
    for event in found.events:
        details = {k: v for k, v in event.body.items() if v not in ("", None)}
        if "parts" in details:
            details["parts"] = ", ".join(part["name"] for part in details["parts"])
        text = ", ".join(
            f"{k.removesuffix('_ms')} {local(v, settings.zone) if k.endswith('_ms') else v}"
            for k, v in details.items()
        )
        rows.append((local(event.recorded_ms, settings.zone), event.by, event.action, text))
    print_table(("when", "who", "action", "details"), rows)


def _record(one: InstrumentStatus) -> dict[str, Any]:
    """An instrument in the shop as JSON has it."""
    found = one.instrument
    return {
        "instrument": found.id,
        "reference": found.reference,
        "kind": found.kind,
        "place": found.place,
        "open": found.open_now,
        "arrived_ms": found.arrived_ms,
        "due_ms": found.due_ms,
        "wood": one.answer,
        "why_not_known": one.why_not,
        "against": one.against,
    }


def _parts(one: InstrumentStatus) -> tuple[PartStatus, ...]:
    return one.answer.parts if one.answer else ()


def _off(one: InstrumentStatus) -> float:
    return max((abs(part.from_home_pct.median) for part in _parts(one)), default=-1.0)


def _closing(one: InstrumentStatus, answer: WoodStatus, settings: Settings) -> str:
    found, yes = answer.closing, answer.closing.close == "yes"
    text = f"{found.word.lower()}: {found.reason}"
    if one.against:
        against = in_reader_unit(" ".join(one.against), settings)
        text = f"not now: {against}\nBy the wood alone: {text}"
    if found.part:
        text += f"\n{found.part}: strain {_percent(found.yield_share)} of what it can bear"
    if yes and math.isfinite(found.until_in_s):
        text += f"\nuntil {_span(found.until_in_s)} from now if the air stays as it is"
    elif not yes and math.isfinite(found.from_in_s):
        text += f"\nin {_span(found.from_in_s)} if the air stays as it is"
    return text


def _from_home(off: QuantileRange) -> str:
    word = "drier" if off.median < 0 else "damper"
    return f"{abs(off.median):.1f} points {word}\n({_signed(off)})"


def _moved(part: PartStatus) -> str:
    change = part.change_mm
    word = "narrower" if change.median < 0 else "wider"
    return (
        f"{abs(change.median):.1f} mm {word}\n({_signed(change)})\n"
        f"across {part.part.width_mm:g} mm"
    )


def _signed(span: QuantileRange) -> str:
    low, high = (f"{value:+.1f}".replace("-", "−") for value in (span.low, span.high))
    return f"{low} to {high}"


def _percent(share: QuantileRange) -> str:
    low, middle, high = (round(100 * value) for value in share)
    return f"{middle} % ({low} to {high} %)"


def _span(seconds: float) -> str:
    """A length of time, roughly."""
    if math.isnan(seconds):
        return "not known"
    if math.isinf(seconds):
        return "more than a year"
    if seconds < 172_800:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 86_400:.0f} days"
