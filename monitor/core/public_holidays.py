"""Public holidays of a country and its regions. Only this module knows the library `holidays`."""

from __future__ import annotations

import functools
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

LANGUAGE = "en_US"
"""Language of the names, where the library has it."""
NAMED_MAX = 60
"""Most regions that a message names."""


class Holiday(NamedTuple):
    """A public holiday."""

    day: date
    name: str


def country_fault(country: str) -> str:
    """Fault of a country's code; empty if there is none. An empty code is none."""
    if not country or country in _regions():
        return ""
    return f"{country!r}: must be a country code of two letters (ISO 3166-1), such as FR, or empty"


def region_fault(country: str, region: str) -> str:
    """Fault of a region's code; empty if there is none."""
    if not region:
        return ""
    if not country:
        return f"{region!r}: enter its country as well"
    known = _regions().get(country, ())
    if region in known:
        return ""
    if not known:
        return f"{region!r}: must be empty, since no regions of {country} are known"
    more = ", ..." if len(known) > NAMED_MAX else ""
    return f"{region!r}: must be one of {', '.join(known[:NAMED_MAX])}{more}, or empty"


def public_holidays(country: str, region: str, first: date, last: date) -> list[Holiday]:
    """Public holidays from one day to another, both included; none without a country."""
    if not country:
        return []
    import holidays  # it takes a quarter of a second

    found: Mapping[date, str] = holidays.country_holidays(
        country, subdiv=region or None, years=range(first.year, last.year + 1), language=LANGUAGE
    )
    return [Holiday(day, name) for day, name in sorted(found.items()) if first <= day <= last]


def next_year(country: str, region: str, today: date) -> list[Holiday]:
    """Public holidays of the next twelve months, today included."""
    return public_holidays(country, region, today, today + timedelta(days=365))


@functools.cache
def countries() -> tuple[str, ...]:
    """Codes of the countries that are known."""
    return tuple(sorted(_regions()))


@functools.cache
def _regions() -> dict[str, tuple[str, ...]]:
    import holidays

    listed = holidays.list_supported_countries(include_aliases=False)
    return {country: tuple(regions) for country, regions in listed.items()}
