"""Commands from the board: a tap in the browser becomes a request to the service.

The browser sends what was tapped, when, and the typed fields, as text. The page that it concerns
makes the request of it; the service decides.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple

import flask

from dashboard.access.visitor import record, visitor
from dashboard.alerts import forms as alerts_forms
from dashboard.alerts import rule_fields
from dashboard.bench import forms as bench_forms
from dashboard.bench import glue_forms, opening, proof_forms
from dashboard.coming import closing
from dashboard.guide import forms as guide_forms
from dashboard.plan import forms as plan_forms
from dashboard.sensors import forms as sensors_forms
from dashboard.sensors import reading_page
from dashboard.server.replies import json_reply
from dashboard.settings import forms as settings_forms
from dashboard.ui import formats, reading_form
from dashboard.ui.form_input import Form, beside_field
from dashboard.wood import forms as wood_forms
from monitor.commands import link, read_request
from monitor.commands.ipc import ServiceUnavailable
from monitor.core.clock import now_ms
from monitor.core.errors import Fault, Rejected, StoreFault
from monitor.core.validation import SURE
from monitor.domain.events import About

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.glue import GlueQueries
    from dashboard.data.settings import SettingsQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from dashboard.data.wood import WoodQueries

Tap = Mapping[str, Any]
"""A tap as the browser sends it, without its form."""


class FormReader(NamedTuple):
    """Functions that read the taps about one thing.

    `values_of` returns the fields of the request that a tap and its form mean, or raises `Rejected`
    with the faults at the fields of the form. `labels` are those of the form's fields, `names` the
    form's names of fields of the request, where they differ by more than the unit ms; `field_of` and
    `label_of` find both where tables do not do. `beside` makes the text at a field. `reply` gives
    what the answer to a tap that was carried out says besides.
    """

    values_of: Callable[[Tap, Form], dict[str, Any]]
    labels: Mapping[str, str] = MappingProxyType({})
    names: Mapping[str, str] = MappingProxyType({})
    field_of: Callable[[str, Form], str] | None = None
    label_of: Callable[[str], str] | None = None
    beside: Callable[[Fault, Form, str], str] = lambda fault, form, name: beside_field(
        fault, form.text(name), form.unit
    )
    reply: Callable[[Tap, Mapping[str, Any]], Mapping[str, Any]] = lambda _tap, _done: {}

    def field(self, name: str, form: Form) -> str:
        """The form's name of a field of the request; "" if the form has none."""
        if self.field_of is not None:
            return self.field_of(name, form)
        own = self.names.get(name, name.removesuffix("_ms"))
        return own if own in form.typed else ""

    def label(self, name: str) -> str:
        """The label of a field of the form."""
        return self.label_of(name) if self.label_of is not None else self.labels.get(name, name)


def readings(
    shop: ShopData,
    waits: WaitQueries,
    woods: WoodQueries,
    alerts: AlertQueries,
    glues: GlueQueries,
    settings: SettingsQueries,
) -> dict[str, FormReader]:
    """The reader of the taps about each thing."""
    of_waits = FormReader(
        functools.partial(bench_forms.values_of, waits=waits),
        names=bench_forms.NAMES,
        label_of=bench_forms.label_of,
        reply=functools.partial(opening.reply, shop=shop, waits=waits, woods=woods, glues=glues),
    )
    of_alerts = FormReader(
        functools.partial(alerts_forms.values_of, shop=shop, book=alerts),
        rule_fields.LABELS,
        field_of=alerts_forms.field_of,
        beside=functools.partial(alerts_forms.beside, book=alerts),
    )
    of_instruments = FormReader(
        functools.partial(wood_forms.values_of, shop=shop, book=woods),
        field_of=wood_forms.field_of,
        label_of=wood_forms.label_of,
    )
    of_sensors = FormReader(sensors_forms.values_of, sensors_forms.LABELS)
    of_hand_readings = FormReader(
        functools.partial(reading_page.values_of, shop=shop),
        reading_form.LABELS,
        reading_page.NAMES,
    )
    of_guide = FormReader(
        functools.partial(guide_forms.values_of, shop=shop),
        guide_forms.LABELS,
        field_of=guide_forms.field_of,
        reply=functools.partial(
            guide_forms.restart, ask=functools.partial(link.ask, shop.settings)
        ),
    )
    of_channels = FormReader(lambda tap, _: {"channel": tap.get("channel", "")})
    of_glues = FormReader(
        functools.partial(glue_forms.values_of, book=glues), glue_forms.LABELS, {"mixed_ms": "at"}
    )
    of_settings = FormReader(
        functools.partial(settings_forms.values_of, book=settings),
        field_of=settings_forms.field_of,
        label_of=settings_forms.label_of,
        beside=settings_forms.beside,
    )
    of_closings = FormReader(closing.values_of, closing.LABELS)
    of_proofs = FormReader(proof_forms.values_of, proof_forms.LABELS)
    of_repairs = FormReader(plan_forms.values_of, plan_forms.LABELS, field_of=plan_forms.field_of)
    return {
        About.REPAIR: of_repairs,
        About.STOCK: of_repairs,
        About.GLUE: of_glues,
        About.PROOF: of_proofs,
        About.WAIT: of_waits,
        About.KIND: of_waits,
        About.INSTRUMENT: of_instruments,
        About.ALERT: of_alerts,
        About.RULE: of_alerts,
        About.RESERVOIR: of_alerts,
        About.HUMIDIFIER: of_alerts,
        About.CLOSING: of_closings,
        About.CAUTION: of_alerts,
        About.SENSOR: of_sensors,
        About.ASIDE: of_sensors,
        About.NEWCOMER: of_sensors,
        About.CLOCK: of_sensors,
        About.SETTINGS: of_settings,
        About.READING: of_hand_readings,
        About.GUIDE: of_guide,
        About.CHANNEL: of_channels,
        About.LISTENING: FormReader(lambda *_: {}),
    }


def register(app: Dash, shop: ShopData, read_as: Mapping[str, FormReader]) -> None:
    """Add `/bench/do` to the app's server."""
    app.server.add_url_rule(
        "/bench/do", "bench_do", lambda: answer(shop, read_as), methods=["POST"]
    )


def answer(shop: ShopData, read_as: Mapping[str, FormReader]) -> flask.Response:
    """Carry a tap out, which `access/permissions.py` has let through.

    200 with `done`; 4xx with `refused` in words, and `fields`, the fault at each; 503: try again later.
    """
    tap = flask.request.get_json(silent=True)
    if not isinstance(tap, dict):
        return json_reply(400, refused="This is not a command.")
    reader = read_as.get(str(tap.get("about", About.WAIT)))
    if reader is None:
        return json_reply(400, refused="Unknown item.")
    form = Form(_typed(tap), shop.settings, str(tap.get("rule", "")))
    try:
        if tap.get("about") == About.SETTINGS and not shop.is_beside_service():
            raise Rejected(link.SETTINGS_HERE)
        about = {"about": tap["about"]} if "about" in tap else {}
        values = {"do": tap.get("do")} | about | reader.values_of(tap, form)
        form.check()
        request = read_request(values, now_ms())
        own = {name: tap[name] for name in ("id", "by") if isinstance(tap.get(name), str)}
        if person := visitor().person:  # whatever name was typed
            own["by"] = person
        done = link.ask(shop.settings, request.as_command(**own))
    except ServiceUnavailable:
        return json_reply(503, later="The service does not answer. Is Benchweather running?")
    except StoreFault as exc:
        return json_reply(503, later=f"The store cannot be used just now: {exc}.")
    except Rejected as exc:
        return _rejected(exc, reader, form)
    record(
        "command", f"{request.about}: {request.__struct_config__.tag} {request.subject}".strip()
    )
    with contextlib.suppress(StoreFault):  # the command was carried out all the same
        done = {**done, **reader.reply(tap, done)}
    return json_reply(200, done=done)


def _typed(tap: Tap) -> dict[str, str]:
    """The typed texts, by the names of the fields."""
    given = tap.get("form")
    fields = given if isinstance(given, dict) else {}
    return {str(k): v.strip() for k, v in fields.items() if isinstance(v, str)}


def _rejected(rejected: Rejected, reader: FormReader, form: Form) -> flask.Response:
    """Answer with each fault beside its field, and all of them in one sentence."""
    first = rejected.faults[0]
    if first.field == SURE:  # a question: the same tap with a yes is carried out
        return json_reply(409, question=formats.in_reader_unit(first.problem, form.unit))
    fields, sentences = {}, []
    for fault in rejected.faults:
        name = reader.field(fault.field, form) if fault.field else ""
        if name:
            fields[name] = reader.beside(fault, form, name)
            sentences.append(f"{reader.label(name)}: {fields[name]}")
        else:
            sentences.append(_first_upper(str(fault)))
    return json_reply(
        409, refused=f"{'; '.join(sentences)}.", **({"fields": fields} if fields else {})
    )


def _first_upper(text: str) -> str:
    """A fault as a sentence; one that begins with a field's own name keeps it."""
    text = text.rstrip(". ")
    return text if "_" in text.split(" ", 1)[0] else formats.first_upper(text)
