"""The rules behind the alerts: each in plain words, switched on and off, and changed."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import dash
from dash import dcc, html

from dashboard.access.visitor import may_manage
from dashboard.alerts import text as alerts_text
from dashboard.alerts import view
from dashboard.alerts.forms import places_of
from dashboard.alerts.rule_fields import form_of, scales
from dashboard.alerts.view import ALERTS
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import action_button, draft_form, fault_line, fieldset, folded, tap_row
from dashboard.ui.markup import attributes
from monitor.domain.alerts.default_rules import starting_set
from monitor.domain.alerts.rule import TEXT_MAX, Of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries
    from dashboard.data.shop import ShopData
    from monitor.domain.alerts.rule import Rule


_page = partial(ALERTS.page, "/alerts/rule", classes="one")


def register(app: dash.Dash, shop: ShopData, book: AlertQueries) -> None:
    """Hang the pages into the app."""
    del app
    # Pages with an order are looked at first: /alerts/<id> would take these addresses too.
    dash.register_page(
        "alerts_rules",
        path="/alerts/rules",
        title="Rules",
        order=1,
        layout=lambda **_: layout(shop, book),
    )
    dash.register_page(
        "alerts_rule",
        path_template="/alerts/rule/<rule_id>",
        title="Rule",
        order=1,
        layout=lambda rule_id="", **_: one(shop, book, rule_id),
    )


@page_frame.where_store_fails(ALERTS.failed("/alerts/rules", "Rules"))
def layout(shop: ShopData, book: AlertQueries) -> Component:
    """Every rule, and adding one."""
    may = may_manage()
    rules, changed, places = book.rules(), book.changed(), shop.place_names()
    groups = []
    for of, name in alerts_text.GROUPS.items():
        mine = [rule for rule in rules.values() if rule.of is of]
        if mine:
            lines = [
                line(rule, rule.id in changed, shop, places, writer=may.allowed)
                for rule in sorted(mine, key=lambda rule: (not rule.on, rule.name))
            ]
            counts = group_words(mine, sum(rule.id in changed for rule in mine))
            groups.append(
                folded(
                    [html.H2(name), html.Span(counts)],
                    html.Ul(lines, className="rules"),
                    className="rule-group",
                    unfold=f"rules-{of}",
                )
            )
    return ALERTS.page(
        "/alerts/rules",
        [
            html.H1("Rules"),
            html.P(quiet(shop)),
            None if may.allowed else html.P(may.why),
            *groups,
            add(rules) if may.allowed else None,
        ],
    )


def group_words(rules: Sequence[Rule], changed: int) -> str:
    """Number of rules of a group: `3 rules, 1 off, 1 changed by the shop`."""
    n, off = len(rules), sum(not rule.on for rule in rules)
    parts = [formats.counted(n, "rule")]
    parts += [f"{off} off"] if off else []
    parts += [f"{changed} changed by the shop"] if changed else []
    return ", ".join(parts)


def quiet(shop: ShopData) -> str:
    """Describe the quiet hours and the time of the morning brief."""
    alerts = shop.settings.alerts
    sentence = "There are no quiet hours."
    if alerts.quiet:
        sentence = (
            f"Quiet hours: {alerts.quiet.replace('-', ' to ')}. Only rules with “Also in quiet "
            "hours” send notices then. Other notices are sent when the quiet hours end."
        )
    brief = f" The morning brief comes at {alerts.brief_at}." if alerts.brief_at else ""
    return f"{sentence}{brief} Set both under Settings, Notices."


def line(
    rule: Rule, changed: bool, shop: ShopData, places: Mapping[str, str], *, writer: bool
) -> Component:
    """A rule in the list."""
    unit = formats.unit_of(shop.settings)
    marks = [view.urgency(rule.urgency)]
    if not rule.on:
        marks.append(html.Strong("off"))
    if changed:
        marks.append(html.Span("changed by the shop"))
    return html.Li(
        [
            html.Div(
                [
                    html.H3(dcc.Link(rule.name, href=f"/alerts/rule/{rule.id}")),
                    html.P(marks, className="rule-marks"),
                ],
                className="rule-head",
            ),
            html.Div(
                [
                    html.P(alerts_text.rule_words(rule, places, unit)),
                    html.P(alerts_text.notice_words(rule), className="aside"),
                ]
            ),
            switch(rule) if writer else None,
        ],
        key=rule.id,
        **attributes(data_on="yes" if rule.on else "no"),
    )


def switch(rule: Rule) -> Component:
    word, on = ("Switch off", "no") if rule.on else ("Switch on", "yes")
    message = f"{'Off' if rule.on else 'On'}: {rule.name}."
    return action_button(
        [word, html.Span(f" {rule.name}", className="unseen")],
        "rule",
        about="rule",
        rule=rule.id,
        on=on,
        said=message,
        then="reload",
    )


def add(rules: Mapping[str, Rule]) -> Component:
    """Form for a rule of the shop's own, which copies from another all that is left empty."""
    names = {rule.id: rule.name for rule in sorted(rules.values(), key=lambda rule: rule.name)}
    return folded(
        "Add a rule like another",
        draft_form(
            [
                view.field("name", "add-name", maxLength=40),
                view.choice("like", "add-like", {"": "", **names}),
            ],
            "add-form",
            "add-rule",
        ),
        tap_row(
            action_button(
                "Add it",
                "rule",
                about="rule",
                form="add-form",
                said="Added.",
                then="reload",
                name="tap main",
            )
        ),
        html.P("The new rule is a copy until you change it.", className="aside"),
        id="rules-add",
    )


@page_frame.where_store_fails(ALERTS.failed("/alerts/rule", "Rule", "one"))
def one(shop: ShopData, book: AlertQueries, rule_id: str) -> Component:
    """A rule with everything that it rests on."""
    may = may_manage()
    rule, changed, places = (book.rules().get(rule_id), book.changed(), shop.place_names())
    if rule is None:
        return _page(
            [html.H1("No such rule"), html.P(dcc.Link("All rules", href="/alerts/rules"))]
        )
    unit = formats.unit_of(shop.settings)
    advice = formats.in_reader_unit(rule.advice(), unit) if rule.do else ""
    sentences = [
        alerts_text.ends(rule, unit),
        alerts_text.notice_words(rule),
        _family(rule, book.rules()),
    ]
    return _page(
        [
            html.P([view.urgency(rule.urgency), " ", html.Strong("off" if not rule.on else "")]),
            html.H1(rule.name),
            html.P(alerts_text.rule_words(rule, places, unit), className="lead"),
            html.P(" ".join(filter(None, sentences))),
            html.P([html.Strong("What to do now: "), advice], className="do") if advice else None,
            *view.reasons(rule, shop),
            *(change(rule, rule.id in changed, shop) if may.allowed else [html.P(may.why)]),
        ]
    )


def _family(rule: Rule, rules: Mapping[str, Rule]) -> str:
    """Rules of the same family, and rules that suppress this rule, in sentences."""
    sentences = []
    kin = [r.name for r in rules.values() if r.family == rule.family and r.id != rule.id]
    if kin:
        sentences.append(
            f"Of this rule and {' and '.join(kin)}, only the most urgent raises an alert."
        )
    causes = [rules[name].name for name in rule.under if name in rules]
    if causes:
        sentences.append(f"Suppressed by: {', '.join(causes)}.")
    return " ".join(sentences)


def change(rule: Rule, changed: bool, shop: ShopData) -> list[Component]:
    """Everything that can be changed of it."""
    unit = formats.unit_of(shop.settings)
    shown = form_of(rule, unit)

    def figure(name: str, **more: Any) -> Component:
        return view.field(name, f"rule-{name}", value=shown[name], **more)

    def text(name: str) -> Component:
        return view.long_field(name, f"rule-{name}", value=shown[name], maxLength=TEXT_MAX, rows=2)

    band = "empty: the place's band" if rule.quantity == "humidity" and not rule.over_s else ""
    figures = [
        figure(name, unit=how.unit, hint=band if name in ("low", "high") else _HINTS.get(name, ""))
        for name, how in scales(rule, unit).items()
    ]
    places = only_choice(rule, shop) if rule.of is Of.PLACE else None
    levels = {str(level): word for level, word in alerts_text.URGENCY.items()}
    return [
        html.Details(
            [
                html.Summary("Change it"),
                html.Div(
                    [
                        figure("name", maxLength=TEXT_MAX),
                        *figures,
                        view.choice("urgency", "rule-urgency", levels, shown["urgency"]),
                        view.choice(
                            "breaks_quiet",
                            "rule-breaks_quiet",
                            {"no": "no, wait until they end", "yes": "yes"},
                            shown["breaks_quiet"],
                        ),
                    ],
                    className="fields",
                ),
                places,
                html.Div(
                    [text(name) for name in ("do", "why", "source", "caution")],
                    className="fields texts",
                ),
                tap_row(
                    action_button(
                        "Save",
                        "rule",
                        about="rule",
                        rule=rule.id,
                        form="rule-form",
                        said="Kept.",
                        then="reload",
                        name="tap main",
                    )
                ),
            ],
            id="rule-form",
            **attributes(data_draft=f"rule-{rule.id}"),
        ),
        tap_row([switch(rule), give_up(rule, shop) if changed else None]),
        html.P("An open alert keeps its text until it changes.", className="aside"),
    ]


def only_choice(rule: Rule, shop: ShopData) -> Component:
    """Kinds of place and places that a rule is for, to tick."""
    labels = shop.place_names()
    options: list[Any] = [
        {"label": alerts_text.kind_of_place(name) or labels.get(name, name), "value": name}
        for name in places_of(shop)
    ]
    return fieldset(
        "Only at (nothing ticked: all places indoors)",
        dcc.Checklist(id="rule-only", options=options, value=list(rule.only)),
        fault_line("only"),
        className="picks",
    )


_HINTS = {
    "back": "margin inside the limit before the alert ends",
    "over_h": "0 tests the value itself, not its change",
    "hold_min": "before an alert is raised",
    "calm_h": "time inside the limit before the alert ends",
    "repeat_h": "0 sends one notice only",
}


def give_up(rule: Rule, shop: ShopData) -> Component:
    """Give up what the shop has changed; a rule of its own is taken away."""
    if rule.id in starting_set(shop.settings.limits):
        return action_button(
            "Undo my changes",
            "reset",
            about="rule",
            rule=rule.id,
            said="Changes undone.",
            then="reload",
            sure="Tap again to undo your changes",
        )
    return action_button(
        "Delete this rule",
        "reset",
        about="rule",
        rule=rule.id,
        said="Deleted.",
        then="/alerts/rules",
        sure="Tap again to delete it",
    )
