"""Opening a wait: its details, a tap on its kind, a tap on its place, each with its ready time."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from dash import Input, Output, State, dcc, html

from dashboard.bench import text as bench_text
from dashboard.data.waits import StartRequest
from dashboard.ui import formats, missing, page_frame
from dashboard.ui.controls import action_button, choice, folded, text_area, text_field
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.core.measurements import BY_HAND, Quantity
from monitor.domain.cautions import WORDS, Caution
from monitor.domain.glue import GlueState, takes_glue
from monitor.domain.glue_kinds import KINDS as GLUES
from monitor.domain.instrument import id_of
from monitor.science.waits.open_time import CHILLED_TEMP_C
from monitor.waits import text as wait_text
from monitor.waits.starts import Starts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import dash
    from dash.development.base_component import Component

    from dashboard.data.glue import GlueQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from dashboard.data.wood import WoodQueries
    from monitor.air.latest_air import LatestAir
    from monitor.domain.glue import Glue
    from monitor.domain.wait_types import WaitType

FIRST_KINDS = 4
"""Number of kinds with a button of their own; the others are one tap further in."""
RECENT = 4
"""Most instruments that are a tap."""


def register(app: dash.Dash, shop: ShopData, book: WaitQueries, glues: GlueQueries) -> None:
    """Hang the ready times of the kinds and places into the app."""

    @app.callback(
        Output("bench-kinds", "children"),
        Output("bench-other-kinds", "children"),
        Output("bench-places", "children"),
        Output("bench-cold", "children"),
        Input("token", "data"),
        Input("bench-changed", "data"),
        Input("bench-asked", "data"),
        State("bench-order", "data"),
    )
    @page_frame.where_store_fails(lambda trouble, *_: 4 * (page_frame.sentence_of(trouble),))
    def ready(
        _token: str, _changed: str, asked: Mapping[str, Any], order: Sequence[str]
    ) -> tuple[Any, ...]:
        return live(shop, book, glues, asked or {}, order)


def reply(
    tap: Mapping[str, Any],
    done: Mapping[str, Any],
    *,
    shop: ShopData,
    waits: WaitQueries,
    woods: WoodQueries,
    glues: GlueQueries,
) -> dict[str, str]:
    """Answer to the tap that opened waits: what they are, when they are ready, and the instrument
    if it is not taken in."""
    found = [wait for id_ in done.get("waits", ()) if (wait := waits.wait(str(id_))) is not None]
    if tap.get("do") != "open" or not found:
        return {}
    status, instrument = waits.status(found[-1].id), found[0].instrument
    ready = wait_text.UNKNOWN_TIME
    if status is not None:
        ready = wait_text.ready_phrase(status, now_ms(), shop.settings.zone)
    known = not instrument or woods.instrument(id_of(instrument)) is not None
    return {
        "opened": bench_text.opened_words(found, shop.place_names(), glues.labels()),
        "ready": ready,
        "unknown": "" if known else instrument,
    }


def section(
    shop: ShopData, book: WaitQueries, woods: WoodQueries, glues: GlueQueries
) -> Component:
    """Details first, then the kinds, then the places.

    The most used kinds are in front. They keep to the order of their names, so that a button does
    not change its place when another kind has overtaken it by one.
    """
    if not shop.place_names(indoors=True):
        lacks = missing.missing(missing.NO_PLACE, missing.SET_UP_PLACE, missing.TYPE_READING)
        return html.Section(
            [html.H2("Put in clamps, or leave to dry"), lacks], className="opening"
        )
    kinds = book.kinds()
    order = [kind.id for kind in sorted(kinds[:FIRST_KINDS], key=lambda kind: kind.name)]
    order += [kind.id for kind in kinds[FIRST_KINDS:]]
    here = [one.reference for one in woods.here()]
    first, others, places, cold = live(shop, book, glues, None, order)
    return html.Section(
        [
            html.H2("Put in clamps, or leave to dry"),
            details(here, book.recent_instruments(RECENT), glues.here()),
            html.Div(first, id="bench-kinds", className="kinds"),
            folded(
                formats.counted(len(others), "more kind"),
                html.Div(others, id="bench-other-kinds", className="kinds"),
                id="bench-more-kinds",
            ),
            html.Div(
                [
                    html.H3([html.Span(id="bench-chosen"), ": where?"], tabIndex=-1),
                    html.Div(places, id="bench-places", className="places-taps"),
                    cautions(kinds, formats.unit_of(shop.settings)),
                    html.Ul(cold, id="bench-cold", className="cautions"),
                ],
                id="bench-where",
                hidden=True,
            ),
            dcc.Store(id="bench-asked", data={}),
            dcc.Store(id="bench-order", data=order),
        ],
        className="opening",
        id="bench-opening",
    )


def live(
    shop: ShopData,
    book: WaitQueries,
    glues: GlueQueries,
    asked: Mapping[str, Any] | None,
    order: Sequence[str],
) -> tuple[list[Component], ...]:
    """First kinds, other kinds and places, each with its ready time, and the cold places.

    `asked`: glue and start as typed; None: without ready times, which follow. `order`: the kinds as
    the page has them.
    """
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    indoors = [one for one in shop.recent() if one.place.kind != "outdoors"]
    labels = {one.place.id: one.place.label for one in indoors}
    glue, found = "", Starts()
    if asked is not None:
        glue = str(asked.get("glue", ""))
        start_ms = _start_of(str(asked.get("start", "")), now, shop)
        found = book.starts(StartRequest(tuple(labels), glue, start_ms))
    phrases = {key: bench_text.start_phrase(one, now, zone) for key, one in found.items()}
    batch, usual, kinds = glues.glue(glue), book.usual_places(), book.kinds()
    named = batch.label if batch else ""
    by_id = {kind.id: kind for kind in kinds}

    def tap(kind: WaitType) -> Component:
        place = _first_place(kind.id, usual.get(kind.id, ""), list(labels), found)
        at = labels[place] if len(labels) > 1 and place else ""
        own = batch.kind.cautions if batch and takes_glue(kind) else ()
        return kind_tap(
            kind,
            phrases.get((kind.id, place), ""),
            at,
            bench_text.glue_words(kind, named),
            tuple(dict.fromkeys((*own, *kind.cautions))),
        )

    taps = [tap(by_id[kind_id]) for kind_id in order if kind_id in by_id]
    return (
        taps[:FIRST_KINDS],
        taps[FIRST_KINDS:],
        [
            place_tap(
                one,
                unit,
                shop,
                {kind: phrase for (kind, at), phrase in phrases.items() if at == one.place.id},
            )
            for one in indoors
        ],
        cold_places(indoors, unit, shop),
    )


def _start_of(text: str, now: int, shop: ShopData) -> int | None:
    """The typed start; None where it is empty, cannot be read, or is not over."""
    try:
        start = formats.of_input(text, shop.settings.zone) if text else now
    except ValueError:
        return None
    return (
        start // formats.MINUTE_MS * formats.MINUTE_MS if start < now - formats.MINUTE_MS else None
    )


def _first_place(kind: str, usual: str, places: Sequence[str], found: Starts) -> str:
    """Place of a kind's button: where it was opened last, else the first with a ready time."""
    if usual in places:
        return usual
    timed = (
        place
        for place in places
        if (start := found.get((kind, place))) is not None
        and (status := start.status) is not None
        and status.readiness is not None
        and status.readiness.ready_ms is not None
    )
    return next(timed, next(iter(places), ""))


def kind_tap(
    kind: WaitType, phrase: str, place: str, glue: str, shown: Sequence[Caution]
) -> Component:
    """A kind to open: when it is ready if it starts now, where, with which glue and cautions."""
    return html.Button(
        [
            html.Strong(kind.name),
            html.Span(phrase, className="ready-at"),
            html.Span(", ".join(filter(None, (place, glue))), className="basis"),
        ],
        type="button",
        className="tap kind",
        key=kind.id,
        **attributes(
            data_choose=kind.id,
            data_name=kind.name,
            data_glue="yes" if takes_glue(kind) else "no",
            aria_pressed="false",
            data_cautions=" ".join(shown),
        ),
    )


def place_tap(
    latest: LatestAir, unit: formats.Unit, shop: ShopData, phrases: Mapping[str, str]
) -> Component:
    """A place to put it, with its air now; the page shows the phrase of the chosen kind."""
    place, newest, heard, now = latest.place, latest.newest, latest.heard_ms(), now_ms()
    values = [
        formats.with_unit(str(quantity), newest[quantity][1], unit)
        for quantity in sorted(newest, reverse=True)
        if str(quantity) in ("temperature", "humidity")
    ]
    if heard is None:
        air = "no reading yet"
    elif latest.old_at(now, shop.settings):
        air = f"no reading since {formats.when(heard, now, shop.settings.zone)}"
    elif latest.sensor == BY_HAND:
        air = f"{', '.join(values)}, read {formats.age((now - heard) / 1000)}"
    else:
        air = ", ".join(values)
    return action_button(
        [
            html.Strong(place.label),
            html.Span(className="ready-at"),
            html.Span(air, className="basis"),
        ],
        "open",
        place=place.id,
        name="tap main",
        placename=place.label,
        ready=json.dumps(phrases),
    )


def cold_places(
    indoors: Sequence[LatestAir], unit: formats.Unit, shop: ShopData
) -> list[Component]:
    """List the places where a joint made now would chill."""
    limit = shop.settings.limits.glue_temp_low_c
    now = now_ms()
    found: list[Component] = []
    for one in indoors:
        place = one.place
        _, temp_c = one.newest.get(Quantity.TEMPERATURE, (0, limit))
        if temp_c < limit and not one.old_at(now, shop.settings):
            text = f"{place.label} is at {formats.with_unit('temperature', temp_c, unit)}, below "
            if temp_c < CHILLED_TEMP_C:
                text += (
                    f"{formats.limit_temperature(CHILLED_TEMP_C, unit)}. A joint made there now is "
                    "likely to chill. Glue in a warmer place, or warm the parts first."
                )
            else:
                text += (
                    f"{formats.limit_temperature(limit, unit)}. Warm the parts first: cold parts "
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


def cautions(kinds: Sequence[WaitType], unit: formats.Unit) -> Component:
    """Every caution of any kind and glue; the page shows those of the chosen ones until they are put
    away.

    That of a chilled joint is left to the cold places.
    """
    of_kinds = {c for kind in kinds for c in kind.cautions}
    of_any = of_kinds.union(*(glue.cautions for glue in GLUES.values()))
    used = [c for c in Caution if c is not Caution.CHILLED_JOINT and c in of_any]
    return html.Ul(
        [
            html.Li(
                [
                    html.Span(formats.in_reader_unit(WORDS[caution], unit)),
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
    return choice("Glue", "open-glue", "glue", words)


def details(here: Sequence[str], recent: Sequence[str], batches: Sequence[Glue] = ()) -> Component:
    """Details of the next wait, kept on the device until it is opened: the usual ones, then more.

    `here`: references of the instruments that were taken in, `recent`: instruments of late waits.
    """
    taps = list(dict.fromkeys([*recent, *here]))[:RECENT]
    return html.Div(
        [
            html.Div(
                [
                    html.Button(
                        text,
                        type="button",
                        className="tap",
                        **attributes(
                            data_fill="open-instrument", data_value=text, aria_pressed="false"
                        ),
                    )
                    for text in taps
                ],
                className="taps recent",
                role="group",
                **attributes(aria_label="Instrument"),
            ),
            html.Div(
                [
                    text_field(
                        "Instrument or job",
                        "open-instrument",
                        "instrument",
                        maxLength=200,
                        list="open-references",
                    ),
                    text_field(
                        "Clamps", "open-clamps", "clamps", inputMode="numeric", maxLength=3
                    ),
                    glue_choice(batches),
                ],
                className="fields first-fields",
            ),
            html.Datalist([html.Option(value=text) for text in here], id="open-references"),
            html.P(
                [
                    html.Span(id="open-unknown-name"),
                    " has not been taken in. ",
                    html.A("Take it in", id="open-take-in", href="/wood/new"),
                    " to follow its wood, or go on without it.",
                ],
                id="open-unknown",
                className="aside",
                hidden=True,
            ),
            folded(
                "More: what, how many, start, wanted by, who, note",
                html.Div(
                    [
                        text_field("What", "open-what", "what", maxLength=200),
                        text_field(
                            "How many at once",
                            "open-count",
                            "count",
                            inputMode="numeric",
                            maxLength=3,
                        ),
                        text_field("Started (empty: now)", "open-start", "start"),
                        text_field("Wanted by", "open-wanted", "wanted"),
                        text_field("Who (kept on this device)", "bench-by", "by", maxLength=60),
                        text_area("Note", "open-note", "note", maxLength=2000),
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
                id="bench-more",
            ),
        ],
        id="bench-form",
        **attributes(data_draft="open"),
    )
