"""Gettext catalogues read from their text files, so that nothing has to be compiled for the wheel."""

from __future__ import annotations

import ast
import gettext
import re

_LINE = re.compile(r'(?:(msgid|msgid_plural|msgstr)(?:\[(\d)\])? )?(".*")')
_PLURAL = re.compile(r"plural=([^;]+)")


class Catalogue(gettext.NullTranslations):
    """The texts of one language; one that is not there is the English text itself."""

    def __init__(self, source: str = "") -> None:
        super().__init__()
        self._texts: dict[tuple[str, int], str] = {}
        self._form = gettext.c2py("n != 1")
        for entry in re.split(r"\n\s*\n", source):
            self._add(entry)

    def _add(self, entry: str) -> None:
        parts: dict[str, str] = {}
        name = ""
        for line in entry.splitlines():
            if found := _LINE.fullmatch(line.strip()):
                if found[1]:
                    name = found[1] + (found[2] or "")
                parts[name] = parts.get(name, "") + ast.literal_eval(found[3])
        english = parts.pop("msgid", None)
        parts.pop("msgid_plural", None)
        if english:
            for key, text in parts.items():
                self._texts[english, int(key.removeprefix("msgstr") or 0)] = text
        elif found := _PLURAL.search(parts.get("msgstr", "")):
            self._form = gettext.c2py(found[1])

    def gettext(self, message: str) -> str:
        return self._texts.get((message, 0)) or message

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        english = msgid1 if n == 1 else msgid2
        return self._texts.get((msgid1, self._form(n))) or english
