"""Tables of README, help and DEVELOPERS.md that are made from the code.

`PYTHONPATH=. python tests/generated_texts.py` writes them;
`tests/project/test_readme.py` says where one is out of date.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import typer.main
import worked_frames
import worked_waits
from babel import Locale, localedata

from monitor.cli import app
from monitor.clients.language import LANGUAGES
from monitor.domain.glue_kinds import KINDS
from monitor.settings.table import table
from monitor.waits.glue_text import limit_words

ROOT = Path(__file__).parent.parent


def settings_table() -> str:
    """Every setting with its default, unit and help."""
    lines = ["| setting | default | unit | meaning |", "|---|---|---|---|"]
    for row in table():
        default = f"`{row.default}`" if str(row.default) else "empty"
        lines.append(f"| `{row.name}` | {default} | {row.unit} | {row.help} |")
    return "\n".join(lines)


def commands_table() -> str:
    """Every command with the first paragraph of its help."""
    lines = ["| command | does |", "|---|---|"]
    lines += [f"| `{name}` | {text} |" for name, text in commands()]
    return "\n".join(lines)


def commands() -> Iterator[tuple[str, str]]:
    """Full name and first paragraph of the help of each command."""
    yield from _under(typer.main.get_command(app), "benchweather")


def _under(group: object, prefix: str) -> Iterator[tuple[str, str]]:
    for name, command in group.commands.items():
        full = f"{prefix} {name}"
        if hasattr(command, "commands"):
            yield from _under(command, full)
        elif not command.hidden:
            yield full, " ".join((command.help or "").partition("\n\n")[0].split())


def packages_table() -> str:
    """Every package of the tree with the first sentence of its docstring; the board's pages in one
    row."""
    lines = ["| package | what it is |", "|---|---|"]
    pages = sorted(p.parent.name for p in (ROOT / "dashboard").glob("*/page.py"))
    pages.remove("access")
    for root in ("monitor", "dashboard", "sensors"):
        for path in [ROOT / root / "__init__.py", *sorted((ROOT / root).glob("*/__init__.py"))]:
            folder = path.parent.relative_to(ROOT)
            if root == "dashboard" and folder.name in pages:
                continue
            text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
            summary = " ".join(text.partition("\n\n")[0].split())
            lines.append(f"| `{folder.as_posix()}` | {summary} |")
        if root == "dashboard":
            lines.append(f"| `dashboard/` {', '.join(pages)} | A page each, under its name. |")
    return "\n".join(lines)


def glues_table() -> str:
    """Every kind of glue with its limits, its time and whether it is kept in a pot."""
    lines = [
        "| kind | in a hot pot | hours hot | keeps | time of its waits |",
        "|---|---|---|---|---|",
    ]
    for kind in KINDS.values():
        hot, keeps = (
            limit_words(limit) if limit else "maker's sheet" for limit in (kind.hot, kind.keeps)
        )
        pot = "yes" if kind.heated else "no"
        time = "formula of the kind of wait" if kind.air_sets else "maker's sheet"
        hot = hot if kind.heated else ""
        lines.append(f"| `{kind.id}`: {kind.name} | {pot} | {hot} | {keeps} | {time} |")
    return "\n".join(lines)


def regions() -> str:
    """`locale/regions.json` of the clients' sheets: each region of their languages, from Babel."""
    variants: dict[str, dict[str, object]] = {}
    for name in sorted(localedata.locale_identifiers()):
        locale = Locale.parse(name)
        if locale.language not in LANGUAGES or locale.script or locale.variant:
            continue
        symbols, months = locale.number_symbols["latn"], locale.months["stand-alone"]
        assert months["wide"] == locale.months["format"]["wide"], name
        one = {
            "decimal": symbols["decimal"],
            "group": symbols["group"],
            "day": locale.date_formats["long"].pattern,
            "months": list(months["wide"].values()),
            "months_short": list(months["abbreviated"].values()),
        }
        variants.setdefault(json.dumps(one), one | {"codes": []})["codes"].append(
            name.replace("_", "-")
        )
    return json.dumps(list(variants.values()), ensure_ascii=False, indent=1) + "\n"


REGIONS = ROOT / "monitor/clients/locale/regions.json"

TABLES: tuple[tuple[str, str, Callable[[], str]], ...] = (
    ("dashboard/help/settings.md", "settings", settings_table),
    ("dashboard/help/commands.md", "commands", commands_table),
    ("dashboard/help/bench.md", "examples", lambda: worked_waits.table().strip()),
    ("dashboard/help/glue.md", "glues", glues_table),
    ("DEVELOPERS.md", "packages", packages_table),
)
"""File, name of the marks around the table, and what makes it."""


def between(text: str, mark: str) -> str:
    """The text between `<!-- mark -->` and `<!-- /mark -->`."""
    found = _marked(mark).search(text)
    if found is None:
        raise ValueError(f"there are no marks <!-- {mark} --> and <!-- /{mark} -->")
    return found[2].rstrip("\n")


def _marked(mark: str) -> re.Pattern[str]:
    return re.compile(rf"(<!-- {mark} -->\n)(.*?)(<!-- /{mark} -->)", re.DOTALL)


def write() -> None:
    """Put each table between its marks."""
    for file, mark, make in TABLES:
        path, table = ROOT / file, make()
        text = path.read_text(encoding="utf-8")
        between(text, mark)
        text = _marked(mark).sub(lambda m, table=table: f"{m[1]}{table}\n{m[3]}", text)
        path.write_text(text, encoding="utf-8")
    worked_frames.PAGE.write_text(worked_frames.page(), encoding="utf-8")
    REGIONS.write_text(regions(), encoding="utf-8")


if __name__ == "__main__":
    write()
