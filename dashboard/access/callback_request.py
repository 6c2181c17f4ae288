"""Shape of a callback's request: checked against the app's own callbacks before any of them runs.

A page of ours sends the properties that a callback asks for, in its order. Everything else is
refused here, so that a callback can take the type of its values as given.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from dash import Dash

DEPTH_MAX = 30
"""Deepest nesting of what a page sends."""
TEXT_MAX = 10_000
"""Longest text that a field takes. [characters]"""
ITEMS_MAX = 1_000
"""Most items of a choice."""
WHOLE_MAX = 2**53
"""Largest whole number that a browser knows exactly."""


def is_sound(app: Dash, body: object) -> bool:
    """True if a request has the shape that a page of ours gives it."""
    if not isinstance(body, dict) or not isinstance(body.get("output"), str):
        return False
    callback = app.callback_map.get(body["output"])
    if callback is None or "callback" not in callback or not is_shallow(body):
        return False
    inputs, state = body.get("inputs"), body.get("state", [])
    changed = body.get("changedPropIds")
    return (
        _are_properties(inputs, callback["inputs"])
        and _are_properties(state, callback["state"])
        and _outputs(body["output"]) == body.get("outputs")
        and isinstance(changed, list)
        and len(changed) <= ITEMS_MAX
        and all(map(_is_name, changed))
    )


def _is_name(value: object) -> bool:
    """True for the name of a property, of a component with a plain id or an object for an id."""
    if not isinstance(value, str) or len(value) > TEXT_MAX:
        return False
    if not value.startswith("{"):
        return True
    try:
        return isinstance(json.loads(value.rpartition(".")[0]), dict)
    except ValueError:
        return False


def is_shallow(value: object) -> bool:
    """True if a value is not nested too deep, and has no number or text that no page sends."""
    level: list[Any] = [value]
    for _ in range(DEPTH_MAX):
        level = [part for one in level for part in _parts(one)]
        if not all(map(_is_plain, level)):
            return False
        if not level:
            return True
    return False


def _parts(value: object) -> list[Any]:
    if isinstance(value, dict):
        return [*value, *value.values()]
    return value if isinstance(value, list) else []


def _is_plain(value: object) -> bool:
    if isinstance(value, str):
        return "\0" not in value and not any("\ud800" <= sign <= "\udfff" for sign in value)
    if isinstance(value, float):
        return math.isfinite(value)
    return not isinstance(value, int) or abs(value) <= WHOLE_MAX


def _outputs(output: str) -> Any:
    """Outputs as a page lists them, from the name of a callback."""
    many = output.startswith("..") and output.endswith("..")
    names = output[2:-2].split("...") if many else [output]
    found = []
    for name in names:
        head, at, mark = name.partition("@")  # the mark of an output that several callbacks have
        component, _, prop = head.rpartition(".")
        found.append({"id": component, "property": prop + at + mark})
    return found if many else found[0]


def _are_properties(given: object, asked: list[Mapping[str, Any]]) -> bool:
    """True if these are the properties that a callback asks for, each with a value of its type."""
    return (
        isinstance(given, list)
        and len(given) == len(asked)
        and all(map(_is_property, given, asked))
    )


def _is_property(given: object, asked: Mapping[str, Any]) -> bool:
    component, prop = asked["id"], asked["property"]
    if component.startswith("{"):
        pattern = json.loads(component)
        return (
            isinstance(given, list)
            and len(given) <= ITEMS_MAX
            and all(
                isinstance(one, dict)
                and isinstance(one.get("id"), dict)
                and _fits(one["id"], pattern)
                and one.get("property") == prop
                and fits_type(component, prop, one.get("value"))
                for one in given
            )
        )
    return (
        isinstance(given, dict)
        and given.get("id") == component
        and given.get("property") == prop
        and fits_type(component, prop, given.get("value"))
    )


def _fits(found: Mapping[str, Any], pattern: Mapping[str, Any]) -> bool:
    """True if an id fits a pattern, in which a list matches any text or number."""
    return found.keys() == pattern.keys() and all(
        isinstance(found[name], str | int) if isinstance(part, list) else found[name] == part
        for name, part in pattern.items()
    )


Check = Callable[[object], bool]


def _is_text(value: object) -> bool:
    return isinstance(value, str) and len(value) <= TEXT_MAX


def _is_whole(value: object) -> bool:
    return type(value) is int


def _is_count(value: object) -> bool:
    return _is_whole(value) and value >= 0  # type: ignore[operator] # a whole number


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_nothing(value: object) -> bool:
    return value is None


def _either(*checks: Check) -> Check:
    return lambda value: any(check(value) for check in checks)


def _list_of(check: Check) -> Check:
    return lambda value: (
        isinstance(value, list) and len(value) <= ITEMS_MAX and all(map(check, value))
    )


def _object_with(**members: Check) -> Check:
    """Check of an object that may have these members and no others."""
    return lambda value: (
        isinstance(value, dict)
        and all(name in members and members[name](part) for name, part in value.items())
    )


def _is_object(value: object) -> bool:
    return isinstance(value, dict)


_OPTIONAL_COUNT = _either(_is_nothing, _is_count)
_SCREEN = _either(_is_nothing, _object_with(theme=_is_text, width=_is_number))
_AIR = _either(_is_nothing, _object_with(air=_is_object))
_RELAYOUT = _either(_is_nothing, _is_object)
_CHOICE = _either(
    _is_nothing,
    _object_with(**dict.fromkeys(("places", "quantity", "span", "end", "zoom"), _is_text)),
)
_DRAWN = _either(
    _is_nothing,
    _object_with(
        **dict.fromkeys(("earlier", "later", "back", "dates", "drawn"), _is_count),
        relayout=_RELAYOUT,
        screen=_SCREEN,
    ),
)
_OF_PAST = ("past", "compare", "calendar", "psychrometric", "emc", "climate")
OF_PROPERTY: Mapping[str, Check] = {
    "n_clicks": _OPTIONAL_COUNT,
    "n_intervals": _OPTIONAL_COUNT,
    "pathname": _is_text,
    "search": _is_text,
    "value": _either(_is_nothing, _is_text),
    "relayoutData": _RELAYOUT,
    "data": _is_text,
    "id": _is_text,
}
"""Type of a property, unless its component is named below. All our fields hold text."""
OF_COMPONENT: Mapping[str, Check] = {
    "screen.data": _SCREEN,
    "coming-place.value": _is_text,
    "plan-place.value": _is_text,
    "bench-asked.data": _either(
        _is_nothing, _object_with(glue=_is_text, start=_is_text, turn=_is_number)
    ),
    "bench-order.data": _list_of(_is_text),
    "past-places.value": _either(_is_nothing, _list_of(_is_text)),
    **{f"{view}-view.data": _CHOICE for view in _OF_PAST},
    **{f"{view}-seen.data": _DRAWN for view in _OF_PAST},
    **{
        f"{view}-{button}.n_clicks": _is_count
        for view in _OF_PAST
        for button in ("earlier", "later", "now", "dates")
    },
    "stay-drawn.data": _either(
        _is_nothing, _object_with(screen=_SCREEN, changed=_is_text, at=_is_count)
    ),
    "plan-if.data": lambda value: _list_of(_is_number)(value) and len(value) == 2,  # type: ignore[arg-type] # a list
    "client-more.data": _either(_is_nothing, _object_with(typed=_is_object, air=_is_object)),
    "client-air.data": _AIR,
    "client-log.data": _AIR,
    "client-made.data": _OPTIONAL_COUNT,
    "client-keep.value": _either(_is_nothing, _list_of(_is_text)),
}
"""Type of the value of a component that holds more than a text or a number."""


def fits_type(component: str, prop: str, value: object) -> bool:
    """True if a property can have this value."""
    check = OF_COMPONENT.get(f"{component}.{prop}") or OF_PROPERTY.get(prop)
    return check is not None and check(value)
