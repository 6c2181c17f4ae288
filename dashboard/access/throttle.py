"""Throttle of guesses at passwords, in bounded memory, which cannot shut the shop's people out.

A stranger is slowed down by person and network together, by person, and by network. A browser that a
person has signed in with before is slowed down by its own guesses only. The link of the shop's
computer is never slowed down.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence
from typing import NamedTuple

from monitor.core.backoff import doubled
from monitor.people.guesses import FORGET_S, GuessCounts, Guesses, Held, Subject

WAIT_FIRST_S = 2.0
"""The first wait, doubled each time. [s]"""


class GuessLimit(NamedTuple):
    """Guesses that are free, and the longest wait after them [s]."""

    free: int
    wait_max_s: float


LIMITS = {
    "device": GuessLimit(5, 900.0),
    "pair": GuessLimit(5, 900.0),
    "network": GuessLimit(20, 900.0),
    "person": GuessLimit(20, 60.0),
    "all": GuessLimit(300, 10.0),
}
"""Limits by the kind of a subject. A person's own keeps guesses from everywhere below 100 an hour
(OWASP ASVS 4.0.3, 2.2.1), and never makes that person wait for more than a minute. That of all
strangers together bounds the work of checking what many networks send."""
UNKNOWN = "unknown "
"""Mark of the kinds of names that nobody has: counted alike, but they push out no person's counts."""
LIMITS |= {UNKNOWN + kind: LIMITS[kind] for kind in ("pair", "person")}


class Throttle:
    """Counts of wrong passwords by subject. Threads may share it."""

    def __init__(self, counts: GuessCounts) -> None:
        self._counts = counts

    def wait_or_count(self, subjects: Sequence[Subject]) -> float:
        """The wait before the next try [s]; if it is 0, this try is counted as a wrong one, until
        `passed` takes it back."""
        if (wait_s := _wait_s(self._counts.held(subjects))) > 0:  # as most guesses of a storm
            return wait_s
        with self._counts.changing(subjects) as (now_s, held):
            if (wait_s := _wait_s((now_s, held))) > 0:
                return wait_s
            for subject in subjects:
                number, _, last_s = held.get(subject, Guesses(0, now_s, now_s))
                limit, number = LIMITS[subject[0]], 1 if now_s - last_s > FORGET_S else number + 1
                over = number - limit.free
                rest_s = doubled(WAIT_FIRST_S, limit.wait_max_s, over) if over >= 0 else 0.0
                held[subject] = Guesses(number, now_s + rest_s, now_s)
            return 0.0

    def passed(self, subjects: Sequence[Subject]) -> None:
        """Forget the guesses of who has given the right password."""
        self._counts.forget(subjects)


def _wait_s(found: Held) -> float:
    """The longest wait of some subjects; none for guesses dated ahead: a clock was wrong. [s]"""
    now_s, held = found
    waits = (one.until_s - now_s for one in held.values() if one.last_s <= now_s)
    return max(waits, default=0.0)


def stranger(person: str, address: str, *, known: bool = True) -> list[Subject]:
    """Subjects of a try from a browser that nobody has signed in with before.

    A name that nobody has (`known` false) is slowed down like a person's: a wait tells nobody whose
    names there are.
    """
    near, mark = network(address), "" if known else UNKNOWN
    return [
        (f"{mark}pair", f"{person}\n{near}"),
        ("network", near),
        (f"{mark}person", person),
        ("all", ""),
    ]


def network(address: str) -> str:
    """An address, or the network of 64 bits of an IPv6 address, as one machine has many of those.

    >>> network("2001:db8::7"), network("192.0.2.7"), network("::ffff:192.0.2.7")
    ('2001:db8::/64', '192.0.2.7', '192.0.2.7')
    """
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address[:60]
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((found, 64), strict=False))
