"""Kind: the basis of one kind of wait, what releases have taught, its figures and its card."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from dash import dcc, html

from dashboard.access.visitor import may_manage
from dashboard.bench import text as bench_text
from dashboard.bench.forms import parameters_in, shown_of
from dashboard.bench.view import BENCH
from dashboard.bench.wait_type_card import card
from dashboard.ui import drawings, formats, page_frame
from dashboard.ui.controls import action_button, tap_row
from dashboard.ui.markup import attributes
from dashboard.ui.tables import wide_table
from monitor.domain import cautions
from monitor.science.waits.learning import JointAtRelease

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.wait_types import WaitType
    from monitor.science.waits.learning import LearnedUsualTime
    from monitor.science.waits.parameters import Parameter

_page = partial(BENCH.page, classes="one")


@page_frame.where_store_fails(BENCH.failed("/bench/kind", "Kind", "one"))
def layout(shop: ShopData, book: WaitQueries, kind_id: str) -> Component:
    """A kind with everything that makes its waits."""
    may = may_manage()
    kind, learned = book.kind(kind_id), book.learned(kind_id)
    if kind is None:
        return _page(
            "/bench/kind",
            [html.H1("No such kind"), html.P(dcc.Link("All kinds", href="/bench/kinds"))],
        )
    unit = formats.unit_of(shop.settings)
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
            *figures(kind, unit, may.allowed),
            html.H2("Quick card"),
            *card(kind, unit),
            None if may.allowed else html.P(may.why),
        ],
    )


def in_hours(seconds: float) -> str:
    """A duration in hours, in words."""
    return formats.hours(bench_text.duration(seconds))


def releases(n: int) -> str:
    """A count of releases, in words."""
    return formats.counted(n, "release")


def shorter(kind: WaitType, learned: LearnedUsualTime, *, writer: bool) -> list[Component]:
    """Question whether to use the shorter time that is proposed, its limits, and the tap for yes."""
    question = bench_text.shorter_words(kind, learned)
    if learned.shorter_s is None:
        return []
    soft = [e.equivalent_s for e in learned.evidence if e.verdict is JointAtRelease.SOFT]
    limits = [f"the safe minimum, {formats.hours(kind.minimum_s)}"] if kind.minimum_s else []
    limits += [f"the longest time that was still soft, {in_hours(max(soft))}"] if soft else []
    because = f" It is not below {' or '.join(limits)}." if limits else ""
    hours = f"{learned.shorter_s / 3600:g}"
    yes = tap_row(
        [
            html.Div(
                dcc.Input(id="shorter-h", name="basis_h", type="hidden", value=hours),
                id="shorter-form",
            ),
            action_button(
                f"Use {in_hours(learned.shorter_s)}",
                "kind",
                kind=kind.id,
                form="shorter-form",
                said="Kept.",
                then="reload",
            ),
        ]
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
    times = ", ".join(f"{in_hours(e.equivalent_s)} {e.verdict}" for e in learned.evidence[-8:])
    result = (
        f"Estimate from the answers: {in_hours(learned.basis_s)} "
        f"({in_hours(learned.low_s)} to {in_hours(learned.high_s)}). "
        f"New waits use {in_hours(learned.used_s)}; open waits keep theirs."
    )
    if learned.basis_s < learned.used_s:
        result += (
            " Only the answer 'still soft' changes the usual time by itself, and only upwards."
        )
    return [
        html.P(before),
        html.P(
            f"{releases(len(learned.evidence)).capitalize()}: {verdicts}. In reference air: {times}."
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
                    html.Span(in_hours(3600 * low)),
                    html.Span("thin: before, thick: now"),
                    html.Span(in_hours(3600 * high)),
                ]
            ),
        ],
        className="density",
    )


def figures(kind: WaitType, unit: formats.Unit, writer: bool) -> list[Component]:
    """Basis, minimum, spread and every parameter of the law, to see and to change."""
    shown = shown_of(kind, unit)
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
    rows += [_parameter(p, shown[f"law.{p.name}"], writer) for p in parameters_in(kind, unit)]
    heads = ["Figure", "Value", "Unit", "Range", "Means", "Source"]
    listed = wide_table(heads, rows, "Figures", "figs")
    shorter = (
        "The advice is never shorter than the usual time, however good the air."
        if kind.never_shorter
        else (
            "In good air the advice may be shorter than the usual time, but never shorter "
            "than the safe minimum."
        )
    )
    if not writer:
        return [listed, html.P(shorter)]
    return [
        html.Div(listed, id="kind-form", **attributes(data_draft=f"kind-{kind.id}")),
        tap_row(
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
            ]
        ),
        html.P(shorter),
        tap_row(
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
            ]
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
    return formats.first_upper(" ".join(sentences))


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
