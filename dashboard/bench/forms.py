"""What is typed and tapped about a wait or a kind, as a command for the service's desk.

Times come in the shop's zone, lengths of time in hours.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.ui import formats
from dashboard.ui.form_input import WishFault, id_of, number
from monitor.science.waits.parameters import parameters

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitBook
    from monitor.domain.wait import Wait
    from monitor.domain.wait_types import WaitType

TIMED = {"pause", "resume", "move", "release"}
PASSED_ON = ("id", "by", "do", "wait", "kind", "place", "feel")
"""What a tap carries that goes on as it is."""
_NUMBERS = {"clamps": "clamps", "count": "how many"}


def command_of(
    asked: Mapping[str, Any], form: Mapping[str, str], shop: ShopData, book: WaitBook
) -> dict[str, Any]:
    """The command that a tap means.

    Parameters
    ----------
    asked : mapping
        `PASSED_ON` as texts, `at_ms` when it was tapped; for a kind `like` and `never_shorter`.
    form : mapping
        What was typed, as texts by the names of the fields.

    Raises
    ------
    WishFault
        If a field cannot be read, or nothing was changed.
    """
    command = {name: asked[name] for name in PASSED_ON if isinstance(asked.get(name), str)}
    do = command.get("do")
    at_ms = asked.get("at_ms")
    if isinstance(at_ms, int) and (do in TIMED or do == "open"):
        command["start_ms" if do == "open" else "at_ms"] = at_ms
    if do == "open":
        command |= _fields({k: v for k, v in form.items() if v}, shop)
    elif do == "correct":
        command |= _changes(book.wait(str(command.get("wait", ""))), form, shop)
    elif do == "kind":
        more = {k: asked[k] for k in ("like", "never_shorter") if isinstance(asked.get(k), str)}
        known = book.kind(str(command.get("kind", "")))
        command |= _kind(_changed_of(known, form) | more)
        command["kind"] = command.get("kind") or id_of(form.get("name", ""))
    return command


def _fields(form: Mapping[str, str], shop: ShopData) -> dict[str, Any]:
    """What was typed about a wait, as the service takes it."""
    zone = shop.settings.zone
    found: dict[str, Any] = {}
    for name in ("instrument", "what", "note"):
        if name in form:
            found[name] = form[name]
    if form.get("place"):
        found["place"] = form["place"]
    for name, said in _NUMBERS.items():
        if name in form:
            found[name] = _whole(said, form[name] or "0")
    for field, name, said in (
        ("start", "start_ms", "started"),
        ("wanted", "wanted_ms", "wanted by"),
    ):
        if field not in form:
            continue
        try:
            found[name] = formats.of_input(form[field], zone) if form[field] else None
        except ValueError:
            raise WishFault(f"{said}: {form[field]!r} is no date and time") from None
    if found.get("start_ms", 0) is None:
        del found["start_ms"]
    return found


def _changes(wait: Wait | None, form: Mapping[str, str], shop: ShopData) -> dict[str, Any]:
    """What of a wait was changed; times that look the same are the same."""
    if wait is None:
        return {}
    zone = shop.settings.zone
    was = {
        "instrument": wait.instrument,
        "what": wait.what,
        "note": wait.note,
        "place": wait.place,
        "clamps": str(wait.clamps or ""),
        "start": formats.to_input(wait.started_ms, zone),
        "wanted": formats.to_input(wait.wanted_ms, zone),
    }
    changed = {k: v for k, v in form.items() if k in was and v != was[k]}
    found = _fields(changed, shop)
    if not found:
        raise WishFault("nothing was changed")
    return found


def shown_of(kind: WaitType) -> dict[str, str]:
    """The figures of a kind as its page shows them, by the names of its fields."""
    own = {
        "basis_h": kind.basis_s / 3600,
        "minimum_h": kind.minimum_s / 3600,
        "spread": kind.spread,
    }
    law = {f"law.{p.name}": p.value for p in parameters(kind.law)}
    return {name: f"{value:g}" for name, value in (own | law).items()}


def _changed_of(kind: WaitType | None, form: Mapping[str, str]) -> dict[str, str]:
    """What of a kind was changed: a figure that looks the same is the same."""
    if kind is None or not form:
        return dict(form)
    was = shown_of(kind)
    changed = {k: v for k, v in form.items() if v != was.get(k)}
    if not changed:
        raise WishFault("nothing was changed")
    return changed


def _kind(form: Mapping[str, str]) -> dict[str, Any]:
    """What was typed about a kind. Lengths of time are typed in hours."""
    found: dict[str, Any] = {k: form[k] for k in ("name", "like") if form.get(k)}
    for field, name in (("basis_h", "basis_s"), ("minimum_h", "minimum_s")):
        if form.get(field):
            found[name] = round(3600 * _number(field.removesuffix("_h"), form[field]), 3)
    if form.get("spread"):
        found["spread"] = _number("spread", form["spread"])
    if "never_shorter" in form:
        found["never_shorter"] = form["never_shorter"] == "yes"
    law = {
        k.removeprefix("law."): _number(k.removeprefix("law."), v)
        for k, v in form.items()
        if k.startswith("law.") and v
    }
    if law:
        found["law"] = law
    return found


def _number(name: str, text: str) -> float:
    try:
        return number(text)
    except ValueError:
        raise WishFault(f"{name}: {text!r} is no number") from None


def _whole(name: str, text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        raise WishFault(f"{name}: {text!r} is no whole number")
    return int(text)
