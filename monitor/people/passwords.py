"""Passwords: which may be chosen, passphrases made by us, and how they are kept.

A password is kept as argon2id with 64 MiB and 3 passes (RFC 9106, section 4, second choice). One is
computed at a time, so that many who sign in at once cannot use up the memory.
"""

from __future__ import annotations

import functools
import secrets
import threading
import unicodedata
from collections.abc import Iterable
from importlib.resources import files

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from monitor.core.errors import Fault, Rejected

LENGTH_MIN, LENGTH_MAX = 12, 128
"""Shortest and longest password. [characters]  Source: OWASP ASVS 4.0.3, 2.1.1 and 2.1.2."""
GUESSES_MIN = 1e8
"""Fewest guesses that a chosen password must withstand. [-]  Ours: a hundred years of the hundred
guesses an hour that the board lets through for one person."""
PASSPHRASE_WORDS = 6
"""Words of a passphrase: six of 512, 54 bits."""

_hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
_one_at_a_time = threading.Lock()


@functools.cache
def words() -> tuple[str, ...]:
    """Our list of words for passphrases; none begins with another."""
    return tuple(files("monitor.people").joinpath("words.txt").read_text("utf-8").split())


def passphrase() -> str:
    """A new random passphrase."""
    return "-".join(secrets.choice(words()) for _ in range(PASSPHRASE_WORDS))


def tidied(password: str) -> str:
    """A password in the one form of its characters, however a keyboard composes them."""
    return unicodedata.normalize("NFKC", password)


def check_password(password: str, names: Iterable[str] = ()) -> None:
    """Reject a password that is too short, too long or among the first that are guessed.

    Parameters
    ----------
    password : str
        Any characters; none are demanded.
    names : iterable of str
        Names that a guesser of this shop tries: the person's and the shop's.

    Raises
    ------
    Rejected
    """
    length = len(password)
    if not LENGTH_MIN <= length <= LENGTH_MAX:
        raise Rejected(
            Fault(
                f"has {length} characters: it must have {LENGTH_MIN} to {LENGTH_MAX}", "password"
            )
        )
    from zxcvbn import zxcvbn  # brings long lists

    known = [name.casefold() for name in names if name]
    parts = [part for name in known for part in (name, name.replace(" ", ""), *name.split())]
    plain = password.casefold()
    for part in sorted(parts, key=len, reverse=True):
        if len(part) > 2:
            plain = plain.replace(part, "")
    if len(plain) < LENGTH_MIN / 2 and plain != password.casefold():
        raise Rejected(Fault("is little more than your name or the shop's", "password"))
    if float(zxcvbn(password, user_inputs=parts, max_length=LENGTH_MAX)["guesses"]) < GUESSES_MIN:
        raise Rejected(
            Fault(
                "is among the first that are guessed: use a few words that do not belong together",
                "password",
            )
        )


def hashed(password: str) -> str:
    """A password as it is kept."""
    with _one_at_a_time:
        return _hasher.hash(tidied(password))


def matches(kept: str, password: str) -> bool:
    """True if a password is the kept one. Without one (`kept` empty) it takes as long."""
    if len(password) > 4 * LENGTH_MAX:
        return False
    with _one_at_a_time:
        try:
            return _hasher.verify(kept or _nobodys(), tidied(password)) and bool(kept)
        except (VerificationError, InvalidHashError):
            return False


@functools.cache
def _nobodys() -> str:
    """Hash of a password that nobody has."""
    return _hasher.hash(secrets.token_hex(16))
