"""A step's form as the request that it means: most of them change the settings."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from dashboard.ui.form_input import id_of
from monitor.core.errors import MonitorError, Rejected
from monitor.domain.events import About
from monitor.domain.guide import GuideStep
from monitor.domain.opening_hours import DAYS
from monitor.domain.settings_change import RestartService

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dashboard.data.shop import ShopData
    from dashboard.ui.form_input import Form
    from monitor.settings import Settings

Paths = dict[tuple[str, ...], Any]
TOPIC = "topic"
"""Step of a tap that confirms the rule for a topic that was heard."""
SAVE = "save"
"""Action of a tap that saves the form of a step."""
CHANNEL = "shop"
"""Id of the channel that the guide sets up."""
MAIL_PORT = 587
LABELS = {
    "name": "Name of the shop",
    "zone": "Time zone",
    "unit": "Temperatures in",
    "place": "Name of the place",
    "kind": "Work done there",
    "low": "Lowest RH of its band (%)",
    "high": "Highest RH of its band (%)",
    "volume": "Size of the room (m³)",
    "to": "Send to this mail address",
    "server": "Mail server, as HOST or HOST:PORT",
    "user": "User name at the mail server",
    "password": "Password at the mail server",
    "url": "Or the address of a push service",
    "latitude": "Latitude, north positive",
    "longitude": "Longitude, east positive",
    "contact": "Your mail address, for the weather service",
    "service": "Source",
    **{day: day.capitalize() for day in DAYS},
}
"""The label of each field."""
_OF_SETTING = {
    "shop.name": "name",
    "shop.time_zone": "zone",
    "board.temperature_unit": "unit",
    "weather.latitude": "latitude",
    "weather.longitude": "longitude",
    "weather.contact": "contact",
    "rh_low_pct": "low",
    "rh_high_pct": "high",
    "volume_m3": "volume",
    "kind": "kind",
    "url": "url",
    "service": "service",
}
"""The field that has a setting, by its name or the last part of it."""


def values_of(tap: Mapping[str, Any], form: Form, *, shop: ShopData) -> dict[str, Any]:
    """The fields of the request that a tap means: a step to skip or to resume, or with `SAVE` the
    settings of its form."""
    step, settings = str(tap.get("step", "")), shop.settings
    if tap.get("do") != SAVE:
        return {"step": step}
    if step == TOPIC:
        return _change(_rule(tap, form, shop), settings)
    save = _SAVES.get(step)
    if save is None:
        return {"step": step}
    return _change(save(form, settings), settings)


def _change(changes: Paths, settings: Settings) -> dict[str, Any]:
    """The request that sets some settings; None leaves one as it is."""
    sets = [{"path": path, "value": v} for path, v in changes.items() if v is not None]
    return {"about": About.SETTINGS, "do": "change", "set": sets, "version": settings.version}


def _rule(tap: Mapping[str, Any], form: Form, shop: ShopData) -> Paths:
    """The rule that was proposed for a topic, with the place that was chosen. The browser sends the
    topic only."""
    heard = {one.topic: one.rule for one in shop.heard_topics().topics}
    rule = heard.get(str(tap.get("of", "")))
    if rule is None:
        raise Rejected("this topic was not heard, or has no rule: listen again")
    place = form.text("place") or rule["place"]
    return {("topics", str(len(shop.settings.topics))): {**rule, "place": place}}


def _required(form: Form, *names: str) -> None:
    for name in names:
        if not form.text(name):
            form.add_fault(name, "is empty: type it, or skip this step")


def _shop(form: Form, settings: Settings) -> Paths:
    _required(form, "name", "place")
    place = form.text("place")
    id_ = next((p.id for p in settings.places if place in (p.id, p.label)), id_of(place))
    if place and not id_:
        form.add_fault("place", "must have a letter from a to z or a digit", place)
    low, high = form.number("low"), form.number("high")
    if (low is None) != (high is None) and not form.faults:
        form.add_fault("low" if low is None else "high", "type both ends of the band, or none")
    elif low is not None and high is not None and low >= high:
        form.add_fault("high", f"must be above {low:g} %", form.text("high"))
    at = ("places", id_)
    return {
        ("shop", "name"): form.text("name"),
        ("shop", "time_zone"): form.text("zone"),
        ("board", "temperature_unit"): _new(form.text("unit"), settings.board.temperature_unit),
        (*at, "name"): place,
        (*at, "kind"): form.text("kind") or None,
        (*at, "rh_low_pct"): low,
        (*at, "rh_high_pct"): high,
        (*at, "volume_m3"): form.number("volume"),
    }


def _new(text: str, present: str) -> str | None:
    """A typed text if it differs from the present setting."""
    return text if text and text != present else None


def _hours(form: Form, _: Settings) -> Paths:
    return {("hours", day): form.text(day) for day in DAYS}


def _channel(form: Form, _: Settings) -> Paths:
    url = form.text("url")
    if not url:
        _required(form, "to", "server")
        url = mail_url(form)
    return {("channels", CHANNEL, "url"): url}


def mail_url(form: Form) -> str:
    """The address of a channel by mail. It is encrypted, except to a server of this computer."""
    host, _, port = form.text("server").partition(":")
    to, user, password = (form.text(name) for name in ("to", "user", "password"))
    if to and ("@" not in to or " " in to):
        form.add_fault("to", "is not a mail address", to)
    if port and not (port.isdecimal() and 1 <= int(port) <= 65535):
        form.add_fault("server", "must end with a port from 1 to 65535", port)
    if not host.replace("-", "").replace(".", "").isalnum() and host:
        form.add_fault("server", "is not the name of a computer", host)
    local = host in ("localhost", "127.0.0.1")
    account = f"{quote(user, safe='')}:{quote(password, safe='')}@" if user else ""
    return (
        f"{'mailto' if local else 'mailtos'}://{account}{host}:{port or MAIL_PORT}"
        f"?to={quote(to, safe='@')}&from={quote(to, safe='@')}"
    )


def _forecast(form: Form, settings: Settings) -> Paths:
    _required(form, "latitude", "longitude", "contact", "service")
    service = form.text("service")
    known = [source.id for source in settings.forecasts]
    changes: Paths = {
        ("weather", "latitude"): form.number("latitude"),
        ("weather", "longitude"): form.number("longitude"),
        ("weather", "contact"): form.text("contact"),
    }
    if service and service not in known:
        changes[("forecasts", service)] = {"id": service, "service": service}
    return changes


_SAVES: dict[str, Callable[[Form, Settings], Paths]] = {
    GuideStep.SHOP: _shop,
    GuideStep.HOURS: _hours,
    GuideStep.CHANNEL: _channel,
    GuideStep.FORECAST: _forecast,
}


def restart(
    tap: Mapping[str, Any], _done: Mapping[str, Any], *, ask: Callable[[dict[str, Any]], Any]
) -> dict[str, Any]:
    """After settings were saved: let the service start again with them.

    Once for each tap: a tap is sent again if its answer was lost, for example by the restart itself.
    """
    if tap.get("do") != SAVE:
        return {}
    with contextlib.suppress(MonitorError):  # they are saved all the same
        ask(RestartService().as_command(**({"id": f"{tap['id']}-restart"} if "id" in tap else {})))
    return {}


def field_of(name: str, form: Form) -> str:
    """The form's name of a setting; "" if the form has none."""
    own = (
        _OF_SETTING.get(name)
        or _OF_SETTING.get(name.rpartition(".")[2])
        or name.rpartition(".")[2]
    )
    return own if own in form.typed else ""
