"""Pages of the settings: an overview, and a short page for each section."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.settings import files, holidays, network, notices
from dashboard.settings.forms import NEW
from dashboard.settings.sections import HELP, LISTS, SECTIONS, WORDS, name_of, time_zones, value_of
from dashboard.ui import formats, notice_test, page_frame
from dashboard.ui.controls import action_button, action_results, folded, tap_row, text_field
from dashboard.ui.markup import attributes
from dashboard.ui.setting_fields import setting_field, unsaved
from monitor.commands.link import SETTINGS_HERE
from monitor.core.clock import now_ms, today
from monitor.core.errors import Rejected, SettingsFault
from monitor.core.public_holidays import countries
from monitor.domain.settings_change import event_words
from monitor.settings.schema import member, value_at

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import date

    from dash.development.base_component import Component

    from dashboard.data.settings import SettingsQueries
    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit
    from monitor.domain.events import Event
    from monitor.settings import Settings

HISTORY_SHOWN = 40
"""Most changes in the history on the page."""
ONE_QUANTITY = ("format", "quantity", "unit")
"""Fields of a rule for a topic that one with several quantities does not have."""
OPTIONS: dict[str, Callable[[], Sequence[str]]] = {"time_zone": time_zones, "country": countries}
"""Proposals for a text, by the name of the setting."""
CLASSES = "sheet bench one settings"
ELSEWHERE = (
    ("/people", "People", "Who may sign in, passwords, wall screens"),
    ("/bench/kinds", "Kinds of wait", "Usual times, new kinds"),
    ("/alerts/rules", "Rules", "When an alert is raised"),
)


def register(app: dash.Dash, shop: ShopData, book: SettingsQueries) -> None:
    """Hang the pages into the app."""
    dash.register_page(
        "settings", path="/settings", title="Settings", layout=lambda **_: overview(shop, book)
    )
    dash.register_page(
        "settings_section",
        path_template="/settings/<section>",
        title="Settings",
        layout=lambda section="", **_: one(shop, book, section),
    )
    notices.register(app, shop)
    network.register(app, shop)
    files.register(app, shop, book)


def _page(parts: Iterable[Any]) -> Component:
    return html.Main([*action_results(), *parts], className=CLASSES)


def overview(shop: ShopData, book: SettingsQueries) -> Component:
    """All sections, what waits for a restart, and the history."""
    links = [(f"/settings/{name}", one.title, one.about) for name, one in SECTIONS.items()]
    links.append(("/settings/files", "Files", "Readings of a logger, check of a record"))
    return _page(
        [
            html.H1("Settings"),
            *restart(book),
            _links(links),
            html.H2("On other pages"),
            _links(ELSEWHERE),
            *history(shop, book),
            html.P(f"The settings are in the file {book.path}.", className="aside"),
        ]
    )


def _links(links: Iterable[tuple[str, str, str]]) -> Component:
    return html.Ul(
        [
            html.Li(dcc.Link([html.Strong(title), html.Span(about)], href=href))
            for href, title, about in links
        ],
        className="plain sections",
    )


def one(shop: ShopData, book: SettingsQueries, name: str) -> Component:
    """A section, with its fields and lists."""
    back = dcc.Link("All settings", href="/settings", className="back")
    section = SECTIONS.get(name)
    if name == "files":
        return _page([back, html.H1("Files"), *files.parts()])
    if section is None:
        return _page([back, html.H1("There is no such section")])
    try:
        now = book.present()
    except (SettingsFault, Rejected) as exc:
        return _page([back, html.H1(section.title), *_unusable(exc)])
    unit = formats.unit_of(shop.settings)
    parts: list[Any] = [back, html.H1(section.title), *restart(book)]
    if name == "network":
        parts += network.let_in(shop, now)
    fields = [
        _field(path, label, now, unit, *path.split("/")) for path, label in section.fields.items()
    ]
    if name == "network":
        parts += [network.password(now, unit)]
        parts.append(folded("More", *_form(f"{name}-form", fields, now, "Save")))
    elif fields:
        parts += _form(f"{name}-form", fields, now, "Save")
    if name == "hours":
        parts += holidays.suggestions(now, today(now.zone), _answered(book))
    for group in section.lists:
        parts += _list(shop, book, group, now, unit)
    return _page(parts)


def _unusable(exc: SettingsFault | Rejected) -> list[Component]:
    faults = exc.faults if isinstance(exc, SettingsFault) else map(str, exc.faults)
    return [
        html.P("The settings file is not valid. Correct it by hand first:"),
        html.Ul([html.Li(str(fault)) for fault in faults]),
    ]


def _field(path: str, label: str, now: Settings, unit: Unit, group: str, name: str) -> Component:
    of = member(group, name)
    value = of.default if path.startswith(NEW) else value_at(now, path.split("/"))
    return setting_field(
        path,
        label,
        value,
        of,
        unit,
        help_text=HELP.get(f"{group}.{name}", HELP.get(name, "")),
        words=WORDS.get(name),
        options=OPTIONS[name]() if name in OPTIONS else (),
    )


def _form(form: str, fields: list[Any], now: Settings, word: str, **tap: str) -> list[Component]:
    """Fields with the button that saves them; what is typed is kept for this version of the file."""
    about = {"about": "settings", "version": now.version, "then": "reload", "said": "Saved."}
    draft_name = f"{form}-{now.version[:8]}"
    draft = attributes(data_draft=draft_name)
    return [
        html.Div([unsaved(draft_name), *fields], id=form, className="fields", **draft),
        tap_row(action_button(word, "change", name="tap main", form=form, **about, **tap)),
    ]


def _list(
    shop: ShopData, book: SettingsQueries, group: str, now: Settings, unit: Unit
) -> list[Component]:
    """The things of a list, each folded, and a form for a new one."""
    item = LISTS[group]
    known = {getattr(one, "id", str(i)): one for i, one in enumerate(getattr(now, group))}
    parts: list[Component] = [html.H2(item.title)] if item.title else []
    if item.intro:
        parts.append(html.P(item.intro))
    if group == "forecasts":
        parts += notices.terms()
    if group == "channels":
        parts.append(notices.said(shop))
    for key, thing in known.items():
        parts.append(_thing(group, key, thing, now, unit))
    if group == "places":
        parts += _unnamed(book, known)
    if not known:
        parts.append(html.P(f"There is no {item.word} yet."))
    fields = [
        _field(f"{NEW}/{group}/{name}", label, now, unit, group, name)
        for name, label in item.fields.items()
    ]
    if group == "channels":
        fields.insert(
            0, text_field("Name", "set-new-channels-id", f"{NEW}/channels/id", faults=True)
        )
    parts.append(
        folded(
            f"Add a {item.word}",
            *_form(f"{group}-new", fields, now, f"Add this {item.word}", add=group),
            unfold=f"new-{group}",
        )
    )
    return parts


def _thing(group: str, key: str, thing: Any, now: Settings, unit: Unit) -> Component:
    """A thing of a list: its fields, and the tap that removes it."""
    item = LISTS[group]
    label = thing.filter if group == "topics" else getattr(thing, "label", key)
    about = {"about": "settings", "version": now.version, "then": "reload"}
    fields = [
        _field(f"{group}/{key}/{name}", words, now, unit, group, name)
        for name, words in item.fields.items()
        if not (getattr(thing, "format", "") == "json" and name in ONE_QUANTITY)
    ]
    parts: list[Any] = _form(f"{group}-{key}-form", fields, now, "Save")
    if picks := getattr(thing, "quantities", None):
        read = ", ".join(
            f"{quantity.replace('_', ' ')} ({pick.unit}) from {pick.pointer or 'the whole message'}"
            for quantity, pick in picks.items()
        )
        parts.append(html.P(f"Quantities read from its JSON: {read}."))
    tests = [notice_test.tap(key)] if group == "channels" else []
    remove = action_button(
        f"Remove this {item.word}",
        "change",
        remove=f"{group}/{key}",
        sure=f"Remove {label}?",
        said="Removed.",
        **about,
    )
    return folded(
        [html.Strong(label), html.Span(f" {key}") if label != key else None],
        *parts,
        html.Div([*tests, remove], className="taps"),
        unfold=f"{group}-{key}",
    )


def _unnamed(book: SettingsQueries, known: Iterable[str]) -> list[Component]:
    """Places that only sensors have named."""
    unnamed = _sensed(book, set(known))
    if not unnamed:
        return []
    return [
        html.P(
            f"Sensors also send from: {', '.join(unnamed)}. Add a place under exactly this name "
            "to give it a band and a kind of work."
        )
    ]


@page_frame.where_store_fails(lambda *_: [])
def _sensed(book: SettingsQueries, known: set[str]) -> list[str]:
    return [place for place in book.places() if place not in known]


@page_frame.where_store_fails(lambda *_: ())
def _answered(book: SettingsQueries) -> Sequence[date]:
    return book.answered_closed()


def restart(book: SettingsQueries) -> list[Component]:
    """Notice of saved settings that are not used yet, with a tap to restart; or why this board can
    change none."""
    if not book.is_beside_service:
        return [html.P(f"{SETTINGS_HERE}.", className="restart", id="settings-elsewhere")]
    try:
        waits = book.waits_for_restart()
    except (SettingsFault, Rejected) as exc:
        return _unusable(exc)
    if not waits:
        return []
    return [
        html.Div(
            [
                html.P(
                    [
                        html.Strong("Saved settings take effect after a restart."),
                        " It takes a few seconds. No reading is lost.",
                    ]
                ),
                html.Div(
                    action_button(
                        "Restart Benchweather now",
                        "restart",
                        name="tap main",
                        about="settings",
                        said="Benchweather restarts. This page loads again in a few seconds.",
                    ),
                    className="taps",
                ),
            ],
            className="restart",
            id="settings-restart",
        )
    ]


@page_frame.where_store_fails(lambda trouble, *_: page_frame.sentence_of(trouble))
def history(shop: ShopData, book: SettingsQueries) -> list[Any]:
    """History of the changes, the newest first; each can be undone."""
    changes = book.changes()
    rows = [
        _entry(number, event, shop, newest=not i)
        for i, (number, event) in enumerate(list(changes.items())[:HISTORY_SHOWN])
    ]
    if not rows:
        return []
    return [
        html.H2("History"),
        html.Ul(rows[:1], className="plain changes"),
        folded("Earlier changes", html.Ul(rows[1:], className="plain changes"))
        if len(rows) > 1
        else None,
    ]


def _entry(number: int, event: Event, shop: ShopData, *, newest: bool) -> Component:
    when = formats.when(event.recorded_ms, now_ms(), shop.settings.zone)
    by = f" by {event.by}" if event.by else ""
    undo = action_button(
        "Undo" if newest else f"Undo change {number}",
        "undo",
        about="settings",
        change=str(number),
        said="Undone.",
        then="reload",
    )
    return html.Li(
        [
            html.P(
                [html.Strong(f"{number}. {when}{by}: "), event_words(event, name_of, value_of)]
            ),
            undo,
        ],
        className="change",
    )
