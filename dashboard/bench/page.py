"""Bench: what is in clamps or drying, when it is ready, and putting something in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import dash
from dash import Input, Output, dcc, html

from dashboard.access.visitor import Permission, may_change
from dashboard.bench import calendar_feed, series, view
from dashboard.bench import text as bench_text
from dashboard.bench.view import BENCH
from dashboard.ui import formats, page_frame
from dashboard.ui.controls import action_button, action_results, text_field
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.domain.cautions import WORDS, Caution
from monitor.domain.glue import GlueState
from monitor.domain.wait import Action
from monitor.science.waits.open_time import CHILLED_TEMP_C
from monitor.waits.text import released_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dash.development.base_component import Component

    from dashboard.data.glue import GlueQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from dashboard.data.wood import WoodQueries
    from monitor.core.measurements import Quantity
    from monitor.domain.glue import Glue
    from monitor.domain.places import Place
    from monitor.domain.wait import Wait
    from monitor.domain.wait_types import WaitType
    from monitor.waits.evaluation import Standing

FIRST_KINDS = 4
"""Number of kinds with a button of their own; the others are one tap further in."""
JUST_MS = 20 * formats.MINUTE_MS
"""Time after its release for which the page asks how a wait was. [ms]"""
JUST_MOST = 60
JUST_CARDS = 3
"""Most cards of released waits that are not folded away."""
ANSWERED_MS = 2 * formats.MINUTE_MS
"""Time for which the answer stays to be changed. [ms]"""


def register(
    app: dash.Dash, shop: ShopData, book: WaitQueries, woods: WoodQueries, glues: GlueQueries
) -> None:
    """Hang the page and its refreshing into the app."""
    dash.register_page(
        "bench",
        path="/bench",
        name="Bench",
        title="Bench",
        layout=lambda **_: layout(shop, book, woods, glues),
    )

    @app.callback(
        Output("bench-next", "children"),
        Output("bench-just", "children"),
        Output("bench-waits", "children"),
        Output("bench-places", "children"),
        Output("bench-cold", "children"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        prevent_initial_call=True,
    )
    @page_frame.where_store_fails(
        lambda trouble, *_: ([], [], page_frame.sentence_of(trouble), *2 * [dash.no_update])
    )
    def refresh(_token: str, _changed: str) -> tuple[Any, ...]:
        writer = may_change().allowed
        return live(shop, book, glues, writer)


@page_frame.where_store_fails(page_frame.sheet("Bench", "sheet bench"))
def layout(shop: ShopData, book: WaitQueries, woods: WoodQueries, glues: GlueQueries) -> Component:
    """The page as this request may see it."""
    may = may_change()
    head, just, waits, places, cold = live(shop, book, glues, may.allowed)
    kinds, bases = book.kinds(), book.bases()
    references = [one.reference for one in woods.here()]
    return html.Main(
        [
            BENCH.links("/bench"),
            html.Div(head, id="bench-next"),
            *action_results(),
            html.Section(just, id="bench-just", className="just"),
            html.Section(id="bench-glue"),
            html.Div(
                [
                    opening(kinds, bases, places, cold, references, glues.here())
                    if may.allowed
                    else refused(may),
                    html.Section(waits, id="bench-waits"),
                ],
                className="bench-two",
            ),
            calendar(shop) if may.allowed else None,
        ],
        className="sheet bench",
    )


def refused(may: Permission) -> Component:
    """Notice shown instead of the taps where nothing may be changed."""
    return html.Section(
        [
            html.H2("Read only"),
            html.P(may.why),
            html.P(dcc.Link("Sign in", href="/sign-in", className="tap main"))
            if may.sign_in
            else None,
            html.Div([html.Div(id="bench-places"), html.Ul(id="bench-cold")], hidden=True),
        ],
        className="opening",
    )


def live(
    shop: ShopData, book: WaitQueries, glues: GlueQueries, writer: bool
) -> tuple[list[Component], ...]:
    """Parts that change by themselves: headline, released, open waits, places, cold places."""
    now, zone = now_ms(), shop.settings.zone
    recent = shop.recent()
    names = {one.place.id: one.place.label for one in recent}
    indoors = [(one.place, one.newest) for one in recent if one.place.kind != "outdoors"]
    unit = formats.temperature_unit(shop.settings.board.temperature_unit)
    found, labels = book.standings(), glues.labels()
    of = view.axis(found, now)
    if found:
        waits = [
            html.Div([html.H2(_count(found)), view.ruler(of, zone)], className="waits-head"),
            html.Ol(
                [
                    view.row(alike, of, zone, names, writer, labels)
                    for alike in series.alike(found, lambda standing: standing.wait)
                ],
                className="waits",
            ),
        ]
    else:
        waits = [html.P("Work in clamps or left to dry appears here with its ready time.")]
    head, after = bench_text.next_up(found, now, zone)
    top: list[Component] = [html.H1(head), html.P(after)]
    if found:
        top.append(html.A(_see(len(found)), href="#bench-waits", className="to-waits"))
    return (
        top,
        just_released(book, writer, now),
        waits,
        [place_tap(place, newest, unit, shop) for place, newest in indoors],
        cold_places(indoors, unit, shop),
    )


def _count(found: Sequence[Standing]) -> str:
    setting = sum(one.wait.setting for one in found)
    n = len(found) - setting
    return f"{n} wait{'' if n == 1 else 's'} open{f', {setting} setting' if setting else ''}"


def _see(n: int) -> str:
    return f"See the {n} open waits" if n > 1 else "See the open wait"


def just_released(book: WaitQueries, writer: bool, now: int) -> list[Component]:
    """Waits released a moment ago, with a question on how they were, which may be skipped."""
    fresh = [w for w in book.finished(JUST_MOST) if _is_fresh(w, now) and not w.mistaken]
    cards = [_just(waits, book, writer) for waits in series.alike(fresh, lambda wait: wait)]
    if len(cards) <= JUST_CARDS:
        return cards
    older = html.Details(
        [html.Summary(f"{len(cards) - JUST_CARDS} more released"), *cards[JUST_CARDS:]],
        **attributes(data_unfold="just-older"),
    )
    return [*cards[:JUST_CARDS], older]


def _is_fresh(wait: Wait, now: int) -> bool:
    if wait.feel:
        return now - wait.events[-1].recorded_ms < ANSWERED_MS
    return now - max(e.recorded_ms for e in wait.events if e.action == Action.RELEASE) < JUST_MS


def _just(waits: Sequence[Wait], book: WaitQueries, writer: bool) -> Component:
    name, ids = series.title(waits), series.ids(waits)
    taps = [
        action_button("Open again", "reopen", wait=ids, said=f"Open again: {name}."),
        html.Button("Not now", type="button", className="tap", **attributes(data_skip=ids)),
    ]
    return html.Article(
        [
            html.H2(f"{released_word(waits[0])}: {name}"),
            view.feel_question(waits, writer),
            html.Div(taps, className="taps") if writer else None,
            *learned(waits[0], book),
        ],
        key=waits[0].id,
        className="released",
        **attributes(data_wait=ids),
    )


def learned(wait: Wait, book: WaitQueries) -> list[Component]:
    """Effect of the answer on a wait, and the question that may follow from it."""
    if wait.feel is None:
        return []
    words: list[Component] = []
    if text := bench_text.taught_words(wait, book.taught(wait)):
        words.append(html.P(text))
    kind = book.kind(wait.kind["id"])
    question = bench_text.shorter_words(kind, book.learned(kind.id)) if kind else ""
    if not question:
        return words
    evidence = dcc.Link("See the evidence", href=f"/bench/kind/{wait.kind['id']}")
    return [*words, html.P([f"{question} ", evidence])]


def opening(
    kinds: Sequence[WaitType],
    bases: Mapping[str, float],
    places: list[Component],
    cold: list[Component],
    references: Sequence[str] = (),
    batches: Sequence[Glue] = (),
) -> Component:
    """Opening a wait: a tap on its kind, a tap on its place. `references`: of instruments here,
    `batches`: of glue.

    `kinds`: the most used first. Those in front keep to the order of their names, so that a button
    does not change its place when another kind has overtaken it by one.
    """
    first = sorted(kinds[:FIRST_KINDS], key=lambda kind: kind.name)
    others = kinds[FIRST_KINDS:]
    return html.Section(
        [
            html.H2("Put in clamps, or leave to dry"),
            html.Div([kind_tap(kind, bases[kind.id]) for kind in first], className="kinds"),
            html.Details(
                [
                    html.Summary(f"{len(others)} more kinds"),
                    html.Div(
                        [kind_tap(kind, bases[kind.id]) for kind in others], className="kinds"
                    ),
                ],
                id="bench-more-kinds",
            ),
            html.Div(
                [
                    html.H3([html.Span(id="bench-chosen"), ": where?"], tabIndex=-1),
                    html.Div(places, id="bench-places", className="places-taps"),
                    cautions(kinds),
                    html.Ul(cold, id="bench-cold", className="cautions"),
                ],
                id="bench-where",
                hidden=True,
            ),
            details(references, batches),
        ],
        className="opening",
        id="bench-opening",
    )


def calendar(shop: ShopData) -> Component | None:
    """The link to the calendar."""
    path = calendar_feed.link(shop)
    if not path:
        return None
    return html.P(
        [
            "Ready times for the phone: ",
            html.A("calendar link", href=path),
            (". Anyone with this link can see your open waits. Do not share it outside the shop."),
        ],
        className="aside calendar-link",
    )


def kind_tap(kind: WaitType, basis_s: float) -> Component:
    basis = formats.hours(bench_text.duration(basis_s))
    return html.Button(
        [html.Strong(kind.name), " ", html.Span(basis, className="basis")],
        type="button",
        className="tap kind",
        key=kind.id,
        **attributes(
            data_choose=kind.id,
            data_name=kind.name,
            aria_pressed="false",
            data_cautions=" ".join(kind.cautions),
        ),
    )


def place_tap(
    place: Place, newest: dict[Quantity, tuple[int, float]], unit: formats.Unit, shop: ShopData
) -> Component:
    """A place to put it, with its air now."""
    values = [
        formats.with_unit(str(quantity), newest[quantity][1], unit)
        for quantity in sorted(newest, reverse=True)
        if str(quantity) in ("temperature", "humidity")
    ]
    heard = min(
        (ms for q, (ms, _) in newest.items() if str(q) in ("temperature", "humidity")),
        default=None,
    )
    if heard is None:
        air = "no sensor, so no ready time"
    elif now_ms() - heard > 1000 * shop.settings.board.stale_after_s:
        air = f"no reading since {formats.when(heard, now_ms(), shop.settings.zone)}"
    else:
        air = ", ".join(values)
    return action_button(
        [html.Strong(place.label), html.Span(air, className="basis")],
        "open",
        place=place.id,
        name="tap main",
        placename=place.label,
    )


def cold_places(
    indoors: Sequence[tuple[Place, dict[Quantity, tuple[int, float]]]],
    unit: formats.Unit,
    shop: ShopData,
) -> list[Component]:
    """List the places where a joint made now would chill."""
    limit = shop.settings.limits.glue_temp_low_c
    now, stale = now_ms(), 1000 * shop.settings.board.stale_after_s
    found: list[Component] = []
    for place, newest in indoors:
        values = {str(quantity): value for quantity, value in newest.items()}
        at_ms, temp_c = values.get("temperature", (0, limit))
        if temp_c < limit and now - at_ms <= stale:
            text = f"{place.label} is at {formats.with_unit('temperature', temp_c, unit)}, below "
            if temp_c < CHILLED_TEMP_C:
                text += (
                    f"{formats.whole_temperature(CHILLED_TEMP_C, unit)}. A joint made there now is "
                    "likely to chill. Glue in a warmer place, or warm the parts first."
                )
            else:
                text += (
                    f"{formats.whole_temperature(limit, unit)}. Warm the parts first: cold parts "
                    "chill the glue before the joint is closed."
                )
            found.append(
                html.Li(
                    html.Span(text),
                    key=place.id,
                    **attributes(data_caution=str(Caution.CHILLED_JOINT)),
                )
            )
    return found


def cautions(kinds: Sequence[WaitType]) -> Component:
    """Every caution of any kind; the page shows those of the chosen one until they are put away.

    The chilled joint is told by the places that are cold.
    """
    used = [
        c
        for c in Caution
        if c is not Caution.CHILLED_JOINT and any(c in kind.cautions for kind in kinds)
    ]
    return html.Ul(
        [
            html.Li(
                [
                    html.Span(WORDS[caution]),
                    html.Button(
                        "Hide",
                        type="button",
                        className="away",
                        title="Hide this caution until tomorrow",
                        **attributes(data_dismiss=str(caution)),
                    ),
                ],
                **attributes(data_caution=str(caution)),
            )
            for caution in used
        ],
        className="cautions",
    )


def glue_choice(batches: Sequence[Glue]) -> Component:
    """Choice of the batch of glue of the next wait, with the condition of an old one."""
    now = now_ms()
    words = {"": "Not named"}
    for one in batches:
        state = one.state(now)
        words[one.id] = one.label if state is GlueState.GOOD else f"{one.label} ({state})"
    return html.Div(
        [
            html.Label("Glue", htmlFor="open-glue"),
            html.Select(
                [html.Option(word, value=value) for value, word in words.items()],
                id="open-glue",
                name="glue",
            ),
        ],
        className="field",
    )


def details(references: Sequence[str], batches: Sequence[Glue] = ()) -> Component:
    """Fields for optional details, kept on the device until the wait is opened."""
    return html.Div(
        [
            html.Details(
                [
                    html.Summary("Details: instrument, glue, who, start, clamps, note"),
                    html.Div(
                        [
                            text_field(
                                "Instrument or job",
                                "open-instrument",
                                "instrument",
                                maxLength=200,
                                list="open-references",
                            ),
                            html.Datalist(
                                [html.Option(value=text) for text in references],
                                id="open-references",
                            ),
                            text_field("What", "open-what", "what", maxLength=200),
                            text_field(
                                "How many at once",
                                "open-count",
                                "count",
                                inputMode="numeric",
                                maxLength=3,
                            ),
                            text_field(
                                "Clamps", "open-clamps", "clamps", inputMode="numeric", maxLength=3
                            ),
                            text_field(
                                "Who (kept on this device)", "bench-by", "by", maxLength=60
                            ),
                            text_field("Started (empty: now)", "open-start", "start"),
                            text_field("Wanted by", "open-wanted", "wanted"),
                            glue_choice(batches),
                            html.Div(
                                [
                                    html.Label("Note", htmlFor="open-note"),
                                    dcc.Textarea(id="open-note", name="note", maxLength=2000),
                                ],
                                className="field",
                            ),
                        ],
                        className="fields",
                    ),
                    html.P(
                        (
                            "These details are added to the next wait you open. Until then they "
                            "are kept on this device."
                        ),
                        className="aside",
                    ),
                ],
                id="bench-more",
            )
        ],
        id="bench-form",
        **attributes(data_draft="open"),
    )
