"""What is typed into fields, read as it stands: numbers, moments, and what is wrong with them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from monitor.core.errors import MonitorError

if TYPE_CHECKING:
    from collections.abc import Mapping


class WishFault(MonitorError, ValueError):
    """Something typed cannot be read. `fields`: what is wrong with each, by its name in the form."""

    def __init__(self, text: str, fields: Mapping[str, str] | None = None) -> None:
        self.fields = dict(fields or {})
        super().__init__(text)


def number(text: str) -> float:
    """A number, with a comma or a point. Raises ValueError if it is none."""
    value = float(text.replace(",", ".").replace("−", "-"))
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is no number")
    return value


def id_of(name: str) -> str:
    """An id from a name: "Cleat, thick" becomes "cleat-thick"."""
    letters = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return "-".join(part for part in letters.split("-") if part)[:40].strip("-")
