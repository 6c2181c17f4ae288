"""Sources of forecasts of the outdoor air, and the elements and units that they may hold."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal
from urllib.parse import urlsplit

from monitor.core.measurements import Measure, Quantity, name_fault
from monitor.core.units import UNITS, Conversion
from monitor.domain.forecast import MEMBERS_MAX
from monitor.domain.topic_rules import Pick, TimePick


class Element(StrEnum):
    """Element of a forecast. The value is its name in settings."""

    TEMPERATURE = "temperature"
    HUMIDITY = "humidity"
    DEW_POINT = "dew_point"
    WIND = "wind"
    PRESSURE = "pressure"


ELEMENTS: dict[Element, Measure] = {
    Element.TEMPERATURE: Measure("°C", -45.0, 60.0, "temp_c"),
    # Supersaturated air in a model's output; what is above 100 is kept as saturated and said.
    Element.HUMIDITY: Measure("%", 0.5, 105.0, "rh_pct"),
    Element.DEW_POINT: Measure("°C", -80.0, 60.0, "dew_point_c"),
    Element.WIND: Measure("m/s", 0.0, 75.0, "wind_m_s"),
    Element.PRESSURE: Measure("Pa", 50_000.0, 108_500.0, "pressure_pa"),
}
"""Unit and believable range of each. Temperature: range of our formulas over water (WMO-No. 8);
the others: common practice, no source. Pressure is that of the place, not of sea level."""

ELEMENT_UNITS: dict[Element, dict[str, Conversion]] = {
    Element.TEMPERATURE: UNITS[Quantity.TEMPERATURE],
    Element.HUMIDITY: UNITS[Quantity.HUMIDITY],
    Element.DEW_POINT: UNITS[Quantity.TEMPERATURE],
    Element.WIND: {
        "m/s": Conversion(1.0, 0.0),
        "km/h": Conversion(1 / 3.6, 0.0),
        "mph": Conversion(0.44704, 0.0),
        "kn": Conversion(1852 / 3600, 0.0),
    },
    Element.PRESSURE: UNITS[Quantity.PRESSURE],
}
"""Units taken for each element. International mile and nautical mile by definition (1609.344 m,
1852 m)."""

SERVICES = ("met-norway", "us-nws")
"""The open services that an adapter is ready for."""


@dataclass(frozen=True, kw_only=True)
class ForecastSource:
    """A source of forecasts, in the order of preference that the settings give.

    With `service`, one of `SERVICES` is asked. With `url` and `elements`, any JSON over HTTP: the
    hours are the list at `hours`, and the pointers of `time` and `elements` start in each; without
    `hours` each of them points to a list of its own, all of one length. `{latitude}` and
    `{longitude}` in `url` stand for the shop's. With neither, what comes by MQTT or as a file under
    this name is meant.

    If an answer has `members` of an ensemble, the pointers of `member_elements` are used for each of
    them: `{member}` in a pointer stands for its number from 1, `{member:02}` for the same with two
    digits, `{index}` for its number from 0.

    `url` beside `service` is where that service is reached instead. `url` and `headers` may hold a
    key: they are never shown.
    """

    id: str
    service: Literal["met-norway", "us-nws"] | None = None
    url: str = field(default="", repr=False)
    headers: dict[str, str] = field(default_factory=dict, repr=False)
    hours: str | None = None
    time: TimePick | None = None
    issued: TimePick | None = None
    elements: dict[Element, Pick] = field(default_factory=dict)
    members: int = 0
    member_elements: dict[Element, Pick] = field(default_factory=dict)
    attribution: str = ""

    @property
    def asked(self) -> bool:
        """True if the source is fetched over the network, rather than waited for."""
        return bool(self.service or self.url)


def source_faults(source: ForecastSource) -> list[str]:
    """Everything that is wrong with a source, each as a sentence without what may be secret."""
    faults = []
    if fault := name_fault(source.id):
        faults.append(f"id {source.id!r} {fault}")
    if source.url and (fault := url_fault(source.url)):
        faults.append(f"url {fault}")
    for name, value in source.headers.items():
        if not name.replace("-", "").isalnum() or not name.isascii():
            faults.append("a name in headers may have letters, digits and - only")
        elif not value.isascii() or not value.isprintable():
            faults.append(f"headers.{name} must be printable ASCII")
    own = {
        "hours": source.hours,
        "time": source.time,
        "issued": source.issued,
        "elements": source.elements,
        "members": source.members,
        "member_elements": source.member_elements,
    }
    if source.service or not source.url:
        faults += [f"{name} belongs to a url without service" for name, v in own.items() if v]
        return faults
    if source.time is None:
        faults.append("time is missing: its pointer, and its unit s, ms or iso")
    own_or_members = source.elements or source.member_elements
    if Element.TEMPERATURE not in own_or_members:
        faults.append("elements has no temperature")
    if not {Element.HUMIDITY, Element.DEW_POINT} & set(own_or_members):
        faults.append("elements needs humidity or dew_point")
    faults += _member_faults(source)
    faults += [
        f"unit {pick.unit!r} does not fit {element}: must be one of "
        + ", ".join(ELEMENT_UNITS[element])
        for elements in (source.elements, source.member_elements)
        for element, pick in elements.items()
        if pick.unit not in ELEMENT_UNITS[element]
    ]
    picks: list[Pick | TimePick] = [
        *source.elements.values(),
        *source.member_elements.values(),
        *(p for p in (source.time, source.issued) if p),
    ]
    pointers = [pick.pointer for pick in picks] + [source.hours or ""]
    faults += [
        f"pointer {pointer!r} must be empty or start with / (RFC 6901)"
        for pointer in pointers
        if pointer and not pointer.startswith("/")
    ]
    return faults


def _member_faults(source: ForecastSource) -> list[str]:
    faults = []
    if source.members and not 2 <= source.members <= MEMBERS_MAX:
        faults.append(f"members must be 2 to {MEMBERS_MAX}")
    if bool(source.members) != bool(source.member_elements):
        faults.append("members and member_elements belong together: set both or none")
    if source.member_elements and Element.TEMPERATURE not in source.member_elements:
        faults.append("member_elements has no temperature")
    faults += [
        f"member_elements cannot have {element}: must be temperature, humidity, dew_point or wind"
        for element in source.member_elements
        if element is Element.PRESSURE
    ]
    faults += [
        f"pointer {pick.pointer!r} of member_elements must have {{member}}, {{member:02}} or {{index}}"
        for pick in source.member_elements.values()
        if pointer_of_member(pick.pointer, 1) == pick.pointer
    ]
    return faults


def pointer_of_member(pointer: str, number: int) -> str:
    """Pointer of the member with a number from 1."""
    for placeholder, text in (
        ("{member}", f"{number}"),
        ("{member:02}", f"{number:02}"),
        ("{index}", f"{number - 1}"),
    ):
        pointer = pointer.replace(placeholder, text)
    return pointer


def url_fault(url: str) -> str | None:
    """Reason why nothing can be fetched from `url`, without the URL; None if something can."""
    try:
        parts = urlsplit(url)
        sound = parts.scheme in ("http", "https") and bool(parts.hostname)
        sound = sound and (parts.port is None or parts.port > 0)
    except ValueError:
        sound = False
    if not sound or any(c.isspace() for c in url) or not url.isascii():
        return "must be https://host/... or http://host/..., without spaces"
    if parts.username or parts.password:
        return "must not hold a user or a password: use headers"
    return None
