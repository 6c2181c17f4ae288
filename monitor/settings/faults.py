"""Faults of settings, each with its name and what is allowed."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from monitor.core.errors import NOT_GIVEN, Fault
from monitor.settings.table import table

FAULTS_MAX = 50
"""Most faults of a file that are named; the rest are counted."""
_LIMITS = {
    "greater than or equal to": "at least",
    "less than or equal to": "at most",
    "greater than": "above",
    "less than": "below",
}


def sentence_of(error: Any, origins: Mapping[str, str]) -> str:
    """A fault with where its value came from."""
    fault = detail_of(error)
    origin = origin_of(fault.field, origins)
    if _is_unknown(error):
        near = near_name(fault.field, [row.name for row in table()])
        return f"unknown setting {fault.field} (from {origin}){near}"
    said = "" if fault.value == NOT_GIVEN else f" = {fault.value!r:.80}"
    return f"{fault.field}{said} (from {origin}): {fault.problem or f'must be {fault.allowed}'}"


def detail_of(error: Any) -> Fault:
    """A fault that pydantic found, with its field and, unless it is secret, its value."""
    context = error.get("ctx", {})
    name = ".".join(map(str, (*error["loc"], *context.get("at", ()))))
    if _is_unknown(error):
        return Fault(f"is not a setting{near_name(name, [row.name for row in table()])}", name)
    given = context.get("value", error.get("input"))
    hidden = is_secret(name) or (name == "broker.url" and "@" in str(given))
    value = NOT_GIVEN if hidden or isinstance(given, dict | list) else given
    text = error["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
    for theirs, ours in _LIMITS.items():
        text = text.replace(theirs, ours)
    if error["type"] == "int_parsing_size":
        text = "must be a whole number that fits"
    if error["msg"].startswith("Input should be"):
        return Fault("", name, value, text)
    must_be, allowed = text.removeprefix("must be "), text.startswith("must be ")
    return Fault("", name, value, must_be) if allowed else Fault(text, name, value)


def _is_unknown(error: Any) -> bool:
    return error["type"] in ("extra_forbidden", "unexpected_keyword_argument")


def origin_of(name: str, origins: Mapping[str, str]) -> str:
    return origins.get(name) or origins.get(name.partition(".")[0]) or "the file"


def stray_booleans(given: Any, kept: Any, name: str = "") -> Iterator[tuple[str, bool]]:
    """True and false that were taken as the number 1 or 0, with their names."""
    if isinstance(given, bool):
        if not isinstance(kept, bool):
            yield name, given
        return
    parts: Iterable[tuple[str, Any, Any]] = ()
    if isinstance(given, Mapping):
        parts = (
            (
                str(key),
                value,
                kept.get(key) if isinstance(kept, Mapping) else getattr(kept, key, None),
            )
            for key, value in given.items()
        )
    elif isinstance(given, list) and isinstance(kept, list | tuple):
        parts = ((str(i), *pair) for i, pair in enumerate(zip(given, kept, strict=False)))
    for key, value, its in parts:
        yield from stray_booleans(value, its, f"{name}.{key}" if name else key)


def texts_of(given: Any, name: str = "") -> Iterator[tuple[str, str]]:
    """All texts of the settings, with their names."""
    if isinstance(given, str):
        yield name, given
    elif isinstance(given, Mapping | list):
        for key, value in given.items() if isinstance(given, Mapping) else enumerate(given):
            yield from texts_of(value, f"{name}.{key}" if name else str(key))


def near_name(name: str, known: Iterable[str]) -> str:
    """The end of a sentence about a wrong name: what to do about it."""
    found = difflib.get_close_matches(name, list(known), n=1, cutoff=0.7)
    return f": did you mean {found[0]}?" if found else ""


def is_secret(name: str) -> bool:
    """Return whether a misplaced value may be a password."""
    first, _, last = name.rpartition(".")
    return (
        "password" in name
        or "passphrase" in name
        or name.startswith("store")
        or (
            name.startswith(("channels", "forecasts", "shops"))
            and not (first and last in ("id", "least", "brief", "service", "unit", "pointer"))
        )
    )
