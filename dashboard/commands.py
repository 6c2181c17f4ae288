"""What is done from the board: a tap in the browser becomes a command for the service's desk.

The browser sends what was tapped, when, and what was typed into fields, as text. What it is about
says who reads it; the service decides.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import flask

from dashboard.access import sign_in
from dashboard.alerts import forms as alerts_forms
from dashboard.bench import forms as bench_forms
from dashboard.sensors import forms as sensors_forms
from dashboard.ui.form_input import WishFault
from dashboard.wood import forms as wood_forms
from monitor.commands import ipc
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.domain.events import About

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.data.alerts import AlertBook
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitBook
    from dashboard.data.wood import WoodBook


class FormReader(NamedTuple):
    """How taps about one thing are read.

    `command_of` makes a command of what was asked and typed, or raises `WishFault`; `fault_of`
    finds in what was typed the fault for which the service refused the command, if it can.
    """

    command_of: Callable[[Mapping[str, Any], Mapping[str, str]], dict[str, Any]]
    fault_of: Callable[[Mapping[str, Any], Mapping[str, str]], WishFault | None] = (
        lambda _command, _form: None
    )


def readings(
    shop: ShopData, waits: WaitBook, woods: WoodBook, alerts: AlertBook
) -> dict[str, FormReader]:
    """How the taps are read, by what they are about."""

    def fault_of_instrument(
        command: Mapping[str, Any], form: Mapping[str, str]
    ) -> WishFault | None:
        fields = wood_forms.fields_of(command, form, shop, woods, now_ms())
        return WishFault(wood_forms.sentence(fields), fields) if fields else None

    of_waits = FormReader(functools.partial(bench_forms.command_of, shop=shop, book=waits))
    of_alerts = FormReader(functools.partial(alerts_forms.command_of, shop=shop, book=alerts))
    return {
        About.WAIT: of_waits,
        About.KIND: of_waits,
        About.INSTRUMENT: FormReader(
            functools.partial(wood_forms.command_of, shop=shop, book=woods), fault_of_instrument
        ),
        About.ALERT: of_alerts,
        About.RULE: of_alerts._replace(
            fault_of=functools.partial(alerts_forms.fault_of, shop=shop, book=alerts)
        ),
        About.RESERVOIR: of_alerts,
        About.CAUTION: of_alerts,
        About.SENSOR: FormReader(functools.partial(sensors_forms.command_of, shop=shop)),
    }


def register(app: Dash, shop: ShopData, read_as: Mapping[str, FormReader]) -> None:
    """Hang `/bench/do` into the app's server."""
    app.server.add_url_rule(
        "/bench/do", "bench_do", lambda: answer(shop, read_as), methods=["POST"]
    )


def answer(shop: ShopData, read_as: Mapping[str, FormReader]) -> flask.Response:
    """Do what was asked. 200 with `done`; 4xx with `refused` in words, and `fields`, what is wrong
    with each; 503: try again later."""
    may = sign_in.writing(flask.request, shop.settings)
    if not may.allowed:
        return _said(403, refused=may.why)
    asked = flask.request.get_json(silent=True)
    if not isinstance(asked, dict):
        return _said(400, refused="This is no command.")
    reading = read_as.get(str(asked.get("about", About.WAIT)))
    if reading is None:
        return _said(400, refused="This is about nothing that is known here.")
    command: dict[str, Any] = {}
    try:
        form = _form(asked)
        command = reading.command_of(asked, form)
        done = ipc.ask(shop.settings.desk_path, command)
    except ipc.DeskUnavailable:
        return _said(503, later="The service does not answer. Is Benchweather running?")
    except StoreFault as exc:
        return _said(503, later=f"The store cannot be read just now: {exc}.")
    except WishFault as exc:
        return _refused(exc)
    except ipc.CommandRefused as exc:
        return _refused(reading.fault_of(command, form) or WishFault(str(exc)))
    return _said(200, done=done)


def _form(asked: Mapping[str, Any]) -> dict[str, str]:
    """What was typed, by the names of the fields."""
    given = asked.get("form") or {}
    if not isinstance(given, dict):
        raise WishFault("form must hold the fields by name")
    return {str(k): v.strip() for k, v in given.items() if isinstance(v, str)}


def _refused(fault: WishFault) -> flask.Response:
    fields = {"fields": fault.fields} if fault.fields else {}
    return _said(409, refused=f"{_first_upper(str(fault))}.", **fields)


def _first_upper(text: str) -> str:
    """A fault as a sentence; what begins with the name of a setting keeps it."""
    text = text.rstrip(". ")
    return text if "_" in text.partition(" ")[0] else text[:1].upper() + text[1:]


def _said(status: int, **what: Any) -> flask.Response:
    return flask.Response(json.dumps(what), status, mimetype="application/json")
