"""Changes of the settings file: planned, validated as the file is, and written all or nothing.

Each version of the file that the service has seen is kept in the data folder, readable by its user
only, so that a change can be undone and two people who change different settings do not meet.
"""

from __future__ import annotations

import copy
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, NamedTuple

from monitor.core.durable_file import write_durably
from monitor.core.errors import Fault, Rejected, SettingsFault
from monitor.core.files import SETTINGS_MAX, FileFault, parsed_toml, read_text, size_text
from monitor.core.measurements import new_name_fault
from monitor.domain.settings_change import SettingPath, SettingValue
from monitor.domain.topic_rules import TopicRule
from monitor.settings import FILE_NAME, Settings, demo_layer, load, version_of
from monitor.settings.content import (
    LISTS,
    Flat,
    child_of,
    flat,
    key_of,
    position_of,
    set_item,
    value_at,
)
from monitor.settings.faults import is_secret
from monitor.settings.toml_edit import CannotEdit, rewritten

FILE_ONLY: dict[SettingPath, str] = {
    ("broker",): "has settings that name a program to run",
    ("broker", "program"): "names a program to run",
    ("store",): "says where the store is",
    ("store", "url"): "says where the store is",
    ("store", "read_url"): "says where the store is",
    ("backup",): "says where backups are kept",
    ("backup", "folder"): "says where backups are kept",
    ("backup", "passphrase"): "encrypts the backups",
}
"""Settings that only the file itself may have changed, and why."""
VERSIONS_KEPT = 60
"""Most versions of the file that are kept."""


class Difference(NamedTuple):
    """A setting before and after a change; None where it was not set. Secret ones have neither."""

    path: SettingPath
    before: Any
    after: Any
    secret: bool

    def as_body(self) -> dict[str, Any]:
        """The difference as the history keeps it."""
        if self.secret:
            return {"path": list(self.path), "secret": True}
        return {"path": list(self.path), "from": self.before, "to": self.after}


class PlannedChange(NamedTuple):
    """A change of the file that would be valid, not yet written."""

    text_before: str
    text: str
    differences: list[Difference]

    @property
    def version_before(self) -> str:
        return version_of(self.text_before)

    @property
    def version(self) -> str:
        return version_of(self.text)


class SettingsFile:
    """The settings file of a shop; made at the first change if there is none.

    `start_faults` returns further reasons why the service could not start with settings.
    """

    def __init__(
        self, settings: Settings, start_faults: Callable[[Settings], list[Fault]] = lambda _: []
    ) -> None:
        self._settings, self._start_faults = settings, start_faults
        self.path = (settings.config or settings.data / FILE_NAME).resolve()
        self._versions = settings.data / "settings-versions"

    def text(self) -> str:
        """Content of the file; empty if there is none.

        Raises
        ------
        Rejected
            If it cannot be read.
        """
        try:
            return read_text(self.path, SETTINGS_MAX) if self.path.exists() else ""
        except (FileFault, OSError) as exc:
            raise Rejected(f"{self.path} cannot be read: {exc}") from exc

    def present(self) -> Settings:
        """The settings that a start would have now.

        Raises
        ------
        SettingsFault
            If the file is not valid.
        Rejected
            If it cannot be read.
        """
        return self._loaded(self.text())

    def seen(self, version: str) -> Settings:
        """The settings of a version that is kept; else the present ones."""
        text = self._kept(version)
        return self.present() if text is None else self._loaded(text)

    def keep(self) -> None:
        """Keep the present version."""
        self._keep(self.text())

    def changed(
        self, sets: Iterable[SettingValue], removals: Iterable[SettingPath], version: str
    ) -> PlannedChange:
        """Plan a change by somebody who saw a version of the file.

        Raises
        ------
        Rejected
            With every setting that would be wrong, or was changed since.
        """
        text, sets, removals = self.text(), list(sets), list(removals)
        present = self._content(text)
        self._check_paths([*(one.path for one in sets), *removals])
        self._check_version(version, text, [*(one.path for one in sets), *removals])
        target = copy.deepcopy(present)
        for path in removals:
            self._remove(target, path)
        for one in sets:
            _check_new_place(present, one)
            self._set(target, one.path, one.value)
        return self._plan(text, present, target)

    def undone(self, before: str, after: str, paths: Sequence[SettingPath]) -> PlannedChange:
        """Plan the undoing of a change between two versions.

        Raises
        ------
        Rejected
            If it is too long ago, or one of its settings was changed since.
        """
        text = self.text()
        old, new = self._kept(before), self._kept(after)
        if old is None or new is None:
            raise Rejected("this change is too old to undo: change the settings themselves")
        present = self._content(text)
        if text == new:
            return self._plan(text, present, self._content(old), old)
        was, became, now = map(flat, (self._content(old), self._content(new), present))
        target = copy.deepcopy(present)
        for path in paths:
            if became.get(path) != now.get(path):
                raise Rejected(Fault("was changed again later", ".".join(path)))
            if path not in was:
                self._remove(target, path)
        for path in paths:
            if path in was:
                self._set(target, path, was[path])
        return self._plan(text, present, target)

    def write(self, plan: PlannedChange) -> None:
        """Write a planned change, on disk when this returns.

        Raises
        ------
        Rejected
            If the file was changed since it was planned, or cannot be written.
        """
        if self.text() != plan.text_before:
            raise Rejected("the settings file was changed just now: try again")
        self._keep(plan.text_before)
        self._keep(plan.text)
        self._replace(plan.text)

    def restore(self, version: str) -> None:
        """Restore the file to a version that was kept; what it holds now is kept too."""
        if (text := self._kept(version)) is not None:
            self.keep()
            self._replace(text)

    def _replace(self, text: str) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            mode = self.path.stat().st_mode & 0o777 if self.path.exists() else 0o600
            if not mode & 0o222:  # its folder would let us replace it all the same
                raise Rejected(f"{self.path} is read-only: make it writable, or edit it yourself")
            write_durably(self.path, text, mode)
            self.path.chmod(mode)
        except OSError as exc:
            raise Rejected(
                f"{self.path} cannot be written: {exc.strerror}. Let the user who runs "
                "Benchweather write this file and its folder"
            ) from exc

    def _loaded(self, text: str) -> Settings:
        settings = self._settings
        folder = settings.data.parent if settings.demo else settings.data
        path = self.path if settings.config else None
        return load(data=folder, config=path, demo=settings.demo, text=text)

    def _content(self, text: str) -> dict[str, Any]:
        try:
            found = parsed_toml(text)
        except ValueError as exc:
            raise Rejected(f"{self.path} is not TOML: {exc}") from exc
        if self._settings.demo:  # a list in the file stands for the whole of the demo's
            for name, value in demo_layer().items():
                if name in LISTS:
                    found.setdefault(name, value)
        return found

    def _plan(
        self,
        text: str,
        present: Mapping[str, Any],
        target: Mapping[str, Any],
        exactly: str | None = None,
    ) -> PlannedChange:
        differences = list(_differences(flat(present), flat(target)))
        if not differences:
            raise Rejected("nothing would change: the settings have these values already")
        try:
            result = rewritten(text, target) if exactly is None else exactly
            if len(result.encode()) > SETTINGS_MAX:
                raise Rejected(f"the settings file would be larger than {size_text(SETTINGS_MAX)}")
            found = self._loaded(result)
            if faults := self._start_faults(found):
                raise SettingsFault(list(map(str, faults)), faults)
        except CannotEdit as exc:
            raise Rejected(f"{self.path}: {exc}. Edit the file itself") from exc
        except SettingsFault as exc:
            raise Rejected(*(_named(fault, target) for fault in exc.details)) from exc
        return PlannedChange(text, result, differences)

    def _check_paths(self, paths: Iterable[SettingPath]) -> None:
        faults = []
        for path in paths:
            name = ".".join(path)
            if why := FILE_ONLY.get(path[:2]):
                faults.append(Fault(f"{why}: change it in {self.path} itself", name))
            elif self._from_environment(path):
                faults.append(
                    Fault(
                        "comes from the environment, which overrules the file: change it there",
                        name,
                    )
                )
        if faults:
            raise Rejected(*faults)

    def _from_environment(self, path: SettingPath) -> bool:
        origins, name = self._settings.origins, path[0] if path[0] in LISTS else ".".join(path)
        return origins.get(name) == "environment"

    def _check_version(self, version: str, text: str, paths: Sequence[SettingPath]) -> None:
        """Refuse what somebody else changed after the person saw it."""
        if version == version_of(text):
            return
        seen = self._kept(version)
        if seen is None:
            raise Rejected(
                "the settings file was changed after this page was opened: load the page again"
            )
        then, now = self._content(seen), self._content(text)
        faults = [
            Fault("was changed after this page was opened: load the page again", ".".join(path))
            for path in paths
            if value_at(then, path) != value_at(now, path)
        ]
        if faults:
            raise Rejected(*faults)

    def _set(self, into: Any, path: SettingPath, value: Any) -> None:
        *above, last = path
        try:
            for key in above:
                into = child_of(into, key)
            if isinstance(into, list):
                set_item(into, last, value)
            else:
                into[last] = value
        except (AttributeError, TypeError) as exc:
            raise Rejected(Fault("is not a setting", ".".join(path))) from exc

    def _remove(self, from_: Any, path: SettingPath) -> None:
        *above, last = path
        parent = value_at(from_, above)
        if isinstance(parent, list):
            if (at := position_of(parent, last)) is not None:
                del parent[at]
        elif isinstance(parent, dict):
            parent.pop(last, None)

    def _keep(self, text: str) -> None:
        """Keep a version; the oldest are deleted."""
        self._versions.mkdir(parents=True, exist_ok=True, mode=0o700)
        kept = self._versions / f"{version_of(text)}.toml"
        if kept.exists():
            os.utime(kept)
        else:
            write_durably(kept, text)
        files = sorted(self._versions.glob("*.toml"), key=lambda one: one.stat().st_mtime_ns)
        for old in files[:-VERSIONS_KEPT]:
            old.unlink(missing_ok=True)

    def _kept(self, version: str) -> str | None:
        """Content of a version; None if it is not kept."""
        kept = self._versions / f"{version}.toml"
        if not (version.isalnum() and version.isascii() and kept.is_file()):
            return None
        return kept.read_text("utf-8")


def add_topic_rule(settings: Settings, rule: TopicRule) -> Path:
    """Add a rule for a topic to the settings file, where no service is asked. Returns where.

    Raises
    ------
    Rejected
        If the settings with it could not be used.
    """
    file = SettingsFile(settings)
    path = ("topics", str(len(settings.topics)))
    version = file.present().version
    file.write(file.changed([SettingValue(path, rule_as_content(rule))], (), version))
    return file.path


def rule_as_content(rule: TopicRule) -> dict[str, Any]:
    """A rule for a topic as the settings file has it."""
    content: dict[str, Any] = {
        key: value
        for key in ("filter", "place", "sensor", "format", "quantity", "unit")
        if (value := getattr(rule, key)) is not None
    }
    if rule.time:
        content["time"] = asdict(rule.time)
    if rule.quantities:
        content["quantities"] = {str(q): asdict(pick) for q, pick in rule.quantities.items()}
    return content


def _differences(before: Flat, after: Flat) -> Iterator[Difference]:
    for path in dict.fromkeys((*before, *after)):
        was, now = before.get(path), after.get(path)
        if was != now or isinstance(was, bool) != isinstance(now, bool):
            yield Difference(path, was, now, is_secret(".".join(path)))


def _check_new_place(present: Mapping[str, Any], one: SettingValue) -> None:
    """Refuse a place whose name is new and odd; one that is there keeps its name."""
    if one.path[0] != "places" or len(one.path) < 2:
        return
    own = one.value.get("id") if isinstance(one.value, Mapping) else None
    name = own if isinstance(own, str) else one.path[1]
    if position_of(present.get("places", []), name) is None and (fault := new_name_fault(name)):
        raise Rejected(Fault(fault, f"places.{one.path[1]}"))


def _named(fault: Fault, target: Mapping[str, Any]) -> Fault:
    """A fault with the id of a place or channel in its field instead of a position."""
    first, _, rest = fault.field.partition(".")
    at, _, inner = rest.partition(".")
    items = target.get(first)
    if not (isinstance(items, list) and at.isdecimal() and int(at) < len(items)):
        return fault
    one = items[int(at)]
    key = key_of(one, int(at)) if isinstance(one, dict) else at
    return replace(fault, field=".".join(filter(None, (first, key, inner))))
