"""The fields of a request on the settings, from a tap and its form."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.settings.sections import LISTS, SECTIONS
from dashboard.ui.form_input import beside_field, id_of
from dashboard.ui.setting_fields import shown, typed
from monitor.core.errors import Rejected, SettingsFault
from monitor.domain.settings_change import SettingsAction
from monitor.settings.schema import ValueKind, member, value_at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.data.settings import SettingsQueries
    from dashboard.ui.form_input import Form
    from monitor.core.errors import Fault
    from monitor.settings import Settings

NEW = "new"
"""First part of the names of fields for a thing that is not there yet."""


def values_of(tap: Mapping[str, Any], form: Form, book: SettingsQueries) -> dict[str, Any]:
    """The fields of the request that a tap means.

    Parameters
    ----------
    tap : mapping
        `version` of the file that the page showed. For UNDO `change`, its number. For CHANGE
        `remove`, the path of what goes, or a form: the fields that differ from what was shown are
        set; `close` adds a closed day or span; `add` names the list that gets what is typed in the
        fields for a new thing.
    form : Form
        Fields by their paths with slashes, as `ui/setting_fields.py` makes them.
    """
    do = tap.get("do")
    if do == SettingsAction.UNDO:
        given = str(tap.get("change", ""))
        return {"change": int(given) if given.isdecimal() and len(given) < 10 else given}
    if do != SettingsAction.CHANGE:
        return {}
    version = str(tap.get("version", ""))
    if isinstance(gone := tap.get("remove"), str) and gone:
        return {"version": version, "remove": [gone.split("/")]}
    try:
        seen = book.seen(version)
    except SettingsFault as exc:
        raise Rejected(*exc.details) from exc
    if isinstance(close := tap.get("close"), str) and close:
        value = sorted({*seen.hours.closed, close})
        return {"version": version, "set": [{"path": ["hours", "closed"], "value": value}]}
    sets: list[dict[str, Any]] = []
    removed: list[list[str]] = []
    if isinstance(add := tap.get("add"), str) and add in LISTS:
        sets.append(_new(add, form, seen))
    else:
        for name in form.typed:
            _change(name, form, seen, sets, removed)
        if not (sets or removed or form.faults):
            raise Rejected("nothing was changed: type something else first")
    return {"version": version, "set": sets, "remove": removed}


def _change(
    name: str, form: Form, seen: Settings, sets: list[dict[str, Any]], removed: list[list[str]]
) -> None:
    """Add what a field means to what is set or removed, if it differs from what was shown."""
    path = name.split("/")
    try:
        of = member(path[0], path[-1])
    except (KeyError, TypeError):
        form.add_fault(name, "is not a setting")
        return
    text, value = form.text(name), value_at(seen, path)
    if text == shown(value, of, form.unit) or (of.kind is ValueKind.SECRET and not text):
        return
    new = typed(form, name, of)
    if new is None or (new == "" and of.default is None and value is not None):
        removed.append(path)
    else:
        sets.append({"path": path, "value": new})


def _new(group: str, form: Form, seen: Settings) -> dict[str, Any]:
    """The value that adds a thing to a list; its id is made from its name."""
    value: dict[str, Any] = {}
    for name in LISTS[group].fields:
        field = f"{NEW}/{group}/{name}"
        if form.text(field):
            new = typed(form, field, member(group, name))
            if new is not None and new != member(group, name).default:
                value[name] = new
    taken = [getattr(one, "id", "") for one in getattr(seen, group)]
    if group == "topics":
        return {"path": [group, str(len(taken))], "value": value}
    own = id_of(
        form.text(f"{NEW}/{group}/id") or str(value.get("name") or value.get("service", ""))
    )
    if not own:
        form.add_fault(f"{NEW}/{group}/{'id' if group == 'channels' else 'name'}", "is empty")
    if own in taken:
        own = next(f"{own}-{n}" for n in range(2, len(taken) + 3) if f"{own}-{n}" not in taken)
    return {"path": [group, own or NEW], "value": value}


def field_of(name: str, form: Form) -> str:
    """The form's name of a setting with dots; "" if the form does not have it."""
    for field in form.typed:
        if field.replace("/", ".") == name:
            return field
    group, _, rest = name.partition(".")
    new = f"{NEW}/{group}/{rest.rpartition('.')[2]}"
    return new if new in form.typed else name if name in form.typed else ""


def label_of(name: str) -> str:
    """The label of a field."""
    if name == "board/password":
        return "The shop's password"
    for section in SECTIONS.values():
        if name in section.fields:
            return section.fields[name]
    group = name.removeprefix(f"{NEW}/").partition("/")[0]
    last = name.rpartition("/")[2]
    return LISTS[group].fields.get(last, "Name") if group in LISTS else name


def beside(fault: Fault, form: Form, name: str) -> str:
    """The text of a fault at its field; nothing that was typed as a secret."""
    path = name.split("/")
    try:
        secret = member(path[-2] if path[0] == NEW else path[0], path[-1]).kind is ValueKind.SECRET
    except (IndexError, KeyError, TypeError):
        secret = False
    return beside_field(fault, "" if secret else form.text(name), form.unit)
