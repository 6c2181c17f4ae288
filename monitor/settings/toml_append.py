"""Adds a rule for a topic to the end of the settings file; the rest of the file stays as it is."""

from __future__ import annotations

import json
import os
from pathlib import Path

from monitor.core.durable_file import rename_durably
from monitor.core.errors import MonitorError, SettingsFault
from monitor.core.files import SETTINGS_MAX, FileFault, parsed_toml, read_text
from monitor.domain.topic_rules import TopicRule
from monitor.settings import FILE_NAME, Settings, load


class CannotAdd(MonitorError, ValueError):
    """The rule cannot be added; the file is as it was."""


def as_toml(rule: TopicRule) -> str:
    """A rule as a table of the settings file."""
    lines = ["[[topics]]"]
    lines += [
        f"{key} = {json.dumps(value, ensure_ascii=False)}"
        for key in ("filter", "place", "sensor", "format", "quantity", "unit")
        if (value := getattr(rule, key)) is not None
    ]
    if rule.time:
        lines.append(f"time = {_pair(rule.time.pointer, rule.time.unit)}")
    if rule.quantities:
        lines.append("[topics.quantities]")
        lines += [f"{q} = {_pair(pick.pointer, pick.unit)}" for q, pick in rule.quantities.items()]
    return "\n".join(lines) + "\n"


def add_rule(settings: Settings, rule: TopicRule) -> Path:
    """Add a rule to the settings file, which is made if there is none. Returns where.

    Raises
    ------
    CannotAdd
        If the settings with it could not be used, or would not hold it.
    """
    path = (settings.config or settings.data / FILE_NAME).resolve()
    try:
        before = read_text(path, SETTINGS_MAX) if path.exists() else ""
    except FileFault as exc:
        raise CannotAdd(str(exc)) from exc
    try:
        topics = parsed_toml(before).get("topics", [])
        text = f"{before.rstrip()}\n\n{as_toml(rule)}" if before.strip() else as_toml(rule)
        parsed_toml(text)
    except ValueError as exc:
        way_out = "its topics are in one list; write them as [[topics]]" if before else exc
        raise CannotAdd(f"{path}: a rule cannot be added at its end: {way_out}") from exc
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(path.name + ".part")
    try:
        beside.touch(mode=path.stat().st_mode & 0o777 if path.exists() else 0o600)
        with beside.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        found = load(data=settings.data, config=beside)
        if len(found.topics) != len(topics) + 1 or found.topics[-1] != rule:
            raise CannotAdd(f"{path}: topics come from the environment and overrule the file")
        rename_durably(beside, path)
    except SettingsFault as exc:
        raise CannotAdd(f"{path}: with this rule: {'; '.join(exc.faults)}") from exc
    finally:
        beside.unlink(missing_ok=True)
    return path


def _pair(pointer: str, unit: str) -> str:
    shown = json.dumps(pointer, ensure_ascii=False)
    return f"{{ pointer = {shown}, unit = {json.dumps(unit)} }}"
