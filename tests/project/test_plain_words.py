"""Texts for people are plain: no banned word or turn, and none of danger reads as its opposite."""

from __future__ import annotations

import re
from contextlib import closing
from zoneinfo import ZoneInfo

import pytest
from babel.messages.pofile import read_po
from conftest import ROOT
from user_texts import BANNED, PACKAGES, helps, of_package

from monitor.air.climate_report import band_words, class_words, climate_record, mould_words
from monitor.clients.phrases import AVOID
from monitor.core.formats import DAY_MS
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule import WATCHABLE
from monitor.domain.places import AirLimits, Place
from monitor.science.case.measures import Avoid
from monitor.store import Reader, Writer

PARIS = ZoneInfo("Europe/Paris")


ALLOWED: dict[str, int] = {
    "monitor/commands": 1,  # "put away": a word of the commands' contract
    "monitor/domain": 5,  # families and actions as they stand in stores
    "monitor/store": 1,  # a state as it stands in stores
}
"""Texts with a banned turn that a package still has. A number here only ever goes down."""


def faults(text: str) -> list[str]:
    return [
        f"{found[0]!r}: {instead}"
        for turn, instead in BANNED.items()
        if (found := re.search(turn, text, re.IGNORECASE))
    ]


@pytest.mark.parametrize("package", PACKAGES)
def test_the_texts_of_a_package_are_plain(package):
    found = [
        f"{place}: {text!r} has {', '.join(bad)}"
        for place, text in of_package(package)
        if (bad := faults(text))
    ]
    assert len(found) <= ALLOWED.get(package, 0), "\n".join(found)


def test_the_help_of_each_command_is_plain():
    found = [f"{name}: {text!r} has {bad}" for name, text in helps() if (bad := faults(text))]
    assert not found, "\n".join(found)


def test_the_search_for_banned_turns_finds_them():
    assert faults("Magnesium chloride is no danger, nor is salt")
    assert faults("Told again each 24 h")
    assert faults("Urgency !!!")
    assert faults("put off until Mon")
    assert not faults("The notice will be sent on Monday. It is no longer damp.")


def test_a_text_of_danger_cannot_be_read_as_its_opposite():
    rules = starting_set(AirLimits())
    cautions = {rule.caution for rule in rules.values()}
    mould = rules["mould-grows"].caution
    assert "wear a mask and gloves" in mould
    assert mould.startswith("If you see mould")
    assert any("Do not seal the room" in one for one in cautions)
    assert "carbon monoxide alarm" in rules["frost"].caution
    assert "Local codes come first" in rules["frost"].caution
    assert rules["near-dew-point"].caution.startswith("Keep flames, heaters and lamps away")
    assert AVOID[Avoid.HOT_CAR] == "Never leave the instrument, or anyone, in a closed car."
    assert AVOID[Avoid.SEAL_ROOM].startswith("Never seal a room or shut a vent")


def test_a_rule_says_what_to_do_in_whole_sentences():
    for rule in starting_set(AirLimits()).values():
        for text in filter(None, (rule.why, rule.advice(), rule.caution)):
            assert re.fullmatch(r"[A-Z].*\.", text), (rule.id, text)
        assert ";" not in rule.advice(), rule.id


def test_the_sheet_in_german_warns_of_the_same():
    with (ROOT / "monitor/clients/locale/de.po").open("rb") as file:
        german = {m.id: m.string for m in read_po(file, locale="de") if isinstance(m.id, str)}
    assert german[AVOID[Avoid.HOT_CAR]] == (
        "Lassen Sie nie das Instrument, einen Menschen oder ein Tier im geschlossenen Auto."
    )
    assert german[AVOID[Avoid.SEAL_ROOM]].startswith("Nie einen Raum abdichten")
    assert not [text for text in german.values() if "Zwei-Wege" in text]


def test_a_climate_record_without_readings_says_only_that(tmp_path):
    path = tmp_path / "readings.sqlite"
    with closing(Writer(path)), closing(Reader(path)) as reader:
        record = climate_record(reader, "Shop", [Place(id="bench")], 0, 90 * DAY_MS, PARIS)
    assert record.reliability == "There are no readings of humidity in this span."
    assert mould_words(record) == ""
    assert band_words(record) == ""
    assert class_words(record) == ""


def test_a_quantity_of_a_rule_says_what_its_limit_means():
    assert "above 1 a dry snap is likely" in WATCHABLE["dry_snap"].text
    assert WATCHABLE["rested"].text == "1 while the reading in the jar is steady"
    assert WATCHABLE["warm_up_margin"].text.endswith("above the dew point")


def test_an_outlook_says_what_its_percentages_are():
    """A bare percentage beside RH could be read as RH."""
    source = (ROOT / "monitor/outlook/summary.py").read_text(encoding="utf-8")
    for shown in re.findall(r"\{likely\([^}]*\)\}", source):
        before = source[: source.index(shown)].rstrip(' "\nf')
        assert before.endswith("chance"), shown


def test_the_status_of_a_wait_is_written_once_for_board_and_notices():
    """Neither the board nor the morning brief writes a sentence on a wait's state of its own."""
    for path in ("dashboard/bench/text.py", "monitor/alerting/daily_digest.py"):
        source = (ROOT / path).read_text(encoding="utf-8")
        assert "status_text(" in source, path
        for turn in ("On hold since", "Ready since", "Paused since"):
            assert turn not in source, path
