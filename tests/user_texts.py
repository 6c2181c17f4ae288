"""Every text that a user may read, in one list.

`PYTHONPATH=. python tests/user_texts.py [package ...]` prints file, line and text of each string
literal that may be shown, then the help of each command and option, then the sheet in German.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import typer.main
from babel.messages.pofile import read_po

from monitor.cli import app
from sensors.simulator.simulate import app as simulate

ROOT = Path(__file__).parent.parent
PACKAGES = [
    *(str(path.relative_to(ROOT)) for path in sorted((ROOT / "monitor").glob("*[a-z]/"))),
    "dashboard",
    "sensors",
]
PACKAGES.remove("monitor/science")
BANNED = {
    r"\b(told|tells?|telling|untold)\b": "say, show, record or send",
    r"\bsaid\b": "typed, stated or entered",
    r"\b(speaks?|spoke)\b": "sends or shows",
    r"\bstands?\b(?! alone)": "is",
    r"\bgiven out\b|\bgives? out\b": "issued",
    r"\bgiv(e|en|es|ing) up\b|\bgave up\b": "stopped, undo",
    r"\btak(e|en) back\b|\btook back\b": "withdrawn",
    r"\bput(s|ting)? (off|away|right)\b": "snooze, hide, correct, postpone",
    r"\bset (it )?going\b": "start",
    r"(?<!there )\b(is|are) no (?!longer)": "is not a",
    r"\btill\b": "until",
    r"\b(whence|thereof|thereby|likewise|nor)\b": "a plain word",
    r"\bby which\b|\bof which\b|\bso that it be\b": "a second sentence",
    r"\bto come\b": "outlook, expected, next",
    r"\b(foreseen|foretold|forebod\w*)\b": "expected",
    r"\blately\b": "recently",
    r"\bprobes?\b": "sensor",
    r"\breservoirs?\b": "tank",
    r"\bat rest\b|\bits rest\b|\bcome to rest\b": "steady, home moisture",
    r"\btwo-way\b": "humidity buffer",
    r"\bheadway\b": "progress",
    r"\bmends?\b": "help",
    r"\beach (day|hour|week|month|year|morning|\d+|\{)": "every",
    r"\bnothing is the matter\b": "no open alerts",
    r"\bworked out\b": "calculated",
    r"\bin sight\b": "expected",
    r"\bheld up by\b": "on hold",
    r"\babout over\b": "more than",
    r"(?<!!)!{2,3}(?!=)": "words",
}
"""Turns that a text for people must not have, each with what stands for it. By plain_words.md."""


def texts(path: Path) -> list[tuple[int, str]]:
    """The string literals of a module that may be shown: no docstrings, no log lines, two words at
    least. The places of a format string are {}."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped: set[int] = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        for one in body if isinstance(body, list) else ():
            if isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant):
                skipped.add(id(one.value))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            of = node.func.value
            if isinstance(of, ast.Name) and of.id == "log":
                skipped |= {id(part) for part in ast.walk(node)}
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(part) for part in node.values if isinstance(part, ast.Constant)}
    found = []
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.JoinedStr):
            parts = [p.value if isinstance(p, ast.Constant) else "{}" for p in node.values]
            found.append((node.lineno, "".join(map(str, parts))))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.append((node.lineno, node.value))
    return [(line, text) for line, text in found if re.search(r"[A-Za-z{}]+ [A-Za-z{}]+", text)]


def of_package(package: str) -> Iterator[tuple[str, str]]:
    """Place, `file:line`, and text of each string literal of a package that may be shown."""
    for path in sorted((ROOT / package).rglob("*.py")):
        for line, text in texts(path):
            yield f"{path.relative_to(ROOT)}:{line}", text


def commands() -> Iterator[tuple[str, object]]:
    """Each command and group of the command line by its full name."""
    yield from _under(typer.main.get_command(app), "benchweather")
    yield "benchweather sensor simulate", typer.main.get_command(simulate)


def _under(command: object, name: str) -> Iterator[tuple[str, object]]:
    if not command.hidden:
        yield name, command
    for below, one in getattr(command, "commands", {}).items():
        yield from _under(one, f"{name} {below}")


def helps() -> Iterator[tuple[str, str]]:
    """The help of each command, and of each of its options and arguments, by its name."""
    for name, command in commands():
        yield name, " ".join((command.help or "").split())
        for one in command.params:
            if not getattr(one, "hidden", False) and one.name not in ("help", "version"):
                yield f"{name} {max([*one.opts, one.name or ''], key=len)}", one.help or ""


def sheet() -> Iterator[tuple[str, str]]:
    """The texts of a client's sheet in German."""
    file = ROOT / "monitor/clients/locale/de.po"
    with file.open("rb") as content:
        for one in read_po(content, locale="de"):
            if one.id:
                yield f"{file.relative_to(ROOT)}:{one.lineno}", str(one.string)


def main(packages: list[str]) -> None:
    """Print every text, or those of some packages."""
    found = [item for package in packages or PACKAGES for item in of_package(package)]
    if not packages:
        found += [*helps(), *sheet()]
    for place, text in found:
        print(f"{place}\t{' '.join(text.split())}")


if __name__ == "__main__":
    main(sys.argv[1:])
