"""The README against the program: its settings, its commands, its first paragraph."""

from __future__ import annotations

import re

from conftest import ROOT

from monitor import settings
from monitor.cli import app
from monitor.core.measurements import NAME_MAX
from monitor.readings.payload import PAYLOAD_MAX, RECORDS_MAX
from monitor.science.waits import examples

README = (ROOT / "README.md").read_text(encoding="utf-8")


def settings_table() -> str:
    """The table of settings as it must stand in the README."""
    lines = ["| setting | default | unit | |", "|---|---|---|---|"]
    for row in settings.table():
        default = f"`{row.default}`" if str(row.default) else "empty"
        lines.append(f"| `{row.name}` | {default} | {row.unit} | {row.help} |")
    return "\n".join(lines)


def test_the_table_of_settings_is_the_programs():
    found = re.search(r"<!-- settings -->\n(.*?)\n<!-- /settings -->", README, re.DOTALL)
    assert found, "the README has a table of settings"
    assert found[1] == settings_table(), f"it must be:\n{settings_table()}"


def test_the_worked_waits_are_the_programs():
    found = re.search(r"<!-- examples -->\n(.*?)\n<!-- /examples -->", README, re.DOTALL)
    assert found, "the README has the worked waits"
    assert found[1] == examples.table().strip(), f"it must be:\n{examples.table()}"


def test_every_command_is_told():
    names = {info.name or info.callback.__name__ for info in app.registered_commands}
    names |= {group.name for group in app.registered_groups}
    told = set(re.search(r"`benchweather (run \|[^`]*)`", README)[1].split(" | "))
    assert told == names


def test_the_figures_of_the_contract_are_the_programs():
    assert f"up to {RECORDS_MAX:,} records and {PAYLOAD_MAX // 1024} KiB" in README
    assert f"up to {NAME_MAX} characters" in README


def test_the_first_paragraph_states_the_job():
    first = README.split("\n\n")[1]
    for word in ("repairer", "clamp", "varnish", "opened plate", "client", "air", "MQTT", "years"):
        assert word in first


def test_its_toml_examples_are_valid_settings(tmp_path):
    for number, example in enumerate(re.findall(r"```toml\n(.*?)```", README, re.DOTALL)):
        file = tmp_path / f"{number}.toml"
        file.write_text(example, encoding="utf-8")
        found = settings.load(data=tmp_path, config=file, environ={})
        assert found.places or found.topics or found.channels or found.forecasts
