"""The manual: its subjects in order, their text, and a search over their sections."""

from __future__ import annotations

import functools
import re
from importlib.resources import files
from typing import NamedTuple

SUBJECTS = (
    "start",
    "air",
    "sensors",
    "sensor-board",
    "calibration",
    "bench",
    "glue",
    "proof",
    "repairs",
    "wood",
    "outlook",
    "alerts",
    "clients",
    "past",
    "frames",
    "network",
    "security",
    "backup",
    "upkeep",
    "store",
    "commands",
    "settings",
    "safety",
    "limits",
)
"""File names without `.md`, in the order of the table of contents."""
FOUND_MAX = 20
"""Most sections that a search shows."""
SNIPPET = 180
"""Length of the text shown of a section that was found. [characters]"""
_HEADING = re.compile(r"^(#{1,3}) (.+)$")


class Subject(NamedTuple):
    """File of the manual."""

    name: str
    title: str
    source: str


class ManualSection(NamedTuple):
    """The text under one heading, without marks."""

    subject: Subject
    heading: str
    anchor: str
    text: str


class Found(NamedTuple):
    """A section that holds all words of a search, with the text around the first of them."""

    section: ManualSection
    snippet: str


@functools.cache
def subjects() -> dict[str, Subject]:
    """Every subject by name."""
    folder = files("dashboard.help")
    found = {}
    for name in SUBJECTS:
        source = (folder / f"{name}.md").read_text(encoding="utf-8")
        found[name] = Subject(name, source.partition("\n")[0].removeprefix("# "), source)
    return found


def anchor_of(heading: str) -> str:
    """Identifier of a heading in an address, as code hosts make it: lower case, hyphens."""
    return re.sub(r"\s", "-", re.sub(r"[^\w\s-]", "", heading.lower()).strip())


@functools.cache
def sections() -> tuple[ManualSection, ...]:
    """The whole manual, cut at its headings."""
    return tuple(section for subject in subjects().values() for section in _cut(subject))


def _cut(subject: Subject) -> list[ManualSection]:
    found: list[ManualSection] = []
    lines: list[str] = []
    heading, fenced = subject.title, False
    for line in subject.source.splitlines()[1:]:
        fenced ^= line.startswith("```")
        if (match := _HEADING.match(line)) and not fenced:
            found.append(_section(subject, heading, lines))
            heading, lines = match[2], []
        else:
            lines.append(line)
    return [*found, _section(subject, heading, lines)]


def _section(subject: Subject, heading: str, lines: list[str]) -> ManualSection:
    text = re.sub(r"<!--.*?-->", "", "\n".join(lines), flags=re.DOTALL)
    text = re.sub(r"^```.*$|^\|[-| ]+\|$|^- ", "", text, flags=re.MULTILINE)
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text)
    text = re.sub(r"(?<![\w*])\*([^*\s][^*]*)\*(?![\w*])", r"\1", text)
    text = " ".join(re.sub(r"\*\*|[`|]", " ", text).split())
    return ManualSection(subject, _plain(heading), anchor_of(heading), text)


def _plain(text: str) -> str:
    return text.replace("`", "")


def search(query: str) -> list[Found]:
    """Sections that hold every word of a query, those with the words in a heading first."""
    words = query.lower().split()
    if not words:
        return []
    hits = []
    for order, section in enumerate(sections()):
        head = f"{section.subject.title} {section.heading}".lower()
        body = section.text.lower()
        if all(word in head or word in body for word in words):
            weight = sum(word in head for word in words)
            hits.append((-weight, order, Found(section, _snippet(section.text, words))))
    return [found for _, _, found in sorted(hits)[:FOUND_MAX]]


def _snippet(text: str, words: list[str]) -> str:
    lower = text.lower()
    first = min((at for word in words if (at := lower.find(word)) >= 0), default=0)
    start = max(0, first - SNIPPET // 3)
    if start:
        start = text.find(" ", start) + 1
    end = len(text) if len(text) <= start + SNIPPET else text.rfind(" ", start, start + SNIPPET)
    return ("… " if start else "") + text[start:end] + (" …" if end < len(text) else "")
