"""Passwords: which may be chosen, passphrases of ours, and how they are kept."""

from __future__ import annotations

import math

import pytest

from monitor.core.errors import Rejected
from monitor.people import passwords


@pytest.mark.parametrize(
    "password",
    [
        "elf pipe nor sky",
        "x7-Ktw!qpR2m",
        "aubergine trapeze",
        "日本語のながいあいことば、ふたつ",
        "gå till skogen med båten",
        "a" * 5 + " mostly harmless goats " + "b" * 100,
    ],
)
def test_a_long_uncommon_password_of_any_characters_will_do(password):
    passwords.check_password(password, ("Ina Holm", "Kestrel Row Strings"))


@pytest.mark.parametrize(
    "password",
    [
        "",
        "elevenchars",
        "x" * 129,
        "password1234",
        "passwordpassword",
        "123456789012",
        "qwertyuiop12",
        "aaaaaaaaaaaa",
        "abcabcabcabc",
        "iloveyou1234",
        "administrator",
        "P@ssw0rd1234",
        "Ina Holm 2026",
        "inaholminaholm",
        "Kestrel Row Strings",
        "kestrelrowstrings1",
    ],
)
def test_a_short_common_or_own_name_is_no_password(password):
    with pytest.raises(Rejected) as refused:
        passwords.check_password(password, ("Ina Holm", "Kestrel Row Strings"))
    assert not password or password not in str(refused.value)


@pytest.mark.slow
def test_our_passphrase_has_54_random_bits_and_can_be_typed():
    words = passwords.words()
    assert len(words) == len(set(words)) == 512
    assert passwords.PASSPHRASE_WORDS * math.log2(len(words)) == 54
    assert all(word.isascii() and word.islower() and 4 <= len(word) <= 8 for word in words)
    assert not [(a, b) for a in words for b in words if a != b and b.startswith(a)]
    made = {passwords.passphrase() for _ in range(200)}
    assert len(made) == 200
    for one in made:
        assert set(one.split("-")) <= set(words)
        passwords.check_password(one)


@pytest.mark.slow
def test_a_password_is_kept_as_argon2id_with_a_salt_of_its_own():
    """Source of the parameters: RFC 9106, section 4, second recommended option. From memory."""
    one, two = passwords.hashed("elf pipe nor sky"), passwords.hashed("elf pipe nor sky")
    assert one != two
    assert one.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert passwords.matches(one, "elf pipe nor sky")
    for wrong in ("", "elf pipe nor sk", "Elf pipe nor sky", "elf pipe nor sky ", "x" * 100_000):
        assert not passwords.matches(one, wrong)
    assert not passwords.matches("", "")
    assert not passwords.matches("no hash", "elf pipe nor sky")
    composed, taken_apart = "sm\u00f6rg\u00e5s paj korv", "smo\u0308rga\u030as paj korv"
    assert passwords.matches(passwords.hashed(composed), taken_apart)
