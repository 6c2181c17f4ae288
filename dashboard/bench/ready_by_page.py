"""Ready by: the latest start of each kind that is ready by a wanted time, and what if."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.parse import urlencode

import dash
from dash import Input, Output, State, dcc, html

from dashboard.access.visitor import may_change
from dashboard.bench import text as bench_text
from dashboard.bench.glue_now_page import PATH as GLUE_NOW
from dashboard.bench.view import BENCH
from dashboard.data.waits import ReadyByRequest, StartRequest
from dashboard.ui import formats, missing, page_frame
from dashboard.ui.controls import fieldset, picks, text_field
from dashboard.ui.markup import attributes
from monitor.core.clock import now_ms
from monitor.domain import opening_hours as hours
from monitor.domain.cautions import ANY_WORK, DRY_SLOWLY
from monitor.science.waits.latest_start import LatestStart
from monitor.waits import text as wait_text
from monitor.waits.evaluation import CLOCK_DOUBTED
from monitor.waits.glue_answer import Answer
from monitor.waits.glue_now import GlueQuestion
from monitor.waits.glue_now_text import words

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.glue import GlueQueries
    from dashboard.data.shop import ShopData
    from dashboard.data.waits import WaitQueries
    from monitor.domain.wait_types import WaitType
    from monitor.waits.starts import Start

WARMER_MOST_K, WARMER_STEP_K = 8.0, 1.0
DRIER_MOST_PCT, DRIER_STEP_PCT = 25.0, 5.0
AHEAD_MS = 5 * formats.DAY_MS
"""Longest time ahead for a wanted time: the length of the outlook. [ms]"""


SHUT = (
    "“None” means that no start during opening hours is in time: the shop stays closed until after "
    "the latest start."
)
JOINTS = (
    "For joints, ready means that the clamps may come off. A joint may be worked, loaded or strung only "
    "later: its wait on Bench says when."
)
AIR_AT_START = (
    "The times do not say whether the air will be right for gluing at the start. Ask “May I glue now?” "
    "before you spread glue."
)


class ReadyByQuestion(NamedTuple):
    """Question of the reader, or in words why it cannot be answered."""

    plan: ReadyByRequest | None
    fault: str = ""


def register(app: dash.Dash, shop: ShopData, book: WaitQueries, glues: GlueQueries) -> None:
    """Hang the page and its callbacks into the app."""
    dash.register_page(
        "bench_plan", path="/bench/ready-by", title="Ready by", layout=lambda **_: layout(shop)
    )

    @app.callback(
        Output("plan-if", "data"),
        Output("plan-warmer", "children"),
        Output("plan-drier", "children"),
        *(Input(f"plan-{name}", "n_clicks") for name in ("cooler", "warm", "damper", "dry")),
        State("plan-if", "data"),
        prevent_initial_call=True,
    )
    def step(*given: Any) -> tuple[Any, ...]:
        unit = formats.unit_of(shop.settings)
        after = stepped(str(dash.ctx.triggered_id), given[-1])
        return after, warmer_words(after[0], unit), drier_words(after[1])

    @app.callback(
        Output("plan", "children"),
        Input("plan-place", "value"),
        Input("plan-when", "value"),
        Input("plan-at", "value"),
        Input("plan-if", "data"),
        running=[(Output("plan-busy", "hidden"), False, True)],
    )
    @page_frame.where_store_fails(page_frame.sentence_of)
    def plan(
        place: str, when: str, at: str | None, what_if: list[float]
    ) -> list[Component | None]:
        asked = asked_for(shop, place, when, at or "", what_if)
        if asked.plan is None:
            return [html.P(asked.fault)]
        return answer(asked.plan, shop, book, glues)


def stepped(button: str, now: list[float]) -> list[float]:
    """Return the what-if setting after a tap, within its limits: [K warmer, % RH drier]."""
    warmer, drier = now
    warmer += {"plan-warm": WARMER_STEP_K, "plan-cooler": -WARMER_STEP_K}.get(button, 0.0)
    drier += {"plan-dry": DRIER_STEP_PCT, "plan-damper": -DRIER_STEP_PCT}.get(button, 0.0)
    return [
        min(max(warmer, -WARMER_MOST_K), WARMER_MOST_K),
        min(max(drier, -DRIER_MOST_PCT), DRIER_MOST_PCT),
    ]


def warmer_words(kelvin: float, unit: formats.Unit) -> str:
    if not kelvin:
        return "as warm as usual"
    word = "warmer" if kelvin > 0 else "cooler"
    return f"{formats.spread(abs(kelvin), unit)} {formats.degree_difference(unit)} {word}"


def drier_words(pct: float) -> str:
    if not pct:
        return "as dry as usual"
    return f"{formats.figure(abs(pct), 0)} % RH {'drier' if pct > 0 else 'damper'}"


def asked_for(
    shop: ShopData, place: str, when: str, at: str, what_if: list[float]
) -> ReadyByQuestion:
    """The plan that was chosen."""
    now, zone = now_ms(), shop.settings.zone
    wanted = hours.next_opening(shop.opening_hours(), zone, now)
    if when == "at":
        if not at:
            return ReadyByQuestion(None, "Choose a date and time.")
        try:
            wanted = formats.of_input(at, zone)
        except ValueError:
            return ReadyByQuestion(None, f"{at!r} is not a date and time.")
        if wanted <= now:
            return ReadyByQuestion(None, "That time has passed. Choose a later one.")
        if wanted > now + AHEAD_MS:
            return ReadyByQuestion(
                None, "The outlook covers five days. Choose a time within them."
            )
    if wanted is None:
        return ReadyByQuestion(None, "No opening hours are set. Choose a time.")
    return ReadyByQuestion(ReadyByRequest(place, wanted, float(what_if[0]), float(what_if[1])))


def closing(shop: ShopData, now: int) -> int | None:
    """Time at which the shop closes today, if it is open now. [ms]"""
    zone = shop.settings.zone
    if not hours.is_open(shop.opening_hours(), zone, now):
        return None
    today = formats.local(now, zone).date()
    found = hours.span(shop.opening_hours()[hours.DAYS[today.weekday()]])
    return formats.of_input(f"{today}T{found[1]:%H:%M}", zone) if found else None


@page_frame.where_store_fails(page_frame.sheet("Ready by", "sheet bench"))
def layout(shop: ShopData) -> Component:
    """The page: place, wanted time, what if; the answer comes by itself."""
    with shop.reader() as reader:
        places = [p for p in shop.places(reader) if p.kind != "outdoors"]
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    opens = hours.next_opening(shop.opening_hours(), zone, now)
    first = f"Next opening, {formats.ahead(opens, now, zone)}" if opens else "Next opening"
    if not places:
        return html.Main(
            [
                BENCH.links("/bench/ready-by"),
                html.H1("Ready by"),
                missing.missing(missing.NO_PLACE, missing.SET_UP_PLACE),
            ],
            className="sheet bench",
        )
    labels = {place.id: place.label for place in places}
    ends = {"open": first, "at": "Another time"}
    return html.Main(
        [
            BENCH.links("/bench/ready-by"),
            html.H1("Ready by"),
            html.Div(
                [
                    picks("Place", "plan-place", labels, places[0].id, classes=""),
                    picks("Wanted by", "plan-when", ends, "open", classes=""),
                    text_field("Date and time", "plan-at", "wanted"),
                    fieldset(
                        "What if it were",
                        _stepper(
                            "plan-cooler",
                            "Cooler",
                            "plan-warmer",
                            warmer_words(0, unit),
                            "plan-warm",
                            "Warmer",
                        ),
                        _stepper(
                            "plan-damper",
                            "Damper",
                            "plan-drier",
                            drier_words(0),
                            "plan-dry",
                            "Drier",
                        ),
                    ),
                ],
                className="plan-asked",
            ),
            dcc.Store(id="plan-if", data=[0.0, 0.0]),
            html.P("The latest starts are being calculated.", id="plan-busy", role="status"),
            html.Div(id="plan", **attributes(aria_live="polite")),
        ],
        className="sheet bench",
    )


def _stepper(
    less: str, less_word: str, shown: str, text: str, more: str, more_word: str
) -> Component:
    return html.Div(
        [
            html.Button(less_word, id=less, type="button", className="tap", n_clicks=0),
            html.Span(text, id=shown, role="status"),
            html.Button(more_word, id=more, type="button", className="tap", n_clicks=0),
        ],
        className="stepper",
    )


def answer(
    plan: ReadyByRequest, shop: ShopData, book: WaitQueries, glues: GlueQueries
) -> list[Component | None]:
    """The latest start of each kind, the most used first, and the reason not to glue now."""
    if shop.doubted_jump() is not None:
        return [html.P(CLOCK_DOUBTED, className="caution")]
    now, zone = now_ms(), shop.settings.zone
    found = {kind: in_hours(start, now, shop) for kind, start in book.ready_by(plan).items()}
    kinds = [kind for kind in book.kinds() if kind.id in found]
    as_expected = not (plan.warmer_k or plan.drier_pct)
    now_ready = book.starts(StartRequest((plan.place,))) if as_expected else {}
    by = formats.ahead(plan.wanted_ms, now, zone)
    takes_joints = any(kind.id in found for kind in glues.joints())
    if all(found[kind.id].start is None for kind in kinds):
        return [
            missing.missing(
                "A latest start cannot be calculated yet. It needs the outlook of this place (a sensor "
                "and about two days of its readings), or a reading by hand from the last hours.",
                *([missing.TYPE_READING] if may_change().allowed else []),
                missing.CONNECT_SENSOR,
            )
        ]
    head = f"{shop.place_names().get(plan.place, plan.place)}: ready by {by}"
    if plan.warmer_k or plan.drier_pct:
        head += ", if the air were like this"
    return [
        html.H2(head),
        html.P(lead(kinds[0], found[kinds[0].id], by, now, shop), className="lead"),
        against_gluing(plan.place, shop, glues) if takes_joints else None,
        html.P(SHUT, className="aside") if any(one.shut for one in found.values()) else None,
        html.Ol(
            [
                _line(kind, found[kind.id], now_ready.get((kind.id, plan.place)), plan, now, shop)
                for kind in kinds
            ],
            className="latest",
        ),
        html.P(
            (
                "In bold: the latest start with a chance of 5 in 10 or more. Almost certain means 9 in "
                "10 or more. The times rest on the outlook of this place. Without an outlook they "
                "rest on the pattern of its last weeks, which does not know the weather."
            ),
            className="aside",
        ),
        html.P(JOINTS, className="aside") if any(kind.load_s for kind in kinds) else None,
        html.P(AIR_AT_START, className="aside") if takes_joints else None,
        html.P(ANY_WORK, className="caution") if plan.warmer_k > 0 else None,
        html.P(DRY_SLOWLY, className="caution") if plan.drier_pct > 0 else None,
    ]


def against_gluing(place: str, shop: ShopData, glues: GlueQueries) -> Component | None:
    """The answer to whether a joint may be glued at a place now, as Bench gives it, unless it is yes."""
    found = glues.may_glue(GlueQuestion(place))
    if found.answer is Answer.YES:
        return None
    text = words(found, now_ms(), shop.settings.zone, formats.unit_of(shop.settings))
    return html.P(
        [
            dcc.Link("May I glue now?", href=f"{GLUE_NOW}?{urlencode({'place': place})}"),
            " ",
            html.Strong(f"{text.word}."),
            f" {text.sentence}",
        ],
        className="caution",
    )


class StartInHours(NamedTuple):
    """A latest start, moved to when somebody is there; `shut`: it was ahead, but the shop is shut
    until then."""

    start: LatestStart | None
    shut: bool = False


def in_hours(start: LatestStart | None, now: int, shop: ShopData) -> StartInHours:
    """The latest starts, each moved back into opening hours."""
    hours_of, zone = shop.opening_hours(), shop.settings.zone
    if start is None or hours.next_opening(hours_of, zone, now) is None:
        return StartInHours(start)

    def inside(ms: int | None) -> int | None:
        if ms is None or hours.is_open(hours_of, zone, ms):
            return ms
        closed = hours.last_closing(hours_of, zone, ms)
        return closed if closed is not None and closed > now else None

    found = LatestStart(*(inside(ms) for ms in start))
    return StartInHours(found, found.start_ms is None and start.start_ms is not None)


def lead(kind: WaitType, found: StartInHours, by: str, now: int, shop: ShopData) -> str:
    """The answer for the most used kind in a full sentence; empty if it is too late for it."""
    start = found.start
    if start is None or start.start_ms is None:
        return ""
    closes = closing(shop, now)
    latest = start.start_ms if closes is None else min(start.start_ms, closes)
    if latest == closes:
        when = "any time before closing"
    elif latest - now < wait_text.ROUND_MS:
        when = "now"
    else:
        when = f"before {formats.ahead(floored(latest), now, shop.settings.zone)}"
    tenths = 9 if start.sure_ms is not None and start.sure_ms >= latest else 5
    return (
        f"{kind.name}: start {when}. The chance is then {tenths} in 10 or more that it is ready by "
        f"{by}."
    )


def floored(ms: int) -> int:
    """A latest start, to the five minutes before it. [ms]"""
    return ms // wait_text.ROUND_MS * wait_text.ROUND_MS


def _line(
    kind: WaitType,
    found: StartInHours,
    if_now: Start | None,
    plan: ReadyByRequest,
    now: int,
    shop: ShopData,
) -> Component:
    zone = shop.settings.zone
    sentence, when = start_words(found.start, now, zone, closing(shop, now))
    if found.shut:
        sentence, when = "", "none"  # the page says once what it means
    query = urlencode({"kind": kind.id, "wanted": formats.to_input(plan.wanted_ms, zone)})
    return html.Li(
        [
            html.Span(kind.name, className="kind-name"),
            html.Strong(when, className="latest-start"),
            html.Span(sentence, className="aside"),
            html.Div(
                [
                    html.Span(f"Start now: {bench_text.start_phrase(if_now, now, zone)}."),
                    html.A(
                        "Start",
                        href=f"/bench?{query}",
                        className="tap",
                        **attributes(aria_label=f"Start {kind.name} on Bench"),
                    ),
                ],
                className="if-now",
            )
            if if_now is not None
            else None,
        ],
        key=kind.id,
    )


def start_words(
    start: LatestStart | None, now: int, zone: ZoneInfo, closes_ms: int | None = None
) -> tuple[str, str]:
    """Sentence beside a latest start, and the start itself in words."""
    if start is None:
        return "There is no outlook.", formats.UNKNOWN
    if start.start_ms is None:
        if start.chance_ms is None:
            return "Too late, even if started now.", "too late"
        return "Unlikely to be ready in time, even if started now.", "unlikely"
    if start.start_ms - now < wait_text.ROUND_MS:
        sure = start.sure_ms is not None
        return ("Only if started now." if sure else "5 in 10 chance if started now."), "now"
    when = f"before {formats.ahead(floored(start.start_ms), now, zone)}"
    if closes_ms is not None and start.start_ms >= closes_ms:
        when = "any time today"
    if start.sure_ms is None:
        return "5 in 10 chance. No start in opening hours is almost certain.", when
    if closes_ms is not None and start.sure_ms >= closes_ms:
        return "Almost certain if started any time before closing today.", when
    return (
        f"Almost certain if started before {formats.ahead(floored(start.sure_ms), now, zone)}.",
        when,
    )
