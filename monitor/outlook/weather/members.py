"""Members of a forecast: read from JSON, validated, and drawn through quantiles.

JSON: `"members": [{"temp_c": [...], "rh_pct": [...]}, ...]`, a value for each of the forecast's
hours; null where a member has none, and a shorter list ends earlier. `dew_point_c` may replace
`rh_pct`; `wind_m_s` is optional. `"quantiles"` is the same, each with its `level`, such as 0.1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from statistics import NormalDist
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from monitor.core.errors import BadPayload
from monitor.core.json_documents import number_of
from monitor.domain.forecast import MEMBERS_MAX, Forecast, Members
from monitor.domain.forecast_source import ELEMENTS, Element
from monitor.science.air import relative_humidity
from monitor.science.outlook.weather_members import known_mean

if TYPE_CHECKING:
    from monitor.science.ranges import Floats

FEWEST = 2
"""Fewest members, or quantiles. [-]"""
LEFT_OUT_MAX = 0.1
"""Largest part of impossible values before all are rejected. [-]  Ours."""
APART_K = 5.0
"""Median distance of the members' mean from the forecast from which they are for another place, or in
another unit. [K]  Ours, as `agreement.APART_K`."""
DRAWN = 20
"""Members drawn through quantiles. [-]  Ours."""
LEVEL_MIN, LEVEL_MAX = 0.01, 0.99
LEVELS_APART = 0.01
"""Least difference of two levels. [-]  Ours: beyond closer ones the line through them leads anywhere."""
ALONG, CROSS = 24.0, 0.4
"""Values along its lead over which a drawn member keeps its rank, and how far its ranks of temperature
and humidity go together. [-]  Ours: quantiles have neither."""
SEED = 20_261_130

KINDS = (Element.TEMPERATURE, Element.HUMIDITY, Element.DEW_POINT, Element.WIND)
"""Elements that members may have."""


class RawMembers(NamedTuple):
    """Values of members, in the units of `ELEMENTS`, before validation.

    `values` each of shape (members, n), NaN where there is no value; `levels` (members,) if they are
    quantiles, else empty. `name` of each in error texts.
    """

    values: Mapping[Element, Floats]
    levels: tuple[float, ...] = ()
    names: tuple[str, ...] = ()


def from_json(
    document: Mapping[str, Any], hours: int, names: Mapping[str, Element]
) -> RawMembers | None:
    """The members of a JSON document with so many hours; None if it has none. `names` of the fields
    by the element that each holds.

    Raises
    ------
    BadPayload
    """
    if "members" in document and "quantiles" in document:
        raise BadPayload("it has members and quantiles: must have one of the two")
    kind = "quantiles" if "quantiles" in document else "members"
    if kind not in document:
        return None
    listed = document[kind]
    if not isinstance(listed, list):
        raise BadPayload(f"{kind} must be a list of objects")
    check_count(kind, len(listed))
    known = [name for name, element in names.items() if element in KINDS]
    found = {names[name]: np.full((len(listed), hours), np.nan) for name in known}
    levels = []
    for i, one in enumerate(listed):
        where = f"{kind[:-1]} {i + 1}"
        if not isinstance(one, dict):
            raise BadPayload(f"{where}: must be an object of {', '.join(known)}")
        fields = {name: value for name, value in one.items() if name != "level"}
        if kind == "members" and "level" in one:
            raise BadPayload(f"{where}: level belongs to quantiles")
        if unknown := sorted(set(fields) - set(known)):
            raise BadPayload(
                f"{where}: {unknown[0][:40]!r} is not known: must be one of {', '.join(known)}"
            )
        if kind == "quantiles":
            levels.append(number_of(one.get("level"), f"{where}: level"))
        for name, values in fields.items():
            if not isinstance(values, list) or len(values) > hours:
                raise BadPayload(f"{where}: {name} must be a list of at most {hours} values")
            for hour, value in enumerate(values):
                if value is not None:
                    found[names[name]][i, hour] = number_of(
                        value, f"{where}, hour {hour + 1}: {name}"
                    )
    given = {element: values for element, values in found.items() if not np.isnan(values).all()}
    return RawMembers(
        given, tuple(levels), tuple(f"{kind[:-1]} {i + 1}" for i in range(len(listed)))
    )


def check_count(kind: str, count: int) -> None:
    """Reject too few or too many members or quantiles.

    Raises
    ------
    BadPayload
    """
    if not FEWEST <= count <= MEMBERS_MAX:
        raise BadPayload(f"{count} {kind}: must be {FEWEST} to {MEMBERS_MAX}")


def members_of(raw: RawMembers, notes: list[str]) -> Members:
    """Validated members of a document.

    Quantiles become `DRAWN` members through them. What is left out is noted.

    Raises
    ------
    BadPayload
        If there is no temperature, more than a tenth of the values cannot be believed, or quantiles
        do not rise with their level.
    """
    kind = "quantiles" if raw.levels else "members"
    if Element.TEMPERATURE not in raw.values:
        raise BadPayload(f"the {kind} have no temp_c")
    values = _believable(raw, notes)
    if raw.levels:
        _check_levels(raw, values)
        notes.append(
            f"{DRAWN} members are drawn through its quantiles "
            + ", ".join(f"{100 * level:g} %" for level in raw.levels)
        )
        values = _through(raw.levels, values)
    none = np.full(values[Element.TEMPERATURE].shape, np.nan)
    temp, rh, dew, wind = (values.get(element, none) for element in KINDS)
    rh = np.where(np.isnan(dew), rh, relative_humidity(temp, np.minimum(dew, temp)))
    if np.isnan(rh).all():
        notes.append(f"the {kind} have no humidity: the forecast's own is used for all")
    silent: np.ndarray = np.all(np.isnan(temp), axis=1)
    if silent.any():
        notes.append(f"{int(silent.sum())} of {len(silent)} members have no value: left out")
    kept = Members(*(field[~silent] for field in (temp, np.minimum(rh, 100.0), wind)))
    check_count("members with a value", len(kept.temp_c))
    return kept


def means(members: Members) -> dict[Element, Floats]:
    """Means of temperature, dew point and wind over the members that have them, shape (n,); NaN
    where none has."""
    fields = (members.temp_c, members.dew_point_c, members.wind_m_s)
    kinds = (Element.TEMPERATURE, Element.DEW_POINT, Element.WIND)
    return {kind: known_mean(field) for kind, field in zip(kinds, fields, strict=True)}


def check_agreement(members: Members, forecast: Forecast) -> None:
    """Reject members of another place, or in another unit.

    Raises
    ------
    BadPayload
    """
    mean = means(members)
    for name, theirs, own in (
        ("temp_c", mean[Element.TEMPERATURE], forecast.temp_c),
        ("the dew point", mean[Element.DEW_POINT], forecast.dew_point_c),
    ):
        apart = theirs - own
        if np.isnan(apart).all():
            continue
        median = float(np.nanmedian(apart))
        if abs(median) > APART_K:
            side = "above" if median > 0 else "below"
            raise BadPayload(
                f"the members' mean of {name} is {abs(median):.1f} K {side} the forecast's own in "
                f"half of the hours: must be within {APART_K:g} K. Check the place and the unit"
            )


def _believable(raw: RawMembers, notes: list[str]) -> dict[Element, Floats]:
    found: dict[Element, Floats] = {}
    faults: list[str] = []
    total = out_count = 0
    for element, values in raw.values.items():
        measure = ELEMENTS[element]
        out = ~np.isnan(values) & ~((values >= measure.low) & (values <= measure.high))
        if out.any():
            i, hour = (int(n) for n in np.argwhere(out)[0])
            name = raw.names[i] if raw.names else f"member {i + 1}"
            faults.append(
                f"{name}, hour {hour + 1}: {element} = {values[i, hour]:g} {measure.unit}, must be "
                f"{measure.low:g} to {measure.high:g} {measure.unit}"
            )
        total += int((~np.isnan(values)).sum())
        out_count += int(out.sum())
        found[element] = np.where(out, np.nan, values)
    if out_count > LEFT_OUT_MAX * total:
        raise BadPayload(
            f"{out_count} of {total} values of members are not plausible: {faults[0]}"
        )
    if out_count:
        notes.append(
            f"values of members that are not plausible are left out ({out_count}): {faults[0]}"
        )
    return found


def _check_levels(raw: RawMembers, values: Mapping[Element, Floats]) -> None:
    for level in raw.levels:
        if not LEVEL_MIN <= level <= LEVEL_MAX:
            raise BadPayload(f"level = {level:g}: must be {LEVEL_MIN:g} to {LEVEL_MAX:g}")
    if any(round(b - a, 9) < LEVELS_APART for a, b in pairwise(raw.levels)):
        raise BadPayload(
            "the levels of quantiles must rise: each must be at least "
            f"{LEVELS_APART:g} above the one before it"
        )
    if Element.HUMIDITY in values and Element.DEW_POINT in values:
        raise BadPayload("quantiles must have rh_pct or dew_point_c, not both")
    for element, table in values.items():
        falls = np.argwhere(np.diff(table, axis=0) < 0)
        if len(falls):
            i, hour = falls[0].tolist()
            raise BadPayload(
                f"{raw.names[i + 1]}, hour {hour + 1}: {element} = {table[i + 1, hour]:g} at level "
                f"{raw.levels[i + 1]:g} is below {table[i, hour]:g} at level {raw.levels[i]:g}: must "
                "rise with the level"
            )


def _through(levels: Sequence[float], values: Mapping[Element, Floats]) -> dict[Element, Floats]:
    """Members drawn through quantiles (levels, n): at each hour their ranks are spread evenly, and a
    member keeps its rank for `ALONG` values. Straight lines in the normal score between the levels and
    beyond them."""
    n = values[Element.TEMPERATURE].shape[1]
    random = np.random.default_rng(SEED)
    first, other = (_scores(random, n) for _ in range(2))
    out = {}
    for element, table in values.items():
        # Warm and damp go together for the dew point; warm air lowers RH.
        sign = {Element.DEW_POINT: CROSS, Element.HUMIDITY: -CROSS}.get(element, 1.0)
        z = (
            first
            if element is Element.TEMPERATURE
            else sign * first + (1 - CROSS**2) ** 0.5 * other
        )
        z = _even(z)
        at = np.array([NormalDist().inv_cdf(level) for level in levels])
        i = np.clip(np.searchsorted(at, z) - 1, 0, len(at) - 2)
        column = np.arange(n)[None, :]
        low, high = table[i, column], table[i + 1, column]
        out[element] = low + (high - low) * (z - at[i]) / (at[i + 1] - at[i])
        measure = ELEMENTS[element]
        out[element] = np.clip(out[element], measure.low, measure.high)
    return out


def _scores(random: np.random.Generator, n: int) -> Floats:
    """Normal noise (DRAWN, n) that lasts `ALONG` values along the lead."""
    keep = float(np.exp(-1 / ALONG))
    kicks = random.standard_normal((DRAWN, n))
    kicks[:, 1:] *= np.sqrt(1 - keep**2)
    for i in range(1, n):
        kicks[:, i] += keep * kicks[:, i - 1]
    return kicks


def _even(z: Floats) -> Floats:
    """Normal scores with the ranks of `z` in each column, evenly spread."""
    ranks = np.argsort(np.argsort(z, axis=0), axis=0)
    scores = np.array([NormalDist().inv_cdf((i + 0.5) / len(z)) for i in range(len(z))])
    return np.asarray(scores[ranks])
