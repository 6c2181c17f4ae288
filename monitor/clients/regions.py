"""Forms of figures and dates by language and region, from the Unicode CLDR.

`locale/regions.json` holds what the sheets need of it; `tests/generated_texts.py` makes it from Babel,
whose whole data are 33 MB. Its licence: Unicode-3.0.
"""

from __future__ import annotations

import functools
import json
import re
from datetime import date
from importlib.resources import files
from typing import NamedTuple


class Region(NamedTuple):
    """A language in a region. `region` is its ISO 3166 code, empty where only the language is named.

    `months` and `months_short` are of January to December; `day` is a CLDR pattern of `d`, `dd`,
    `MMMM` and `y`.
    """

    language: str
    region: str
    decimal: str
    group: str
    months: tuple[str, ...]
    months_short: tuple[str, ...]
    day: str

    @property
    def code(self) -> str:
        """Code such as de-AT."""
        return f"{self.language}-{self.region}" if self.region else self.language

    def number(self, value: float, digits: int) -> str:
        """A figure with its thousands grouped."""
        english = str.maketrans(",.", "\0\1")
        text = f"{value:,.{digits}f}".translate(english)
        return text.replace("\0", self.group).replace("\1", self.decimal)

    def long_date(self, moment: date) -> str:
        """A date in full."""
        parts = {
            "d": str(moment.day),
            "dd": f"{moment.day:02}",
            "MMMM": self.months[moment.month - 1],
            "y": str(moment.year),
        }
        return re.sub(r"MMMM|dd?|y", lambda found: parts[found[0]], self.day)


@functools.cache
def _regions() -> dict[str, Region]:
    text = (files("monitor.clients") / "locale" / "regions.json").read_text(encoding="utf-8")
    found = {}
    for one in json.loads(text):
        for code in one.pop("codes"):
            language, _, region = code.partition("-")
            found[code] = Region(
                language,
                region,
                one["decimal"],
                one["group"],
                tuple(one["months"]),
                tuple(one["months_short"]),
                one["day"],
            )
    return found


def region_of(code: str) -> Region | None:
    """The region of a code such as en-GB or de, in any case; None if CLDR has none."""
    language, _, region = code.partition("-")
    return _regions().get(f"{language.lower()}-{region.upper()}" if region else language.lower())
