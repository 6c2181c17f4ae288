"""The help of the command line: one style, plain words, and it tells of the demo and exit codes."""

from __future__ import annotations

import re

import pytest
from conftest import benchweather
from user_texts import commands, helps

NAMES = [name for name, _ in commands()]
LONGEST_WORDS = 20
"""Most words of one sentence, by plain_words.md."""
NOT_VERBS = {
    "The",
    "A",
    "An",
    "It",
    "This",
    "That",
    "Those",
    "What",
    "How",
    "Its",
    "Of",
    "Whether",
}


@pytest.mark.parametrize("name", [n for n in NAMES if "simulate" not in n])
def test_each_command_explains_itself_within_eighty_columns(name):
    for flag in ("-h", "--help"):
        done = benchweather(*name.split()[1:], flag, environment={"COLUMNS": "80"})
        assert done.returncode == 0, done.stderr
        assert max(map(len, done.stdout.splitlines())) <= 80
        assert "Usage: benchweather" in done.stdout


def test_each_command_begins_with_a_verb_and_each_option_has_a_help():
    for name, text in helps():
        assert text, name
        if name in NAMES:
            assert text[0].isupper(), name
            assert text.split()[0] not in NOT_VERBS, (name, text)
            assert text.endswith("."), (name, text)


def test_sentences_of_help_are_short():
    for name, text in helps():
        for sentence in re.split(r"(?<=[.?!]) ", text):
            assert len(sentence.split()) <= LONGEST_WORDS, (name, sentence)


def test_no_unit_in_brackets_is_lost_as_mark_up():
    for name, text in helps():
        assert not re.search(r"\[/?[a-z]", text), (name, text)


def test_the_first_help_tells_of_the_demo_the_exit_codes_and_completion():
    said = " ".join(benchweather("-h").stdout.split())
    assert "`benchweather demo` runs an invented shop" in said
    assert "Exit codes: 0 done, 1 failed, 2 wrong use" in said
    assert "--install-completion" in said
    assert "--show-completion" in said


def test_a_wrong_command_is_answered_with_the_near_one():
    done = benchweather("instrumnet", "list")
    assert done.returncode == 2
    assert "Did you mean 'instrument'?" in done.stderr


def test_names_units_and_choices_of_a_sheet_are_listed_alone():
    done = benchweather("advise", "--names")
    assert done.returncode == 0, done.stderr
    rows = {row.split("\t")[0]: row.split("\t") for row in done.stdout.splitlines()}
    assert rows["band_low"] == ["band_low", "%", "40", ""]
    assert rows["tightness"][3] == "leaky; normal; tight"
    assert "violin, hard case" in rows["case"][3]
    assert rows["rh.1 to rh.12"][1] == "%"
    for arguments, why in (
        (["--set", "casse=x", "x.pdf"], "Did you mean case?"),
        ([], "Missing argument TO"),
    ):
        wrong = benchweather("advise", *arguments)
        assert (wrong.returncode, why in wrong.stderr) == (2, True), wrong.stderr
