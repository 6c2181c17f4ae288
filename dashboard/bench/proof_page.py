"""Pages of own proof: the experiments and how to start one, and one experiment."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.visitor import may_change
from dashboard.bench.proof_figure import LINE, proof_plot
from dashboard.bench.proof_forms import LABELS, label_of
from dashboard.bench.view import BENCH
from dashboard.ui import formats, page_frame, plots
from dashboard.ui.controls import (
    action_button,
    choice,
    draft_form,
    fault_line,
    folded,
    picks,
    tap_row,
    text_field,
)
from dashboard.ui.event_list import event_list
from dashboard.ui.markup import attributes, shape
from dashboard.ui.themes import theme_of
from monitor.core.clock import now_ms
from monitor.domain.cautions import DEFERS, WORDS
from monitor.domain.own_proof import Judgement, Proof, ProofState
from monitor.domain.own_proof_kinds import METHODS, Method, ProofKind
from monitor.science.calibration.salts import SALTS
from monitor.science.case.presets import PRESETS
from monitor.waits import proof_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dash.development.base_component import Component

    from dashboard.data.own_proof import ProofQueries
    from dashboard.data.shop import ShopData
    from monitor.waits.proof_evaluation import ProofResult

TITLE, PATH = "Proof in your own shop", "/bench/proof"
SHAPES = {
    ProofState.RUNNING: "waiting",
    ProofState.FINISHED: "right",
    ProofState.WITHDRAWN: "paused",
}
CHOICES = ("place", "room", "case", "wait_kind", "salt")
"""Fields that are chosen from a list."""
_page = partial(BENCH.page, classes="one")


def register(app: dash.Dash, shop: ShopData, book: ProofQueries) -> None:
    """Hang the pages and their refreshing into the app."""
    dash.register_page(
        "bench_proofs", path=PATH, title=TITLE, layout=lambda **_: layout(shop, book)
    )
    dash.register_page(
        "bench_proof",
        path_template=f"{PATH}/<proof_id>",
        title=TITLE,
        layout=lambda proof_id="", **_: one(shop, book, proof_id),
    )

    @app.callback(
        Output("proof-plot", "figure"),
        Output("proof-plotted", "hidden"),
        Input("screen", "data"),
        Input("bench-changed", "data"),
        State("proof-id", "data"),
    )
    @page_frame.where_store_fails(
        lambda trouble, screen, *_: (plots.empty_plot(trouble.sentence, theme_of(screen)), False)
    )
    def draw(screen: Mapping[str, Any] | None, _: str, proof_id: str) -> tuple[Any, bool]:
        look, found = theme_of(screen), book.proof(proof_id)
        known = book.result(found)[0] if found else None
        if found is None or known is None or not known.points:
            return plots.empty_plot("", look), True
        return plots.sent(proof_plot(found, known, shop.settings.zone, look)), False


@page_frame.where_store_fails(BENCH.failed(PATH, TITLE, "one"))
def layout(shop: ShopData, book: ProofQueries) -> Component:
    """The experiments, and a form to start each kind."""
    may, found = may_change(), book.all()
    choices, unit = _choices(shop, book), formats.unit_of(shop.settings)
    return _page(
        PATH,
        [
            html.H1(TITLE),
            html.P(
                "Four small experiments show how far the figures hold in your shop. Each gives a "
                "range, and nothing from too few measurements."
            ),
            html.Ul([_row(proof, shop) for proof in found], className="glues")
            if found
            else html.P("No experiment was started."),
            html.H2("Start an experiment"),
            html.P(DEFERS),
            *(
                _starting(kind, METHODS[kind], choices, unit, writer=may.allowed)
                for kind in ProofKind
            ),
            None if may.allowed else html.P(may.why),
        ],
    )


def _row(proof: Proof, shop: ShopData) -> Component:
    place = shop.place_names().get(proof.place, proof.place)
    n = len(proof.counted)
    words = f"{formats.counted(n, 'measurement')} at {place}, {proof.state}"
    kept = proof_text.conclusions(proof_text.kept_ranges(proof))
    return html.Li(
        [
            html.H2(dcc.Link(proof.label, href=f"{PATH}/{proof.id}")),
            html.P([shape(SHAPES[proof.state]), html.Span(f"{words}.")], className="state"),
            html.P(" ".join(kept)) if kept and not proof.withdrawn else None,
        ],
        key=proof.id,
        className="glue",
        **attributes(data_proof=proof.id),
    )


def _starting(
    kind: ProofKind,
    method: Method,
    choices: Mapping[str, dict[str, str]],
    unit: formats.Unit,
    *,
    writer: bool,
) -> Component:
    form = f"start-{kind}"
    names = ["place", *method.start_needs, *method.start_may, "name"]
    return folded(
        method.name,
        html.P(method.aim),
        *_guide(method, unit),
        *(
            [
                draft_form(
                    [_field(name, form, choices, unit) for name in names], f"{form}-form", form
                ),
                tap_row(
                    action_button(
                        "Start it",
                        "start",
                        name="tap main",
                        about="proof",
                        kind=str(kind),
                        form=f"{form}-form",
                        said="Started.",
                        then="reload",
                    )
                ),
            ]
            if writer
            else []
        ),
        unfold=form,
    )


def _guide(method: Method, unit: formats.Unit) -> list[Component]:
    """Cautions and steps of a method, without the sentence on what comes first."""
    return [
        html.Div(
            [html.P(formats.in_reader_unit(WORDS[one], unit)) for one in method.cautions],
            className="may-cautions",
        ),
        html.Ol(
            [html.Li(formats.in_reader_unit(step, unit)) for step in method.steps],
            className="reasons",
        ),
    ]


def _field(
    name: str, form: str, choices: Mapping[str, dict[str, str]], unit: formats.Unit
) -> Component:
    """A field of a form: a choice or a line to type into."""
    own = f"{form}-{name}"
    if name == "judgement":
        options = {str(one): str(one).title() for one in Judgement}
        return picks(LABELS[name], own, options, None, fault_line(name))
    if name in CHOICES:
        words = choices[name]
        return choice(LABELS[name], own, name, words)
    label = label_of(name, unit)
    more = {} if name in ("name", "at", "glued") else {"inputMode": "decimal"}
    return text_field(label, own, name, faults=True, **more)


def _choices(shop: ShopData, book: ProofQueries) -> dict[str, dict[str, str]]:
    places = dict(shop.place_names())
    return {
        "place": places,
        "room": places,
        "case": {name: formats.first_upper(name) for name in PRESETS},
        "wait_kind": {one.id: one.name for one in book.joints()},
        "salt": {"": "None: type its RH"} | {key: f"{key}, {s.name}" for key, s in SALTS.items()},
    }


@page_frame.where_store_fails(BENCH.failed(PATH, TITLE, "one"))
def one(shop: ShopData, book: ProofQueries, proof_id: str) -> Component:
    """An experiment: result, plot, measurements, forms, steps, history."""
    may, found = may_change(), book.proof(proof_id)
    if found is None:
        return _page(
            f"{PATH}/one",
            [html.H1("No such experiment"), html.P(dcc.Link("All experiments", href=PATH))],
        )
    unit, (known, why) = formats.unit_of(shop.settings), book.result(found)
    running = found.state is ProofState.RUNNING
    place = shop.place_names().get(found.place, found.place)
    return _page(
        f"{PATH}/one",
        [
            dcc.Store(id="proof-id", data=found.id),
            html.H1(found.label),
            html.P(
                [
                    shape(SHAPES[found.state]),
                    html.Span(f"{str(found.state).title()}, at {place}."),
                ],
                className="state",
            ),
            *result_parts(found, known, why),
            html.P(book.release_words(found)),
            _plot(found, known),
            *(_adding(found, _choices(shop, book), unit) if may.allowed and running else []),
            *_measurements(found, shop, writer=may.allowed and running),
            *(_ending(found, known) if may.allowed else [html.P(may.why)]),
            html.H2("How it is done"),
            html.P(found.method.aim),
            *_guide(found.method, unit),
            html.P(DEFERS),
            html.H2("Started with"),
            html.Dl(
                [html.Div([html.Dt(word), html.Dd(v)]) for word, v in proof_text.inputs(found)],
                className="facts",
            ),
            html.H2("History"),
            _history(found, shop),
        ],
    )


def result_parts(proof: Proof, known: ProofResult, why: str) -> list[Component]:
    """Result in sentences, what is lacking, and what the result bears on."""
    kept = proof_text.kept_ranges(proof) if proof.result else known.ranges
    missing = "" if proof.result else why or proof_text.lacks(proof, known)
    sentences = proof_text.conclusions(kept)
    return [
        *(html.P(text, className="lead") for text in sentences[:-1]),
        *(html.P(text) for text in filter(None, (missing, *sentences[-1:]))),
        html.P(proof_text.bearing(proof), className="aside"),
    ]


def _plot(proof: Proof, known: ProofResult) -> Component:
    return html.Div(
        [
            plots.frame("proof-plot", "Plot of the measurements; they are listed below"),
            html.P(
                " ".join(
                    ["Points are measurements.", *([LINE[proof.kind]] if known.ranges else [])]
                ),
                className="aside",
            ),
        ],
        id="proof-plotted",
        hidden=True,
    )


def _adding(
    proof: Proof, choices: Mapping[str, dict[str, str]], unit: formats.Unit
) -> list[Component]:
    """Form for a new measurement, and one that corrects a measurement."""
    method = proof.method
    asked = [{"glued_ms": "glued"}.get(name, name) for name in (*method.needs, *method.may)]
    own = {"about": "proof", "proof": proof.id}
    return [
        html.H2("Add a measurement"),
        draft_form(
            [_field(name, "add", choices, unit) for name in (*asked, "at")],
            "add-form",
            f"proof-add-{proof.id}",
        ),
        tap_row(
            action_button(
                "Add it",
                "add",
                name="tap main",
                form="add-form",
                said="Added.",
                then="reload",
                **own,
            )
        ),
        folded(
            "Correct a measurement",
            html.P("Type only what changes.", className="aside"),
            draft_form(
                [_field(name, "fix", choices, unit) for name in ("number", *asked, "at")],
                "fix-form",
                f"proof-fix-{proof.id}",
            ),
            html.Div(
                action_button(
                    "Correct it",
                    "correct",
                    form="fix-form",
                    said="Corrected.",
                    then="reload",
                    **own,
                ),
                className="taps",
            ),
            unfold="proof-fix",
        ),
    ]


def _measurements(proof: Proof, shop: ShopData, *, writer: bool) -> list[Component]:
    now, zone = now_ms(), shop.settings.zone
    if not proof.counted:
        return []
    strike = partial(
        action_button,
        "Strike out",
        "correct",
        about="proof",
        proof=proof.id,
        sure="Strike it out? Tap again",
        said="Struck out.",
        then="reload",
    )
    return [
        html.H2("Measurements"),
        html.Ul(
            [
                html.Li(
                    [
                        html.Span(proof_text.measurement(m, now, zone)),
                        html.Div(strike(number=str(m.number)), className="taps")
                        if writer
                        else None,
                    ],
                    key=f"{m.number}",
                )
                for m in proof.counted
            ],
            className="plain measured",
        ),
    ]


def _ending(proof: Proof, known: ProofResult) -> list[Component]:
    """Taps that finish or withdraw an experiment."""
    if proof.withdrawn:
        return []
    own = {"about": "proof", "proof": proof.id, "then": "reload"}
    found: list[Component] = []
    if proof.state is ProofState.RUNNING and known.ranges:
        found.append(
            action_button("Finish and keep the result", "finish", said="Finished.", **own)
        )
        if proof.kind in (ProofKind.LAPS, ProofKind.SOFTENING):
            found.append(
                action_button(
                    "Finish and use the result",
                    "finish",
                    on="yes",
                    sure="Use it from now on? Tap again",
                    said="Finished. The result is used.",
                    **own,
                )
            )
    found.append(
        action_button(
            "Withdraw", "withdraw", sure="Withdraw it? Tap again", said="Withdrawn.", **own
        )
    )
    return [tap_row(found)]


def _history(proof: Proof, shop: ShopData) -> Component:
    now, zone = now_ms(), shop.settings.zone
    return event_list(proof.events, lambda event: proof_text.action(event), now, zone)
