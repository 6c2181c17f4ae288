"""A client's language: words out of the catalogues, figures, dates and units by locale.

The words are English in the code; a catalogue is `locale/<language>.po` beside this file, read as it
is.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from datetime import date
from importlib.resources import files

from monitor.clients.catalogue import Catalogue
from monitor.clients.regions import region_of
from monitor.core import formats
from monitor.core.errors import MonitorError
from monitor.core.units import VOLUMES_L
from monitor.science.quantiles import QuantileRange

LANGUAGES = {"en": "GB", "de": "DE"}
"""Languages a sheet can be in, each with the region that is meant where none is said; English stands
in the code."""
US_MEASURES = frozenset({"US", "LR"})
"""Regions that use ounces and gallons, by ISO 3166 code. From memory."""
LETTER = frozenset({"US", "CA", "MX", "PH", "CL", "CO", "CR", "GT", "PA", "PR", "SV", "VE"})
"""Regions with paper of the size Letter, by ISO 3166 code. From memory."""
G_PER_OZ = 28.3495
"""Ounce of weight. [g]  NIST SP 811, from memory."""


class LanguageFault(MonitorError, ValueError):
    """No sheet can be made in this language."""


def marked(text: str) -> str:
    """A text for the catalogue that is looked up later."""
    return text


@functools.cache
def _catalogue(language: str) -> Catalogue:
    source = files("monitor.clients") / "locale" / f"{language}.po"
    return Catalogue(source.read_text(encoding="utf-8")) if source.is_file() else Catalogue()


class Language:
    """A locale such as en-GB, en-US, de-DE, or a language alone. `unit` C or F overrules the
    region's.

    Raises
    ------
    LanguageFault
        If there is no such locale, or no catalogue for its language.
    """

    def __init__(self, code: str, unit: str = "") -> None:
        found = region_of(f"{code}-{LANGUAGES[code]}" if code in LANGUAGES else code)
        if found is None:
            known = ", ".join(LANGUAGES)
            raise LanguageFault(
                f"language {code!r:.20}: must be one of {known}, with a region: such as en-GB, "
                "en-US or de-DE"
            )
        self._region, self.code = found, found.code
        region = found.region
        self.fahrenheit = unit == "F" if unit else region in formats.FAHRENHEIT_REGIONS
        self.us_measures = region in US_MEASURES
        self.paper = "us-letter" if region in LETTER else "a4"
        self._words = _catalogue(found.language)

    def text(self, words: str, **values: object) -> str:
        """A text of the catalogue, with its named places filled in."""
        return self._words.gettext(words).format(**values)

    def many(self, one: str, more: str, n: float, **values: object) -> str:
        """The form of a text that a number asks for; `{n}` is the number."""
        number = {"n": self.number(n)} | values
        return self._words.ngettext(one, more, round(n)).format(**number)

    def number(self, value: float, digits: int = 0) -> str:
        """A figure, rounded."""
        return self._region.number(round(value, digits) + 0.0, digits).replace("-", "−")

    def span(self, low: float, high: float, digits: int = 0) -> str:
        """Range of two figures: "9 to 26", or one figure where they are the same."""
        a, b = self.number(low, digits), self.number(high, digits)
        return a if a == b else self.text("{low} to {high}", low=a, high=b)

    def range(self, values: QuantileRange | Sequence[float], digits: int = 0) -> str:
        """The middle, and in brackets from where to where."""
        low, middle, high = values
        span = self.span(low, high, digits)
        figure = self.number(middle, digits)
        return figure if span == figure else f"{figure} ({span})"

    def percent(self, value: float) -> str:
        return f"{self.number(value)} %"

    def temperature(self, temp_c: float) -> str:
        unit = formats.unit_of(self.fahrenheit)
        return f"{self.number(formats.in_unit(temp_c, unit))} {formats.degree(unit)}"

    def kelvin(self, difference_k: float) -> str:
        """A difference of temperatures."""
        unit = formats.unit_of(self.fahrenheit)
        return (
            f"{self.number(difference_k * (1.8 if self.fahrenheit else 1))} {formats.degree(unit)}"
        )

    def of_ten(self, share: float) -> str:
        """A share in words, as so many of 10."""
        tenths = round(10 * share)
        if share <= 0:
            return self.text("none of 10")
        if share >= 1:
            return self.text("10 of 10")
        if tenths == 0:
            return self.text("fewer than 1 of 10")
        if tenths == 10:
            return self.text("more than 9 of 10")
        return self.text("about {n} of 10", n=self.number(tenths))

    def water(self, millilitres: float) -> str:
        """Water for a case: millilitres or fluid ounces."""
        if self.us_measures:
            return f"{self.number(millilitres / 1000 / VOLUMES_L['fl oz'], 1)} fl oz"
        return self.text("{n} mL", n=self.number(millilitres, 1 if millilitres < 10 else 0))

    def water_range(self, millilitres: QuantileRange) -> str:
        """Water for a case, and in brackets from where to where, in figures that show it."""
        if self.us_measures:
            ounces = [ml / 1000 / VOLUMES_L["fl oz"] for ml in millilitres]
            return f"{self.range(ounces, 2 if ounces[0] < 1 else 1)} fl oz"
        return self.text("{n} mL", n=self.range(millilitres, 1 if millilitres.low < 10 else 0))

    def litres(self, litres: float) -> str:
        """Water for a room: litres or gallons."""
        if self.us_measures:
            return f"{self.number(litres / VOLUMES_L['gal'], 1)} gal"
        digits = 1 if litres < 10 and litres % 1 else 0
        return self.text("{n} L", n=self.number(litres, digits))

    def mass(self, grams: float) -> str:
        if self.us_measures:
            return f"{self.number(grams / G_PER_OZ, 1 if grams < 300 else 0)} oz"
        return f"{self.number(grams)} g"

    def day(self, moment: date) -> str:
        """A date in full."""
        return self._region.long_date(moment)

    def month(self, number: int) -> str:
        """The name of a month, 1 to 12."""
        return self._region.months[number - 1]

    def month_short(self, number: int) -> str:
        return self._region.months_short[number - 1].rstrip(".")

    def listed(self, months: Sequence[int]) -> str:
        """Months of the year in words: from the first to the last of each stretch."""
        if len(months) == 12:
            return self.text("all year")
        begins = [m for m in months if (m - 2) % 12 + 1 not in months]
        spans = []
        for first in begins:
            last = first
            while last % 12 + 1 in months:
                last = last % 12 + 1
            name = self.month(first)
            spans.append(
                name
                if first == last
                else self.text("{first} to {last}", first=name, last=self.month(last))
            )
        return ", ".join(spans)
