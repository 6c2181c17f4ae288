"""Kinds of sentences that order something, and the pairs that must never stand together.

A sentence under a condition (`only if`, `unless`, `while`, `until`, `before`, `when`) orders only where
its condition holds; such sentences are kept apart as conditional.
"""

from __future__ import annotations

import functools
import re
from typing import NamedTuple

CONDITION = re.compile(
    r"\b(only (if|while|where)|unless|if|while|until|before|when|as soon as|whenever|where)\b",
    re.I,
)
KINDS = {
    "add water": r"(?<!not )(?<!no )(?<!to )(?<!more )\badd water\b|\brun a (room )?humidifier\b"
    r"|\bkeep a case humidifier\b|\bfill the humidifier\b|\b(?<!not )humidify\b(?! one small)",
    "no water": r"\b(do not|never) add (any |more )?water\b|\bdo not add more\b|\badd no water\b",
    "nothing to add": r"\bnothing needs to be added\b|\bno water is needed\b|\bcontinue as you do now\b",
    "case humidifier": r"\bkeep a case humidifier\b",
    "a device": r"\bkeep a case humidifier\b|\brun a room humidifier\b|\bof humidity buffer, set to\b",
    "dry the air": r"\bdry (the air|it|the room)\b|\brun a dehumidifier\b",
    "shut windows": r"\b(close|shut|keep) (the |all )?windows?( shut| closed)?\b",
    "open windows": r"\bair the room\b|\bopen (a|the) windows?\b|\bventilate\b",
    "warm": r"\bwarm (the (room|bench|shop)|it)\b|\bheat the\b",
    "cool": r"\bturn the heating down\b|\blet the air cool\b|\bturn off heaters\b|\bdo not warm\b",
    "close nothing": r"\bclose (no|nothing)\b|\bglue nothing\b|\bdo not (glue|close) anything\b",
    "close": r"\bsafe to close\b|\byou may (close|glue)\b|\bclose it now\b",
    "open cases": r"\bopen cases\b|\btake instruments out of\b(?!.*cars)",
    "keep cases shut": r"\bkeep cases shut\b|\bleave (the case|cases|instruments in their cases)\b",
    "release": r"\brelease (the|your) clamps\b|\btake the clamps off\b",
    "do not release": r"\bdo not release\b|\bleave the clamps on\b",
    "clamp plates": r"(?<!not )\bclamp (opened )?plates\b",
    "free plates": r"\bsupported and free to move\b",
    "never damp": r"\bnever (gets|rises|becomes|is) (above|too damp|damp)\b"
    r"|\bdamp(ness)? is not a danger\b",
    "dry no danger": r"\bdry(ness| air) is not? a? ?danger\b",
    "becomes drier": r"\bstill becomes drier than the band\b|\bkeeps it from drying out\b",
    "take it out": r"\btake out what is in the case now\b",
    "leave it in": r"\bleave (it|the humidifier) in the case\b",
    "humidifier not advised": r"\bhumidifier in the case is not advised\b",
    "quick": r"\bthe air is quick\b|\bquicker than usual\b",
    "longer": r"\bleave the clamps on longer\b",
}
FORBIDDEN = (
    ("add water", "no water"),
    ("add water", "nothing to add"),
    ("add water", "dry the air"),
    ("a device", "nothing to add"),
    ("a device", "no water"),
    ("case humidifier", "humidifier not advised"),
    ("shut windows", "open windows"),
    ("warm", "cool"),
    ("close", "close nothing"),
    ("open cases", "keep cases shut"),
    ("release", "do not release"),
    ("clamp plates", "free plates"),
    ("dry no danger", "becomes drier"),
    ("dry no danger", "add water"),
    ("take it out", "leave it in"),
    ("quick", "longer"),
)
"""Pairs of orders of which at most one may stand on a page, or at a place at one moment."""


class Order(NamedTuple):
    """An order found: its kind, whether it has a condition, and its sentence."""

    kind: str
    conditional: bool
    sentence: str


def sentences(text: str) -> list[str]:
    """Sentences of a text; a figure's point does not end one."""
    return [s for s in re.split(r"(?<=[.!?])\s+(?=[A-Z])", text) if s]


def orders(text: str) -> list[Order]:
    """Orders of a text, one for each sentence and kind."""
    return [order for sentence in sentences(text) for order in _orders(sentence)]


@functools.cache
def _orders(sentence: str) -> list[Order]:
    return [
        Order(kind, bool(CONDITION.search(sentence)), sentence)
        for kind, pattern in KINDS.items()
        if re.search(pattern, sentence, re.I)
    ]


def contradictions(text: str) -> list[tuple[Order, Order]]:
    """Forbidden pairs in a text, of sentences that order without a condition."""
    found: dict[str, Order] = {}
    for order in orders(text):
        if not order.conditional:
            found.setdefault(order.kind, order)
    return [(found[a], found[b]) for a, b in FORBIDDEN if a in found and b in found]
