"""Throttle of guesses at passwords, in bounded memory, which cannot shut the shop's people out.

A stranger is slowed down by person and network together, by person, and by network. A browser that a
person has signed in with before is slowed down by its own guesses only. The link of the shop's
computer is never slowed down.
"""

from __future__ import annotations

import ipaddress
import threading
from collections import OrderedDict
from typing import NamedTuple

from monitor.core.backoff import doubled

WAIT_FIRST_S = 2.0
"""The first wait, doubled each time. [s]"""
FORGET_S = 86_400.0
"""Time without a guess after which the guesses before are forgotten. [s]"""
SUBJECTS_MAX = 1_000
"""Most subjects of a kind that are remembered; the one not seen for longest goes."""


class Limit(NamedTuple):
    """Guesses that are free, and the longest wait after them [s]."""

    free: int
    wait_max_s: float


LIMITS = {
    "device": Limit(5, 900.0),
    "pair": Limit(5, 900.0),
    "network": Limit(20, 900.0),
    "person": Limit(20, 60.0),
    "all": Limit(300, 10.0),
}
"""Limits by the kind of a subject. A person's own keeps guesses from everywhere below 100 an hour
(OWASP ASVS 4.0.3, 2.2.1), and never makes that person wait for more than a minute. That of all
strangers together bounds the work of checking what many networks send."""
UNKNOWN = "unknown "
"""Mark of the kinds of names that nobody has: counted alike, but they push out no person's counts."""
LIMITS |= {UNKNOWN + kind: LIMITS[kind] for kind in ("pair", "person")}

Subject = tuple[str, str]
"""Kind and name of what guesses are counted by."""


class Throttle:
    """Counts of wrong passwords by subject. Threads may share it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._counts: dict[str, OrderedDict[str, tuple[int, float, float]]] = {
            kind: OrderedDict() for kind in LIMITS
        }

    def wait_or_count(self, subjects: list[Subject], now_s: float) -> float:
        """The wait before the next try [s]; if it is 0, this try is counted as a wrong one, until
        `passed` takes it back."""
        with self._lock:
            held = [self._counts[kind].get(name, (0, now_s, now_s)) for kind, name in subjects]
            if (wait := max(until for _, until, _ in held) - now_s) > 0:
                return wait
            for (kind, name), (count, _, last) in zip(subjects, held, strict=True):
                limit, counts = LIMITS[kind], self._counts[kind]
                count = 1 if now_s - last > FORGET_S else count + 1
                over = count - limit.free
                rest = doubled(WAIT_FIRST_S, limit.wait_max_s, over) if over >= 0 else 0.0
                counts[name] = (count, now_s + rest, now_s)
                counts.move_to_end(name)
                while len(counts) > SUBJECTS_MAX:
                    counts.popitem(last=False)
            return 0.0

    def passed(self, subjects: list[Subject]) -> None:
        """Forget the guesses of who has given the right password."""
        with self._lock:
            for kind, name in subjects:
                self._counts[kind].pop(name, None)


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
