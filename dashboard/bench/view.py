"""The pieces that pages show waits with: the bar on its time axis, a row, a tap."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

from dash import dcc, html

from dashboard.bench import series
from dashboard.bench import text as bench_text
from dashboard.ui import formats
from dashboard.ui.controls import action_button, folded
from dashboard.ui.markup import attributes, shape
from dashboard.ui.page_frame import MenuSection
from monitor.domain.wait import Wait, is_early
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import WaitState
from monitor.waits import text as wait_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from monitor.waits.evaluation import WaitStatus

BENCH = MenuSection(
    "Bench",
    "bench",
    (
        ("/bench", "Open waits"),
        ("/bench/glue-now", "May I glue?"),
        ("/bench/glue", "Glue"),
        ("/bench/proof", "Proof"),
        ("/bench/ready-by", "Ready by"),
        ("/bench/kinds", "Kinds"),
        ("/bench/finished", "Finished"),
    ),
)

BACK_MS = (3 * formats.HOUR_MS, 10 * formats.HOUR_MS)
AHEAD_MS = (8 * formats.HOUR_MS, 26 * formats.HOUR_MS)
"""Least and most that the time axis reaches back and ahead. [ms]"""
_HOLD_SHAPES = {
    Hold.DAMP: "damp",
    Hold.WOOD_DAMP: "damp",
    Hold.DRY: "dry",
    Hold.COLD: "cold",
    Hold.HOT: "hot",
}


class Axis(NamedTuple):
    """Time axis that the bars share. [ms]"""

    start_ms: int
    now_ms: int
    end_ms: int
    cautious_ms: int
    """Now, without a doubted jump of the clock ahead."""

    def at(self, ms: float) -> float:
        """Position of a moment on the axis, 0 to 100. [%]"""
        share = (ms - self.start_ms) / (self.end_ms - self.start_ms)
        return 100 * min(max(share, 0.0), 1.0)


def axis(statuses: Sequence[WaitStatus], now_ms: int, cautious_ms: int | None = None) -> Axis:
    """An axis that holds what matters of these waits."""
    back, ahead = BACK_MS[0], AHEAD_MS[0]
    for status in statuses:
        found = status.readiness
        back = max(back, now_ms - status.wait.started_ms)
        if found is not None:
            last = found.ready_high_ms or found.ready_ms or now_ms
            ahead = max(ahead, last - now_ms)
    begin, end = now_ms - min(back, BACK_MS[1]), now_ms + min(ahead, AHEAD_MS[1])
    return Axis(begin, now_ms, end, now_ms if cautious_ms is None else cautious_ms)


def ruler(of: Axis, zone: ZoneInfo, most: int = 8) -> Component:
    """The time axis over the bars."""
    marks = [
        html.Span(tick.text.split("<br>")[0], style={"left": f"{of.at(tick.at_ms):.2f}%"})
        for tick in formats.ticks(of.start_ms, of.end_ms, zone, most)
        if 7 < of.at(tick.at_ms) < 93 and abs(of.at(tick.at_ms) - of.at(of.now_ms)) > 12
    ]
    now = html.Span("now", className="now", style={"left": f"{of.at(of.now_ms):.2f}%"})
    return html.Div([*marks, now], className="ruler", **attributes(aria_hidden="true"))


def bar(status: WaitStatus, of: Axis, zone: ZoneInfo) -> Component:
    """A wait as a bar: air so far, to go, and the range of its end."""
    wait, found = status.wait, status.readiness
    now = of.now_ms
    start, at_now = of.at(wait.started_ms), of.at(now)
    parts: list[Component] = []
    words = [f"Since {formats.when(wait.started_ms, now, zone)}"]
    ready = found.ready_ms if found is not None else None
    end = of.at(ready) if ready is not None else None
    parts.append(
        _piece(
            "done",
            start,
            min(at_now, end) if end is not None and ready is not None and ready <= now else at_now,
        )
    )
    if found is not None:
        words.append(f"{wait_text.percent(found.progress.median)} done so far")
        low, high = found.ready_low_ms, found.ready_high_ms
        if found.state is not WaitState.READY and not wait.paused:
            if end is not None:
                parts.append(_piece("togo", at_now, end))
                first = of.at(max(low, now)) if low is not None else at_now
                parts.append(_piece("range", first, of.at(high) if high is not None else 100.0))
            elif found.horizon_ms > now:
                parts.append(_piece("togo", at_now, 100.0))
        if end is not None:
            edge = "yes" if ready is not None and ready > of.end_ms else "no"
            parts.append(
                html.Span(
                    className="end", style={"left": f"{end:.2f}%"}, **attributes(data_beyond=edge)
                )
            )
    parts.append(html.Span(className="now", style={"left": f"{at_now:.2f}%"}))
    return html.Div(parts, className="bar", role="img", **attributes(aria_label=", ".join(words)))


def _piece(name: str, start: float, end: float) -> Component:
    width = max(end - start, 0.0)
    return html.Span(className=name, style={"left": f"{start:.2f}%", "width": f"{width:.2f}%"})


def status_shape(status: WaitStatus, state: str) -> Component:
    """Mark of a wait's state, shown beside its word."""
    name = {"ready": "right", "unknown": "unknown", "paused": "paused"}.get(state, "waiting")
    if state == "hold" and status.readiness is not None:
        name = _HOLD_SHAPES.get(Hold(status.readiness.hold), "waiting")
    return shape(name)


def row(
    alike: Sequence[WaitStatus],
    of: Axis,
    zone: ZoneInfo,
    places: Mapping[str, str],
    writer: bool,
    glues: Mapping[str, str] = MappingProxyType({}),
) -> Component:
    """Row of open waits that are alike, in the state of the last to be ready."""
    status, waits = alike[-1], [one.wait for one in alike]
    wait = status.wait
    words = wait_text.status_text(status, of.now_ms, zone)
    name = series.title(waits)
    place = places.get(wait.place, wait.place)
    kind = str(wait.kind["name"])
    at = [place] if name == kind else [kind, place]
    if wait.clamps:
        each = " each" if len(waits) > 1 else ""
        at.append(f"{formats.counted(wait.clamps, 'clamp')}{each}")
    if wait.glue:
        at.append(glues.get(wait.glue, f"glue {wait.glue}"))
    one = f"/bench/wait/{wait.id}"
    taps: list[Component] = []
    if writer and wait.setting:
        taps.append(load_tap(waits, ready=status.loadable))
    elif writer:
        taps += steps_of(waits, of.cautious_ms)
    if len(waits) == 1:
        taps.append(dcc.Link("More", href=one, className="tap", title=f"More on {name}"))
    return html.Li(
        [
            html.Div(
                [
                    html.P(
                        [status_shape(status, words.state), html.Span(words.when)],
                        className="when",
                    ),
                    html.Div(
                        [
                            html.H3(dcc.Link(name, href=one) if len(waits) == 1 else name),
                            html.P(", ".join(at), className="at"),
                        ],
                        className="named",
                    ),
                ],
                className="head",
            ),
            html.Div(
                [
                    html.P(words.sentence),
                    *(html.P(text, className="aside") for text in words.more),
                ],
                className="said",
            ),
            bar(status, of, zone),
            html.Div(taps, className="taps", role="group", **attributes(aria_label=name)),
            each_of(waits, writer, of.cautious_ms) if len(waits) > 1 else None,
        ],
        key=waits[0].id,
        className="wait",
        **attributes(
            data_state=words.state,
            data_wait=series.ids(waits),
            data_ready=wait_text.ready_phrase(status, of.now_ms, zone),
        ),
    )


def release_word(wait: Wait) -> str:
    """Word for the release of a wait: a joint's clamps come off, and it goes on to set."""
    return "Unclamp" if wait.kind.get("load_s") else "Release"


def steps_of(waits: Sequence[Wait], now_ms: int) -> list[Component]:
    """Taps for open waits that are alike."""
    name, ids = series.title(waits), series.ids(waits)
    all_of = f" all {len(waits)}" if len(waits) > 1 else ""
    release = release_word(waits[0]) + all_of
    return [
        action_button(
            release,
            "release",
            wait=ids,
            said=f"{wait_text.released_word(waits[0])}.",
            name="tap main",
            sure=early_question(waits, release, now_ms),
        ),
        action_button("Resume", "resume", wait=ids, said=f"Resumed: {name}.")
        if waits[0].paused
        else action_button("Pause", "pause", wait=ids, said=f"Paused: {name}."),
    ]


def load_tap(waits: Sequence[Wait], *, ready: bool) -> Component:
    """Tap that ends the setting of joints that are alike; it asks once while it is too early."""
    return action_button(
        "Start work",
        "load",
        wait=series.ids(waits),
        said="It is in work.",
        name="tap main",
        sure="" if ready else "Start work before it may be worked? Tap again",
    )


def early_question(waits: Sequence[Wait], release: str, now_ms: int) -> str:
    """Question asked once before a wait is released earlier than the safe minimum of its kind."""
    if not any(is_early(wait, now_ms) for wait in waits):
        return ""
    return f"{release} before the safe minimum? Tap again"


def each_of(waits: Sequence[Wait], writer: bool, now_ms: int) -> Component:
    """The waits of one row, each with its own taps."""
    return folded(
        f"One of the {len(waits)}",
        html.Ul(
            [
                html.Li(
                    [
                        dcc.Link(wait_text.title(wait), href=f"/bench/wait/{wait.id}"),
                        action_button(
                            release_word(wait),
                            "release",
                            wait=wait.id,
                            said=f"{wait_text.released_word(wait)}.",
                            sure=early_question([wait], release_word(wait), now_ms),
                        )
                        if writer and wait.open
                        else None,
                    ],
                    key=wait.id,
                )
                for wait in waits
            ]
        ),
        className="each",
        unfold=f"{waits[0].events[0].recorded_ms}",
    )


def feel_question(waits: Sequence[Wait], writer: bool) -> Component:
    """Question on how waits were at their release: three taps, of which one may be on."""
    feel, past = waits[0].feel, bench_text.long_wait_reminder(waits[0])
    if not writer:
        answer = bench_text.FEELS[feel] if feel else "not answered"
        return html.P(f"How it was: {answer.lower()}.")
    return html.Div(
        [
            html.P("How was it?" if len(waits) == 1 else "How were they?"),
            html.Div(
                [
                    html.Button(
                        word,
                        type="button",
                        className="tap",
                        **attributes(
                            data_do="feel",
                            data_wait=series.ids(waits),
                            data_feel="" if feel is one else str(one),
                            data_said="Answer withdrawn." if feel is one else f"{word}.",
                            aria_pressed="true" if feel is one else "false",
                        ),
                    )
                    for one, word in bench_text.FEELS.items()
                ],
                className="taps",
            ),
            html.P(past, className="aside") if past and feel is None else None,
        ],
        className="felt",
        role="group",
        **attributes(aria_label=f"How was it: {series.title(waits)}"),
    )
