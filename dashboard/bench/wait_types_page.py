"""Kinds: what the shop waits for, on what basis, by which law, and what releases have taught."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import dash
import numpy as np
from dash import dcc, html

from dashboard.access.visitor import may_manage
from dashboard.bench import text as bench_text
from dashboard.bench.forms import shown_of
from dashboard.bench.view import BENCH
from dashboard.ui import drawings, formats, page_frame
from dashboard.ui.controls import action_button, text_field
from dashboard.ui.markup import attributes
from monitor.domain import cautions
from monitor.science.waits.glue import GlueLaw, strict_and_additive_hours
from monitor.science.waits.learning import JointAtRelease
from monitor.science.waits.parameters import parameters

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.wait_types import WaitType
    from monitor.science.waits.learning import LearnedUsualTime
    from monitor.science.waits.parameters import Parameter

_page = partial(BENCH.page, classes="one")


CARD_TEMPS_C = (10, 12, 14, 16, 18, 20, 22, 24, 26)
CARD_RHS_PCT = (30, 40, 50, 55, 60, 65, 70, 75, 80)
GOOD_THEN_DAMP = ((2.0, 20.0, 50.0), (1.0, 14.0, 72.0))
"""An evening that turns: hours, °C, % RH; the last air lasts."""


def register(app: dash.Dash, shop: ShopData, book: WaitQueries) -> None:
    """Hang the pages into the app."""
    del app
    dash.register_page(
        "bench_kinds", path="/bench/kinds", title="Kinds", layout=lambda **_: layout(shop, book)
    )
    dash.register_page(
        "bench_kind",
        path_template="/bench/kind/<kind_id>",
        title="Kind",
        layout=lambda kind_id="", **_: one(shop, book, kind_id),
    )


def _table(heads: list[str], rows: list[list[Any]], label: str, name: str = "") -> Component:
    return html.Div(
        html.Table(
            [
                html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
                html.Tbody([html.Tr(row) for row in rows]),
            ],
            className=name,
        ),
        className="scroll",
        tabIndex=0,
        role="region",
        **attributes(aria_label=label),
    )


@page_frame.where_store_fails(BENCH.failed("/bench/kinds", "Kinds", "one"))
def layout(shop: ShopData, book: WaitQueries) -> Component:
    """Every kind in use, and adding one."""
    may = may_manage()
    kinds = sorted(book.kinds(), key=lambda kind: kind.name)
    learned = {kind.id: book.learned(kind.id) for kind in kinds}
    retired = sorted(book.retired().values(), key=lambda kind: kind.name)
    rows = []
    for kind in kinds:
        taught = learned[kind.id]
        text = "–"
        if taught is not None and taught.evidence:
            text = f"{_hours(taught.used_s)} from {_releases(len(taught.evidence))}"
        rows.append(
            [
                html.Th(dcc.Link(kind.name, href=f"/bench/kind/{kind.id}"), scope="row"),
                html.Td(formats.hours(kind.basis_s), className="count"),
                html.Td(
                    formats.hours(kind.minimum_s) if kind.minimum_s else "none", className="count"
                ),
                html.Td(text),
                html.Td(bench_text.law_words(kind).split(":")[0].split(" that ")[0]),
                html.Td(kind.source),
            ]
        )
    return _page(
        "/bench/kinds",
        [
            html.H1("Kinds"),
            html.P(
                formats.in_reader_unit(
                    "The usual time is the wait you would give the work in reference air (20 °C "
                    "and 50 % RH). You can change every usual time.",
                    formats.temperature_unit(shop.settings.board.temperature_unit),
                )
            ),
            _table(
                ["Kind", "Usual time", "Safe minimum", "Learned", "Law", "Usual time from"],
                rows,
                "Kinds",
            ),
            _add(kinds) if may.allowed else html.P(may.why),
            _off_the_list(retired) if may.allowed and retired else None,
        ],
    )


def _off_the_list(retired: list[WaitType]) -> Component:
    return html.Details(
        [
            html.Summary(f"{len(retired)} off the list"),
            html.P("Tap a kind to put it back on the list, as it last was."),
            html.Div(
                [
                    action_button(
                        kind.name,
                        "restore",
                        kind=kind.id,
                        then="reload",
                        said=f"Back on the list: {kind.name}.",
                    )
                    for kind in retired
                ],
                className="taps wide",
            ),
        ],
        id="kinds-off",
    )


def _add(kinds: list[WaitType]) -> Component:
    return html.Details(
        [
            html.Summary("Add a kind"),
            html.Div(
                [
                    text_field("Name", "add-name", "name", maxLength=40),
                    text_field("Basis, hours", "add-basis", "basis_h", inputMode="numeric"),
                    text_field(
                        "Safe minimum, hours", "add-minimum", "minimum_h", inputMode="numeric"
                    ),
                ],
                id="add-form",
                className="fields",
                **attributes(data_draft="add-kind"),
            ),
            html.P("Copy the formula, spread and cautions from:"),
            html.Div(
                [
                    action_button(
                        kind.name,
                        "kind",
                        form="add-form",
                        like=kind.id,
                        said="Added.",
                        then="reload",
                    )
                    for kind in kinds
                ],
                className="taps wide",
            ),
        ],
        id="kinds-add",
    )


@page_frame.where_store_fails(BENCH.failed("/bench/kind", "Kind", "one"))
def one(shop: ShopData, book: WaitQueries, kind_id: str) -> Component:
    """A kind with everything that makes its waits."""
    may = may_manage()
    kind, learned = book.kind(kind_id), book.learned(kind_id)
    if kind is None:
        return _page(
            "/bench/kind",
            [html.H1("No such kind"), html.P(dcc.Link("All kinds", href="/bench/kinds"))],
        )
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    warned = [formats.in_reader_unit(cautions.WORDS[c], unit) for c in kind.cautions]
    return _page(
        "/bench/kind",
        [
            html.H1(kind.name),
            html.P(bench_text.law_words(kind), className="lead"),
            html.Ul([html.Li(text) for text in warned], className="plain"),
            html.P(cautions.DEFERS, className="aside") if kind.cautions else None,
            html.H2("Learned from releases"),
            *learned_words(kind, learned, writer=may.allowed),
            html.H2("Its figures"),
            *figures(kind, may.allowed),
            html.H2("Quick card"),
            *card(kind, unit),
            None if may.allowed else html.P(may.why),
        ],
    )


def _hours(seconds: float) -> str:
    return formats.hours(bench_text.duration(seconds))


def _releases(n: int) -> str:
    return formats.counted(n, "release")


def shorter(kind: WaitType, learned: LearnedUsualTime, *, writer: bool) -> list[Component]:
    """Question whether to use the shorter time that is proposed, its limits, and the tap for yes."""
    question = bench_text.shorter_words(kind, learned)
    if learned.shorter_s is None:
        return []
    soft = [e.equivalent_s for e in learned.evidence if e.verdict is JointAtRelease.SOFT]
    limits = [f"the safe minimum, {formats.hours(kind.minimum_s)}"] if kind.minimum_s else []
    limits += [f"the longest time that was still soft, {_hours(max(soft))}"] if soft else []
    because = f" It is not below {' or '.join(limits)}." if limits else ""
    hours = f"{learned.shorter_s / 3600:g}"
    yes = html.Div(
        [
            html.Div(
                dcc.Input(id="shorter-h", name="basis_h", type="hidden", value=hours),
                id="shorter-form",
            ),
            action_button(
                f"Use {_hours(learned.shorter_s)}",
                "kind",
                kind=kind.id,
                form="shorter-form",
                said="Kept.",
                then="reload",
            ),
        ],
        className="taps wide",
    )
    return [html.P([html.Strong(question), because]), *([yes] if writer else [])]


def learned_words(
    kind: WaitType, learned: LearnedUsualTime | None, *, writer: bool = False
) -> list[Component]:
    """Prior, evidence and result."""
    if learned is None:
        return [html.P("This kind cannot learn, because it has no spread.")]
    before = (
        f"Before: usual time {formats.hours(kind.basis_s)}, give or take {round(100 * kind.spread)} %"
        f"{f', never below {formats.hours(kind.minimum_s)}' if kind.minimum_s else ''}."
    )
    if not learned.evidence:
        return [
            html.P(before),
            html.P("No release has an answer to “How was it?” yet, so the usual time is as set."),
        ]
    counts = {v: sum(e.verdict is v for e in learned.evidence) for v in JointAtRelease}
    verdicts = ", ".join(f"{n} {verdict}" for verdict, n in counts.items() if n)
    times = ", ".join(f"{_hours(e.equivalent_s)} {e.verdict}" for e in learned.evidence[-8:])
    result = (
        f"Estimate from the answers: {_hours(learned.basis_s)} "
        f"({_hours(learned.low_s)} to {_hours(learned.high_s)}). "
        f"New waits use {_hours(learned.used_s)}; open waits keep theirs."
    )
    if learned.basis_s < learned.used_s:
        result += (
            " Only the answer 'still soft' changes the usual time by itself, and only upwards."
        )
    return [
        html.P(before),
        html.P(
            f"{_releases(len(learned.evidence)).capitalize()}: {verdicts}. In reference air: {times}."
        ),
        html.P(html.Strong(result)),
        *shorter(kind, learned, writer=writer),
        density(learned, f"{before} {result}"),
        html.P(
            [
                "To undo, withdraw the answer of a release on ",
                dcc.Link("Finished", href="/bench/finished"),
                ".",
            ],
            className="aside",
        ),
    ]


def density(learned: LearnedUsualTime, text: str) -> Component:
    """Prior and result as two lines over the basis."""
    hours = learned.grid_s / 3600
    used = (learned.prior_density > learned.prior_density.max() / 200) | (
        learned.density > learned.density.max() / 200
    )
    low, high = float(hours[used].min()), float(hours[used].max())
    top = float(max(learned.prior_density.max(), learned.density.max()))
    lines = []
    across = (hours[used] - low) / (high - low)
    for name, values, width in (
        ("prior", learned.prior_density, 1.5),
        ("result", learned.density, 4.0),
    ):
        mask = drawings.curve(across, np.asarray(values[used]) / top, width)
        lines.append(html.Div(className=name, style={"WebkitMaskImage": mask, "maskImage": mask}))
    return html.Figure(
        [
            html.Div(lines, className="curves", role="img", **attributes(aria_label=text)),
            html.Figcaption(
                [
                    html.Span(_hours(3600 * low)),
                    html.Span("thin: before, thick: now"),
                    html.Span(_hours(3600 * high)),
                ]
            ),
        ],
        className="density",
    )


def figures(kind: WaitType, writer: bool) -> list[Component]:
    """Basis, minimum, spread and every parameter of the law, to see and to change."""
    shown = shown_of(kind)
    own = [
        (
            "basis_h",
            "Usual time",
            shown["basis_h"],
            "h",
            "1 min to 400 days",
            "The wait in reference air",
            kind.source,
        ),
        (
            "minimum_h",
            "Safe minimum",
            shown["minimum_h"],
            "h",
            "0 to the usual time",
            "Learning never goes below",
            kind.source,
        ),
        (
            "load_h",
            "Usual time to load",
            shown["load_h"],
            "h",
            "0, or from the usual time",
            "From the start until it may be worked, loaded or strung; 0: at its release",
            kind.source,
        ),
        (
            "spread",
            "Spread",
            shown["spread"],
            "",
            "0 to 1",
            "Standard deviation of ln(usual time)",
            kind.source,
        ),
    ]
    rows = [_figure(*line, writer=writer) for line in own]
    rows += [_parameter(p, shown[f"law.{p.name}"], writer) for p in parameters(kind.law)]
    table = _table(
        ["Figure", "Value", "Unit", "Range", "Means", "Source"], rows, "Figures", "figs"
    )
    shorter = (
        "The advice is never shorter than the usual time, however good the air."
        if kind.never_shorter
        else (
            "In good air the advice may be shorter than the usual time, but never shorter "
            "than the safe minimum."
        )
    )
    if not writer:
        return [table, html.P(shorter)]
    return [
        html.Div(table, id="kind-form", **attributes(data_draft=f"kind-{kind.id}")),
        html.Div(
            [
                action_button(
                    "Save",
                    "kind",
                    kind=kind.id,
                    form="kind-form",
                    said="Kept.",
                    then="reload",
                    name="tap main",
                ),
                action_button(
                    "Take off the list",
                    "retire",
                    kind=kind.id,
                    said="Taken off.",
                    then="/bench/kinds",
                    sure="Tap again to take it off",
                ),
            ],
            className="taps wide",
        ),
        html.P(shorter),
        html.Div(
            [
                action_button(
                    "Allow good air to shorten it",
                    "kind",
                    kind=kind.id,
                    never_shorter="no",
                    said="Kept.",
                    then="reload",
                )
                if kind.never_shorter
                else action_button(
                    "Never shorter than the usual time",
                    "kind",
                    kind=kind.id,
                    never_shorter="yes",
                    said="Kept.",
                    then="reload",
                )
            ],
            className="taps wide",
        ),
        html.P("Changes apply to waits opened from now on.", className="aside"),
    ]


def _parameter(p: Parameter, shown: str, writer: bool) -> list[Component]:
    return _figure(
        f"law.{p.name}",
        _label(p.name),
        shown,
        p.unit,
        f"{p.low:g} to {p.high:g}",
        p.help,
        p.source,
        writer=writer,
    )


def _label(name: str) -> str:
    """Name of a parameter in words, shown beside its unit."""
    for ending in ("_kj_mol", "_pct", "_mm", "_c", "_h", "_k"):
        name = name.removesuffix(ending)
    sentences = [
        {"temp": "temperature", "rh": "RH", "sd": "spread"}.get(w, w) for w in name.split("_")
    ]
    text = " ".join(sentences)
    return text[:1].upper() + text[1:]


def _figure(
    name: str,
    label: str,
    value: str,
    unit: str,
    span: str,
    text: str,
    source: str,
    *,
    writer: bool,
) -> list[Component]:
    id_ = f"kind-{name.replace('.', '-')}"
    shown: Component | str = value
    head: Component | str = label
    if writer:
        head = html.Label(label, htmlFor=id_)
        shown = dcc.Input(id=id_, name=name, type="text", value=value, autoComplete="off")
    return [
        html.Th(head, scope="row"),
        html.Td(shown),
        html.Td(unit),
        html.Td(span),
        html.Td(text),
        html.Td(source),
    ]


def card(kind: WaitType, unit: formats.Unit) -> list[Component]:
    """Speed in constant air relative to reference air, as a card, and where the card misleads."""
    temps, rhs = np.array(CARD_TEMPS_C, float), np.array(CARD_RHS_PCT, float)
    rates = kind.law.relative_rate(temps[:, None], rhs[None, :])
    rows = [
        [
            html.Th(formats.whole_temperature(t, unit), scope="row"),
            *(
                html.Td(
                    "hold" if r <= 0 else formats.figure(float(r), 2),
                    className="held" if r <= 0 else "",
                )
                for r in line
            ),
        ]
        for t, line in zip(
            CARD_TEMPS_C, np.broadcast_to(rates, (len(temps), len(rhs))), strict=True
        )
    ]
    caption = "Speed in constant air, relative to reference air: 0.5 takes twice the usual time."
    return [
        html.P(caption),
        _table(["Air", *(f"{rh} %" for rh in CARD_RHS_PCT)], rows, "Quick card", "card"),
        html.P(formats.in_reader_unit(card_limits(kind), unit), className="aside"),
    ]


def card_limits(kind: WaitType) -> str:
    """Describe where the card differs from the law."""
    law = kind.law
    if not isinstance(law, GlueLaw):
        return "Ready times use the same formula, moment by moment, with the air as it was."
    basis_h = kind.basis_s / 3600
    plain = GlueLaw(**{p.name: p.value for p in parameters(law)} | {"wood_memory_h": 0.0})
    good, damp = GOOD_THEN_DAMP
    pieces = ((basis_h / 2, *good[1:]), damp)
    strict, additive = strict_and_additive_hours(plain, basis_h, pieces)
    ends = "never gets ready" if math.isinf(strict) else f"takes {formats.hours(3600 * strict)}"
    card_h = "no end" if math.isinf(additive) else formats.hours(3600 * additive)
    return (
        "The card adds hours up. A glue line does not. An example: half the usual time in "
        f"{good[1]:g} °C, {good[2]:g} % and then {damp[1]:g} °C, {damp[2]:g} %. By the card this "
        f"takes {card_h}; by the formula it {ends}. With good air first, the card's time is too "
        "short; with bad air first, it is too long. Ready times use the formula."
    )
