"""Content of each step of the guide."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any
from zoneinfo import available_timezones

from dash import dcc, html

from dashboard.guide.forms import LABELS, SAVE, TOPIC
from dashboard.ui import formats, notice_test, reading_form
from dashboard.ui.controls import (
    action_button,
    choice,
    draft_form,
    fault_line,
    labelled,
    tap_row,
    text_field,
)
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity
from monitor.domain.forecast_source import SERVICES
from monitor.domain.guide import GuideStep
from monitor.domain.opening_hours import DAYS
from monitor.outlook.weather.providers import READY

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.guide import GuideState
    from dashboard.data.shop import ShopData
    from monitor.readings.heard_topics import HeardTopic

TITLES = {
    GuideStep.SHOP: "Your shop and its first place",
    GuideStep.READING: "A first reading",
    GuideStep.CLAMP_UP: "A first clamp-up",
    GuideStep.HOURS: "Opening hours",
    GuideStep.CHANNEL: "Notices by mail or phone",
    GuideStep.DEVICES: "Phone and wall screen",
    GuideStep.FORECAST: "Outdoor forecast",
}
FORMS = (GuideStep.SHOP, GuideStep.HOURS, GuideStep.CHANNEL, GuideStep.FORECAST)
"""Steps with a form that is saved to the settings."""
TOPICS_SHOWN = 12
"""Most topics listed."""
UNITS = {"auto": "By the browser's language", "C": "°C", "F": "°F"}
WORK = {"bench": "Gluing and open wood", "varnish": "Varnishing", "outdoors": "No work: outdoors"}
SOURCES = {
    "met-norway": "MET Norway: the whole world. CC BY 4.0, commercial use allowed.",
    "us-nws": "US National Weather Service: the United States only. Public domain.",
}


def _form(step: GuideStep, fields: list[Component]) -> Component:
    return html.Form(
        html.Div(fields, className="fields"),
        id=f"guide-{step}",
        **attributes(data_draft=f"guide-{step}"),
    )


def _text(name: str, value: str = "", **more: Any) -> Component:
    return text_field(LABELS[name], f"guide-{name}", name, faults=True, value=value, **more)


def _number(name: str, value: float | None, placeholder: str = "") -> Component:
    shown = "" if value is None else f"{value:g}"
    return _text(name, shown, inputMode="decimal", placeholder=placeholder)


def _choice(name: str, words: Mapping[str, str], chosen: str, form: str = "guide") -> Component:
    order = sorted(words, key=lambda one: one != chosen)
    return choice(LABELS[name], f"{form}-{name}", name, {one: words[one] for one in order})


def _shop(shop: ShopData, _: GuideState) -> list[Component]:
    settings, limits = shop.settings, shop.settings.limits
    place = next(iter(settings.places), None)
    fields = [
        _text("name", settings.shop.name, maxLength=60),
        _text("zone", settings.zone.key, list="guide-zones"),
        _choice("unit", UNITS, settings.board.temperature_unit),
        _text("place", place.label if place else "Bench", maxLength=60),
        _choice("kind", WORK, place.kind if place else "bench"),
        _number("low", place.rh_low_pct if place else None, f"{limits.rh_low_pct:g} %"),
        _number("high", place.rh_high_pct if place else None, f"{limits.rh_high_pct:g} %"),
        _number("volume", place.volume_m3 or None if place else None),
    ]
    zones = sorted(zone for zone in available_timezones() if "/" in zone)
    return [
        html.P(
            "The time zone is that of this computer; correct it if it is wrong. A place is a bench or "
            "a room whose air is measured. You can leave its band and size empty."
        ),
        _form(GuideStep.SHOP, fields),
        html.Datalist([html.Option(value=zone) for zone in zones], id="guide-zones"),
        *_more("Further places", "/settings/places", len(settings.places) > 0),
    ]


def _more(word: str, address: str, shown: bool = True) -> list[Component]:
    link = dcc.Link(word, href=address, className="tap")
    return [tap_row(link)] if shown else []


def _reading(shop: ShopData, state: GuideState) -> list[Component]:
    unit = formats.unit_of(shop.settings)
    found = shop.sensors()
    now = now_ms()
    parts: list[Component] = []
    if GuideStep.READING in state.done and found:
        newest = max(found, key=lambda one: one.heard_ms)
        values = [
            formats.with_unit(str(q), newest.last[q][1], unit)
            for q in (Quantity.TEMPERATURE, Quantity.HUMIDITY)
            if q in newest.last
        ]
        age = formats.age((now - newest.heard_ms) / 1000)
        parts.append(html.P(f"{newest.place.label}: {', '.join(values)}, {age}."))
    broker = shop.settings.broker
    where = broker.url or f"mqtt://{broker.host}:{broker.port}"
    return [
        *parts,
        html.P("Read any hygrometer at the place and type what it shows."),
        reading_form.reading_form(shop.place_names(), unit, "", "reload"),
        html.H3("Or a sensor that sends by itself"),
        html.P(
            [
                "Let it publish over MQTT to ",
                html.Code(where),
                ", topic ",
                html.Code("benchweather/PLACE/SENSOR"),
                ". Its first reading appears here within a second. ",
                dcc.Link("How sensors are connected", href="/help/sensors"),
            ]
        ),
        *_heard(shop),
        html.H3("Or look around first"),
        html.P(
            [
                "The demo is an invented shop with a folder of its own. Stop Benchweather with Ctrl-C "
                "and run ",
                html.Code("benchweather demo"),
                ". Its readings never mix with yours.",
            ]
        ),
    ]


def _heard(shop: ShopData) -> list[Component]:
    """Listening for what a sensor sends in a form of its own, and a rule for each topic heard."""
    heard, now = shop.heard_topics(), now_ms()
    listens = heard.until_ms > now
    listen = action_button(
        "Listen for longer" if listens else "Listen for 2 minutes",
        "start",
        about="listening",
        said="Listening. Let the sensor send now.",
    )
    words = (
        "If it sends in another form or on another topic, let Benchweather listen. The broker accepts "
        "any topic for that time. Nothing is stored until you confirm a rule."
    )
    if heard.trouble:
        words = f"Benchweather cannot listen: {heard.trouble}."
    elif listens:
        words = f"Listening. Topics that are read already: {heard.read}."
        if not heard.topics:
            words += " No other message has come yet."
    return [
        html.P(words, role="status"),
        tap_row(listen),
        *(_topic(one, number, shop) for number, one in enumerate(heard.topics[:TOPICS_SHOWN])),
    ]


def _topic(one: HeardTopic, number: int, shop: ShopData) -> Component:
    """A topic that is not read, with the rule that would read it."""
    shown = [html.P(html.Code(one.topic[:80])), html.P(html.Code(one.payload), className="aside")]
    if one.rule is None:
        lines = [html.Li(reason) for reason in (*one.reasons, one.why)]
        return html.Div(
            [*shown, html.P("No rule can read this topic:"), html.Ul(lines)],
            className="heard-topic",
        )
    form, place = f"guide-topic-{number}", str(one.rule["place"])
    places = dict(shop.place_names())
    places.setdefault(place, f"{place} (new)")
    return html.Div(
        [
            *shown,
            html.Ul([html.Li(reason) for reason in one.reasons]),
            draft_form(
                _choice("place", places, next(iter(shop.place_names()), place), form), form, form
            ),
            tap_row(
                action_button(
                    "Add this rule",
                    SAVE,
                    about="guide",
                    step=TOPIC,
                    of=one.topic,
                    form=form,
                    said="Saved. Benchweather restarts; this takes a few seconds.",
                    name="tap main",
                )
            ),
        ],
        className="heard-topic",
    )


def _clamp_up(shop: ShopData, state: GuideState) -> list[Component]:
    del shop
    if GuideStep.READING not in state.done:
        return [
            html.P(
                "Type a first reading before this step. Without a reading there is no ready time."
            )
        ]
    return [
        html.P(
            "Tap what you glue, then the place. Each button shows the ready time before you tap; the "
            "reply shows it again."
        ),
        tap_row(dcc.Link("Open Bench", href="/bench", className="tap main")),
    ]


def _hours(shop: ShopData, _: GuideState) -> list[Component]:
    hours = shop.settings.hours.model_dump()
    return [
        html.P(
            "Type hours like 09:00-18:00. Leave a closed day empty. Latest starts, the night theme "
            "and quiet hours follow the opening hours."
        ),
        _form(GuideStep.HOURS, [_text(day, hours[day], placeholder="closed") for day in DAYS]),
        *_more("Holidays and quiet hours", "/settings/hours"),
    ]


def _channel(shop: ShopData, state: GuideState) -> list[Component]:
    channels = shop.settings.channels
    password = labelled(
        LABELS["password"],
        "guide-password",
        dcc.Input(id="guide-password", name="password", type="password", autoComplete="off"),
        fault_line("password"),
    )
    push = labelled(
        LABELS["url"],
        "guide-url",
        dcc.Input(
            id="guide-url",
            name="url",
            type="password",
            autoComplete="off",
            placeholder="service://…",
        ),
        fault_line("url"),
    )
    parts: list[Component] = [
        tap_row(
            [
                html.Span(
                    f"Channel {one.id} is set. This step is done when a test notice arrives."
                ),
                notice_test.tap(one.id),
            ]
        )
        for one in channels
    ]
    if test := state.test:
        parts.append(html.P(notice_test.outcome(test, shop.settings.zone), role="status"))
    return [
        html.P(
            "Alerts that need you, and the morning brief, are also sent to your mailbox or phone. "
            "The password is stored on this computer and never shown again."
        ),
        *parts,
        _form(
            GuideStep.CHANNEL,
            [
                _text("to", inputMode="email"),
                _text("server", placeholder="mail.example.org"),
                _text("user"),
                password,
                push,
            ],
        ),
        *_more("What the address of a push service looks like", "/help/alerts"),
        *_more("Change or remove channels", "/settings/notices", bool(channels)),
    ]


def _devices(shop: ShopData, _: GuideState) -> list[Component]:
    host = shop.settings.board.host
    return [
        html.P(
            "At present only this computer can open the board."
            if host in ("127.0.0.1", "localhost", "::1")
            else "Other devices in your network can open the board."
        ),
        tap_row(
            [
                dcc.Link("Let other devices in", href="/settings/network", className="tap main"),
                dcc.Link("People", href="/people", className="tap"),
            ]
        ),
    ]


def _forecast(shop: ShopData, state: GuideState) -> list[Component]:
    settings, weather = shop.settings, shop.settings.weather
    chosen = next((s.service for s in settings.forecasts if s.service), SERVICES[0])
    return [
        html.P(
            "The outlook of your shop's air needs an outdoor forecast. The weather service gets your "
            "position, rounded to about a kilometre, and your mail address. Read the terms of the "
            "service before you save."
        ),
        *(
            [html.P("The source is set. This step is done when its first forecast arrives.")]
            if settings.forecasts and GuideStep.FORECAST not in state.done
            else []
        ),
        _form(
            GuideStep.FORECAST,
            [
                _number("latitude", weather.latitude, "47.38"),
                _number("longitude", weather.longitude, "8.54"),
                _text("contact", weather.contact, inputMode="email"),
                _choice("service", {name: SOURCES[name] for name in READY}, str(chosen)),
            ],
        ),
        *_more("Other sources", "/settings/forecasts"),
    ]


BODIES: dict[GuideStep, Callable[[ShopData, GuideState], list[Component]]] = {
    GuideStep.SHOP: _shop,
    GuideStep.READING: _reading,
    GuideStep.CLAMP_UP: _clamp_up,
    GuideStep.HOURS: _hours,
    GuideStep.CHANNEL: _channel,
    GuideStep.DEVICES: _devices,
    GuideStep.FORECAST: _forecast,
}
"""What a step asks and says."""
