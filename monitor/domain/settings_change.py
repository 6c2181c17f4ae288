"""Requests on the shop's settings, and the history of their changes in words."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import StrEnum
from typing import Annotated, Any, ClassVar

import msgspec
from msgspec import Meta

from monitor.core.errors import Fault
from monitor.core.validation import Request
from monitor.domain.events import About, Event

VALUE_MAX = 10_000
"""Longest value of a setting, as JSON. [characters]"""
CHANGES_MAX = 200
"""Most values that one request sets or removes."""

UNSAID = {"hidden": f"must be a list of at most {CHANGES_MAX} paths with their values"}
"""What is said of values that cannot be read; they may hold a password, so none is repeated."""

Key = Annotated[str, Meta(min_length=1, max_length=120, extra={"allowed": "a name"})]
SettingPath = Annotated[tuple[Key, ...], Meta(min_length=1, max_length=6)]
"""Names down to a setting: ("shop", "name"), or ("places", "bench", "rh_low_pct"), where the second is
the id of the place; a rule for a topic has its position from 0 instead."""


class SettingsAction(StrEnum):
    """An action on the settings, as events and messages have it."""

    CHANGE = "change"
    UNDO = "undo"
    RESTART = "restart"


class SettingValue(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A value for one setting. A whole place, channel, tank or source is a mapping; one that is not
    there yet is added at the end of its list."""

    path: SettingPath
    value: Any


class SettingsRequest(Request, frozen=True, kw_only=True):
    """A request on the settings. There is one set of them."""

    about: ClassVar[str] = About.SETTINGS
    key: ClassVar[str] = "settings"
    settings: ClassVar[str] = "settings"


class ChangeSettings(SettingsRequest, frozen=True, kw_only=True, tag=str(SettingsAction.CHANGE)):
    """Request to change values in the settings file, all or none of them.

    `version` is that of the file which the person saw. What was changed since by somebody else, or
    by hand, is not overwritten.
    """

    set: Annotated[tuple[SettingValue, ...], Meta(max_length=CHANGES_MAX, extra=UNSAID)] = ()
    remove: Annotated[tuple[SettingPath, ...], Meta(max_length=CHANGES_MAX)] = ()
    version: Annotated[str, Meta(max_length=64)]

    @classmethod
    def faults_between(cls, values: Mapping[str, Any], now_ms: int) -> Iterable[Fault]:
        """Faults of values that are too long, and of a request that asks for nothing."""
        del now_ms
        given = values.get("set", ())
        for one in given:
            try:
                length = len(json.dumps(one.value, allow_nan=False))
            except ValueError:
                yield Fault("", ".".join(one.path), str(one.value), "a finite number")
                continue
            if length > VALUE_MAX:
                problem = f"has {length} characters: must have at most {VALUE_MAX}"
                yield Fault(problem, ".".join(one.path))
        if "set" in values and "remove" in values and not (given or values["remove"]):
            yield Fault("nothing is set or removed")


class UndoChange(SettingsRequest, frozen=True, kw_only=True, tag=str(SettingsAction.UNDO)):
    """Request to undo a change, by its number in the history."""

    change: Annotated[int, Meta(ge=1)]


class RestartService(SettingsRequest, frozen=True, kw_only=True, tag=str(SettingsAction.RESTART)):
    """Request to start the service again with the settings as they are in the file."""


REQUESTS = (ChangeSettings, UndoChange, RestartService)


def differences_words(
    differences: Iterable[Mapping[str, Any]],
    name_of: Callable[[Sequence[str]], str] = ".".join,
    value_of: Callable[[Sequence[str], object], object] = lambda _, value: value,
) -> list[str]:
    """Differences in words. A whole thing that is new or gone is one entry.

    `name_of`: a setting in words, by its path; `value_of`: its value, with the path.
    """
    differences = list(differences)
    whole = {
        tuple(one["path"][:2]): "added" if one["from"] is None else "removed"
        for one in differences
        if one["path"][2:] in (["id"], ["filter"]) and None in (one["from"], one["to"])
    }
    found = [f"{name_of(path)}: {what}" for path, what in whole.items()]
    for one in differences:
        if tuple(one["path"][:2]) in whole:
            continue
        path = one["path"]
        name = name_of(path)
        was, now = (_value_words(value_of(path, one.get(side))) for side in ("from", "to"))
        found.append(f"{name}: changed" if one.get("secret") else f"{name}: {was} → {now}")
    return found


def event_words(
    event: Event,
    name_of: Callable[[Sequence[str]], str] = ".".join,
    value_of: Callable[[Sequence[str], object], object] = lambda _, value: value,
) -> str:
    """An event about the settings in a sentence; settings as in `differences_words`."""
    if event.action == SettingsAction.RESTART:
        return "Benchweather was restarted."
    changes = "; ".join(differences_words(event.body["changes"], name_of, value_of))
    if event.action == SettingsAction.UNDO:
        return f"Undone: change {event.body['undone']}. {changes}"
    return changes


def _value_words(value: Any) -> str:
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "empty"
    return str(value) or "empty"
