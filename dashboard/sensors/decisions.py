"""Matters that wait for a decision: new names, a doubted clock, readings with a wrong time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.sensors.rejected import cut
from dashboard.ui import formats
from dashboard.ui.controls import action_button, folded, tap_row
from monitor.core.steady_clock import JumpState, jump_words
from monitor.domain.shop_clock import event_words

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.records import AheadReadings, AsideOfSensor, Newcomer
    from dashboard.data.shop import ShopData

NEW_SHOWN = 8
JUMPS_SHOWN = 8


def waiting(shop: ShopData, now: int, *, writer: bool) -> list[Component]:
    """New places and sensors that wait to be admitted, then the refused ones, each with its taps."""
    found, beyond = shop.newcomers()
    if not found and not beyond:
        return []
    new = [one for one in found if one.state == "waiting"]
    refused_ones = [one for one in found if one.state != "waiting"]
    taps = [_settle_all(do) for do in ("admit", "refuse")] if writer and len(new) > 1 else []
    shown = [_newcomer(one, now, shop.settings.zone, writer=writer) for one in new[:NEW_SHOWN]]
    parts: list[Component] = [html.H2("New places and sensors")]
    if new:
        parts += [
            html.P(
                "More new names came within a day than are accepted at once. Their readings are kept, "
                "but not used, until you admit them. Admit only your own places and sensors."
            ),
            *([tap_row(taps)] if taps else []),
            html.Ul(shown),
        ]
    if len(new) > NEW_SHOWN:
        left = f"And {len(new) - NEW_SHOWN} more: "
        parts.append(html.P([left, html.Code("benchweather place list")], className="aside"))
    if beyond:
        parts.append(
            html.P(
                f"Not kept: {formats.counted(beyond, 'message')} with more new names than allowed.",
                className="aside",
            )
        )
    if refused_ones:
        items = [
            _newcomer(one, now, shop.settings.zone, writer=writer)
            for one in refused_ones[:NEW_SHOWN]
        ]
        parts += [folded(f"{len(refused_ones)} refused", html.Ul(items, className="refused"))]
    return parts


def _settle_all(do: str) -> Component:
    """Tap for all that wait."""
    word = {"admit": "Admit all", "refuse": "Refuse all"}[do]
    return action_button(
        word,
        do,
        about="newcomer",
        every="yes",
        sure=f"Tap again to {word.lower()} that wait",
        said="Done.",
        then="reload",
    )


def _newcomer(one: Newcomer, now: int, zone: ZoneInfo, *, writer: bool) -> Component:
    about = {"about": "newcomer", "newcomer": one.name, "then": "reload"}
    taps = [action_button("Admit", "admit", said="Admitted.", **about)]
    if one.state == "waiting":
        sure = "Tap again to delete its messages"
        taps.append(action_button("Refuse", "refuse", sure=sure, said="Refused.", **about))
    unkept = f" Not kept: {one.unkept}." if one.unkept else ""
    said = f"since {formats.when(one.first_ms, now, zone)}. Messages kept: {one.messages}."
    return html.Li(
        [
            html.Span([html.Code(cut(one.name, 140)), f" {said}{unkept}"]),
            *([tap_row(taps)] if writer else []),
        ]
    )


def clock_jumps(shop: ShopData, now: int, *, writer: bool) -> list[Component]:
    """The last jumps of the shop computer's clock, and a tap that confirms a doubted one."""
    events, beat = shop.clock_events(JUMPS_SHOWN), shop.service_state().beat
    jump = beat.clock if beat else None
    doubted = jump is not None and jump.state is JumpState.DOUBTED
    if not events and not doubted:
        return []
    tap = action_button(
        "Confirm that the clock is right",
        "confirm",
        about="clock",
        sure="Tap again if the time at the top is right",
        said="Clock confirmed. Readings kept aside will be taken in.",
        then="reload",
    )
    items = [
        html.Li(
            [
                html.Span(
                    formats.when(one.recorded_ms, now, shop.settings.zone), className="moment"
                ),
                html.Span(event_words(one)),
                html.Span(one.by, className="by-whom"),
            ]
        )
        for one in reversed(events)
    ]
    return [
        html.H2("Clock of the shop's computer"),
        *([html.P(f"{jump_words(jump)}. Nothing confirms it.")] if jump and doubted else []),
        *([tap_row(tap)] if doubted and writer else []),
        html.Ul(items, className="history"),
    ]


def wrong_times(shop: ShopData, now: int, *, writer: bool) -> list[Component]:
    """Messages kept aside and stored readings dated ahead, each with what can be done."""
    zone = shop.settings.zone
    items = [_kept_aside(one, now, zone, writer=writer) for one in shop.aside()]
    items += [_dated_ahead(one, now, zone, writer=writer) for one in shop.ahead()]
    return [html.H2("Readings with a wrong time"), html.Ul(items)] if items else []


def _kept_aside(one: AsideOfSensor, now: int, zone: ZoneInfo, *, writer: bool) -> Component:
    about = {"about": "aside", "sensor": one.sensor, "then": "reload"}
    dated, corrected = (
        formats.when(came_ms[0], now, zone) for came_ms in (one.received_ms, one.steady_ms)
    )
    taps = [
        action_button("Take in with corrected times", "take", said="Taken in.", **about),
        action_button(
            "The clock was right: take in as dated",
            "take",
            as_dated="yes",
            sure="Tap again if the clock was right",
            said="Taken in.",
            **about,
        ),
        action_button(
            "Dismiss", "dismiss", sure="Tap again to dismiss them", said="Dismissed.", **about
        ),
    ]
    why = "was wrong when Benchweather started" if one.at_start else "had jumped"
    without = "They came after" if one.at_start else "Without the jump they would be from"
    return html.Li(
        [
            html.Span(
                f"{one.sensor}: {formats.counted(one.readings, 'reading')} kept aside. The clock of "
                f"the shop's computer {why}. By this clock they are from {dated} on. "
                f"{without} {corrected}{'' if one.at_start else ' on'}."
            ),
            *([tap_row(taps)] if writer else []),
        ]
    )


def _dated_ahead(one: AheadReadings, now: int, zone: ZoneInfo, *, writer: bool) -> Component:
    tap = action_button(
        "Void them",
        "void-readings",
        about="sensor",
        sensor=one.topic,
        from_ms=str(one.first_ms),
        why="dated ahead of the clock",
        sure="Tap again to void these readings",
        said="Readings voided.",
        then="reload",
    )
    return html.Li(
        [
            html.Span(
                f"{one.topic}: stored readings dated ahead of the clock, {one.readings} in all. "
                f"The last is of {formats.when(one.last_ms, now, zone)}. No page shows them as the "
                "present."
            ),
            *([tap_row(tap)] if writer else []),
        ]
    )
