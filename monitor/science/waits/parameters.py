"""The parameters of a law: each with unit, allowed range, help and source, so that all can be
listed and changed."""

from __future__ import annotations

from dataclasses import field, fields
from enum import IntEnum
from typing import Any, NamedTuple

from monitor.core.errors import OutOfRange
from monitor.science.ranges import checked

PRACTICE = "common practice, no source"
POLICY = "ours"
REFERENCE_TEMP_C, REFERENCE_RH_PCT = 20.0, 50.0
"""Reference air: where a wait takes exactly its basis. [°C], [%]  Ours."""

PROGRESS_MOST = 9.0
"""Largest progress: glue drier than reference air's own balance would need an
endless wait in reference air. [-]  Ours."""

GAS = 8.314462e-3
"""Gas constant. [kJ/(mol K)]"""


class Hold(IntEnum):
    """Reasons why a wait makes no progress."""

    NONE = 0
    DAMP = 1
    COLD = 2
    WOOD_DAMP = 3
    DRY = 4
    HOT = 5
    SHUT = 6


class Parameter(NamedTuple):
    """Parameter of a law: value, unit, range, help and source."""

    name: str
    value: float
    unit: str
    low: float
    high: float
    help: str
    source: str


def parameter(default: float, allowed: str, text: str, source: str = POLICY) -> Any:
    """A field of a law: a number of a range with its unit, "low to high unit", both included.

    >>> dict(parameter(3.0, "0 to 10 K", "Margin").metadata)["high"], POLICY
    (10.0, 'ours')
    """
    low, _, rest = allowed.partition(" to ")
    high, _, unit = rest.partition(" ")
    ends = {"low": float(low), "high": float(high)}
    return field(default=default, metadata={"unit": unit, **ends, "help": text, "source": source})


def parameters(law: Any) -> list[Parameter]:
    """Every parameter of a law, in the order of its fields; none is hidden.

    >>> from monitor.science.waits.timed_rest import RestLaw
    >>> [p.name for p in parameters(RestLaw())][:2]
    ['rh_low_pct', 'rh_high_pct']
    """
    return [Parameter(f.name, getattr(law, f.name), **f.metadata) for f in fields(law)]


def check_parameters(law: Any) -> None:
    """Refuse a law with a parameter outside its range or without a value.

    Raises
    ------
    OutOfRange
    """
    for p in parameters(law):
        if p.value != p.value:
            raise OutOfRange(p.name, p.value, p.unit, p.low, p.high)
        checked(p.name, p.value, p.unit, p.low, p.high)
