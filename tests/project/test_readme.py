"""README, help and DEVELOPERS.md against the program: tables, links, settings, sizes."""

from __future__ import annotations

import re

import generated_texts
import pytest
from conftest import ROOT
from user_texts import BANNED

from dashboard.help import manual
from monitor import settings
from monitor.core.measurements import NAME_MAX
from monitor.readings.payload import PAYLOAD_MAX, RECORDS_MAX
from sensors.agent import settings as agent_settings

README = (ROOT / "README.md").read_text(encoding="utf-8")
HELP = ROOT / "dashboard/help"
TEXTS = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(HELP.glob("*.md")))
FOLDER_MAX = {"README.md": 8_000, "DEVELOPERS.md": 12_000}
"""Largest size of a text. [bytes]  The owner's."""


@pytest.mark.parametrize(("file", "mark", "make"), generated_texts.TABLES)
def test_a_generated_table_is_the_programs(file, mark, make):
    text = (ROOT / file).read_text(encoding="utf-8")
    remedy = "run PYTHONPATH=. python tests/generated_texts.py"
    assert generated_texts.between(text, mark) == make(), remedy


def test_the_table_of_commands_has_every_command():
    names = [name for name, _ in generated_texts.commands()]
    assert {"benchweather run", "benchweather sensor calibrate fit"} <= set(names)
    assert len(names) > 50
    assert all(text for _, text in generated_texts.commands())


def test_the_figures_of_the_contract_are_the_programs():
    sensors = (HELP / "sensors.md").read_text(encoding="utf-8")
    assert f"up to {RECORDS_MAX:,} records and {PAYLOAD_MAX // 1024} KiB" in sensors
    assert f"up to {NAME_MAX} characters" in sensors


def test_the_first_paragraph_states_the_job():
    first = README.split("\n\n")[1]
    for word in ("repairer", "clamp", "varnish", "opened plate", "client", "air", "MQTT", "years"):
        assert word in first


@pytest.mark.parametrize("name", FOLDER_MAX)
def test_a_text_stays_short(name):
    assert len((ROOT / name).read_bytes()) <= FOLDER_MAX[name]


def test_every_help_file_is_in_the_manual_and_linked_from_the_readme():
    files = {path.stem for path in HELP.glob("*.md")}
    assert files == set(manual.SUBJECTS)
    linked = set(re.findall(r"\(dashboard/help/([\w-]+)\.md\)", README))
    assert linked == files


@pytest.mark.parametrize("path", TEXTS, ids=lambda path: path.name)
def test_every_link_leads_to_a_file_and_heading_that_are_there(path):
    for target in re.findall(r"\]\(([^)#\s]*)(?:#([\w-]*))?\)", path.read_text(encoding="utf-8")):
        file, anchor = target
        if file.startswith("http"):
            continue
        there = (path.parent / file) if file else path
        assert there.is_file(), file
        if anchor:
            headings = re.findall(r"^#+ (.+)$", there.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {manual.anchor_of(heading) for heading in headings}


PROSE = [path for path in TEXTS if path.name != "DEVELOPERS.md"]


@pytest.mark.parametrize("path", PROSE, ids=lambda path: path.name)
def test_the_prose_is_in_plain_words(path):
    text = re.sub(
        r"```.*?```|<!--.*?-->|`[^`\n]*`|^\|.*$", "", path.read_text("utf-8"), flags=re.S | re.M
    )
    if path.name == "README.md":
        text = text.partition("## ")[2]  # the job paragraph is the owner's
    found = [m.group() for turn in BANNED for m in re.finditer(turn, text, re.IGNORECASE)]
    assert found == []


def _examples(mark: str = "") -> list[tuple[str, str]]:
    found = []
    for path in TEXTS:
        text = path.read_text(encoding="utf-8")
        for before, example in re.findall(r"([^\n]*)\n```toml\n(.*?)```", text, re.DOTALL):
            if ("toml of the agent" in before) == bool(mark):
                found.append((path.name, example))
    return found


@pytest.mark.parametrize(("name", "example"), _examples())
def test_a_toml_example_is_valid_settings(name, example, tmp_path):
    file = tmp_path / "benchweather.toml"
    file.write_text(example, encoding="utf-8")
    found = settings.load(data=tmp_path, config=file, environ={})
    assert str(file) in found.origins.values()


def test_the_agents_toml_example_is_valid_settings(tmp_path):
    ((_, example),) = _examples("agent")
    password = tmp_path / "broker.password"
    password.write_text("secret\n", encoding="utf-8")
    password.chmod(0o600)
    file = tmp_path / "sensor.toml"
    file.write_text(
        example.replace("/etc/benchweather/broker.password", str(password)), encoding="utf-8"
    )
    found = agent_settings.load(file, {})
    assert found.sensors[0].place == "front-bench"
