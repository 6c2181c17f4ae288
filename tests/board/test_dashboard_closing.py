"""The question whether the shop is closed today: asked, answered, and what follows at once."""

from __future__ import annotations

import contextlib
import dataclasses
from datetime import UTC, date, datetime

import coming_fixtures
import dashboard_fixtures as shop_air
import numpy as np
import pytest

from dashboard.coming import closing
from dashboard.coming import page as coming_page
from dashboard.data.outlook import OutlookQueries
from dashboard.data.shop import ShopData
from monitor.alerting import observations
from monitor.alerting.observations import SHOP, ServiceTroubles
from monitor.commands import Commands, Journal
from monitor.core.clock import now_ms
from monitor.core.formats import local
from monitor.domain.alerts import alert as alerts
from monitor.domain.alerts.alert import AlertAction
from monitor.domain.alerts.rule_registry import in_use
from monitor.domain.alerts.rule_state import Seen
from monitor.domain.alerts.state_machine import step
from monitor.domain.opening_hours import next_opening
from monitor.outlook import files
from monitor.outlook.inputs import FIRST_DAY, closed_and_opened
from monitor.outlook.shut_today import chance_shut
from monitor.science.outlook.calendar import NO_DAYS
from monitor.science.outlook.shut_days import ShutOutlook
from monitor.store import Reader, Writer
from sensors.demo.shop import BENCH

FRIDAY = date(2026, 11, 20)
NOW = int(datetime(2026, 11, 20, 12, 7, tzinfo=UTC).timestamp() * 1000)
HOUR = 3_600_000
QUESTION = "Closed today? Until when?"


def shut(chance: float, odds: float = 6.0, day: date = FRIDAY) -> ShutOutlook:
    number = day.toordinal() - FIRST_DAY
    return ShutOutlook(
        NO_DAYS,
        np.array([number, number + 3]),
        np.array([1 - chance, chance / 2, chance / 2]),
        odds,
    )


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    settings = shop_air.settings_in(tmp_path_factory.mktemp("closing"))
    with contextlib.closing(Writer(settings.store_path)) as writer:
        coming_fixtures.fill(settings, writer, NOW)
    coming_fixtures.look(settings, NOW)
    return ShopData(settings)


@pytest.fixture
def book(shop, monkeypatch):
    for module in ("dashboard.data.outlook", "dashboard.coming.page"):
        monkeypatch.setattr(f"{module}.now_ms", lambda: NOW)
    return OutlookQueries(shop)


def seen(shop, found: ShutOutlook) -> None:
    look = files.look(shop.settings, BENCH, NOW)
    files.keep(shop.settings, dataclasses.replace(look, shut=found))


def shown(shop, *, writer=True) -> str:
    parts = coming_page.head_and_details(BENCH, shop, OutlookQueries(shop), NOW, writer=writer)
    return str([part.to_plotly_json() for side in parts for part in side])


@pytest.mark.slow
def test_the_question_is_asked_on_strong_evidence_only_and_answered_by_a_tap(
    shop, book, moved_clock
):
    moved_clock.move(NOW - now_ms())
    settings = shop.settings
    assert QUESTION not in shown(shop)
    assert "allows for an open" not in shown(shop)
    seen(shop, shut(0.8))
    assert QUESTION not in shown(shop)
    assert "80 % chance that the shop is closed today. The outlook" in shown(shop)
    seen(shop, shut(0.97))
    assert QUESTION in shown(shop)
    assert "97 % chance that the shop is closed today" in shown(shop)
    assert "Closed until this day" in shown(shop)
    assert "Closed until this day" not in shown(shop, writer=False)
    with (
        contextlib.closing(Writer(settings.store_path)) as writer,
        shop_air.command_link(settings, Commands(writer, places=lambda: [BENCH])),
    ):
        board = shop_air.board_client(settings)

        def tap(do, last="", **more):
            form = {"last": last} if do == "closed" else {}
            command = {"about": "closing", "do": do, "first": "2026-11-20", "form": form} | more
            return board.post("/bench/do", json=command, headers={"Origin": "http://localhost"})

        refused = tap("closed", "2026-11-19")
        assert refused.status_code == 409
        assert "2026-11-20 or later" in refused.get_json()["fields"]["last"]
        assert QUESTION in shown(shop)
        assert tap("closed", "2026-11-24").status_code == 200
        assert QUESTION not in shown(shop)
        assert "The shop is closed. Last closed day: Tue 24 Nov." in shown(shop)
        assert closing.USES in shown(shop)
        opens = next_opening(shop.opening_hours(), settings.zone, NOW)
        assert local(opens, settings.zone).date() == date(2026, 11, 25)
        with contextlib.closing(Reader(settings.store_path)) as reader:
            known = closed_and_opened(reader, settings)
        assert [date.fromordinal(FIRST_DAY + int(day)).day for day in known.closed] == [
            *range(20, 25)
        ]
        assert tap("open").status_code == 200
        assert QUESTION not in shown(shop)
        assert "The shop is open today." in shown(shop)
        assert closing.USES not in shown(shop)
        with contextlib.closing(Reader(settings.store_path)) as reader:
            known = closed_and_opened(reader, settings)
        assert known.closed.tolist() == []
        assert known.opened.tolist() == [FRIDAY.toordinal() - FIRST_DAY]


@pytest.mark.slow
def test_the_notice_is_raised_once_for_a_run_of_shut_days_and_ends_with_the_answer(shop, book):
    settings = shop.settings
    rule = in_use(settings.limits, {})["shut-today"]
    states, open_, events, day_ms = {}, [], [], 24 * HOUR
    look = files.look(settings, BENCH, NOW)

    def minute(now, found):
        """One cycle, with the alerts that it raises and ends."""
        nonlocal states
        value = 100 * chance_shut(
            [dataclasses.replace(look, made_ms=now, shut=found)], settings, now
        )
        seen = {rule.id: [Seen(SHOP, "Shop", value)]}
        done = step([rule], states, open_, seen, now, len(events) + 1)
        states = done.states
        for event in done.events:
            events.append(event)
            if event.action == AlertAction.RAISE:
                open_.append(alerts.apply(None, event))
            elif event.action == AlertAction.CLEAR:
                open_.clear()

    def actions():
        return [event.action for event in events]

    minute(NOW - 3 * HOUR, shut(0.5))
    assert actions() == []
    for hour in range(8):
        minute(NOW + hour * HOUR, shut(0.97 if hour % 2 else 0.85))
    minute(NOW + 20 * HOUR, shut(0.9, np.nan))
    monday = date(2026, 11, 23)
    for hour in range(-4, 8):
        minute(
            NOW + 3 * day_ms + hour * HOUR,
            shut(0.6 + 0.04 * hour, np.nan if hour < 0 else 5.0, monday),
        )
    assert actions() == [AlertAction.RAISE]
    answered = ShutOutlook(NO_DAYS, np.empty(0, np.int64), np.ones(1), np.nan)
    for tick in range(3):
        minute(NOW + 3 * day_ms + 9 * HOUR + tick * 600_000, answered)
    assert actions() == [AlertAction.RAISE, AlertAction.CLEAR]


def test_the_service_watches_the_chance_of_a_shut_day(shop, book, monkeypatch):
    settings = shop.settings
    seen(shop, shut(0.97))
    rules = in_use(settings.limits, {})
    with contextlib.closing(Reader(settings.store_path)) as reader:
        sight = observations.snapshot(
            reader, settings, Journal(reader), [], [], ServiceTroubles(), NOW
        )
    (found,) = observations.observe([rules["shut-today"]], sight)["shut-today"]
    assert found.value == pytest.approx(97)


@pytest.mark.slow
def test_a_forgotten_closing_is_asked_about_and_ended_by_a_tap(shop, book):
    settings = shop.settings
    again = "Open again?"
    start = {"about": "closing", "do": "closed", "first": "2026-11-18", "last": "2026-11-24"}
    with contextlib.closing(Writer(settings.store_path)) as writer:
        commands = Commands(writer, places=lambda: [BENCH])
        commands.carry_out(start, NOW)
        nothing = ShutOutlook(NO_DAYS, np.empty(0, np.int64), np.ones(1), np.nan)
        seen(shop, nothing)
        assert again not in shown(shop)
        seen(shop, nothing._replace(again=0.8))
        assert again not in shown(shop)
        seen(shop, nothing._replace(again=0.96))
        assert again in shown(shop)
        assert "96 % chance that the shop is open today" in shown(shop)
        assert "2026-11-24" in shown(shop)  # the last closed day, to be confirmed
        rules = in_use(settings.limits, {})
        with contextlib.closing(Reader(settings.store_path)) as reader:
            sight = observations.snapshot(
                reader, settings, Journal(reader), [], [], ServiceTroubles(), NOW
            )
            (found,) = observations.observe([rules["open-again"]], sight)["open-again"]
            assert found.value == pytest.approx(96)
        # Who confirms it is not asked on that day again.
        commands.carry_out(start | {"first": "2026-11-20"}, NOW)
        assert again not in shown(shop)
        with contextlib.closing(Reader(settings.store_path)) as reader:
            known = closed_and_opened(reader, settings)
        today = FRIDAY.toordinal() - FIRST_DAY
        assert known.answered.tolist() == [today - 2, today]
        commands.carry_out({"about": "closing", "do": "open", "first": "2026-11-20"}, NOW)
    assert again not in shown(shop)
    assert "The shop is open today." in shown(shop)


def test_places_that_disagree_and_days_that_are_closed_anyhow_are_weighed(shop, book):
    look, settings = files.look(shop.settings, BENCH, NOW), shop.settings

    def chance(*shuts, at=NOW):
        return chance_shut([dataclasses.replace(look, shut=one) for one in shuts], settings, at)

    assert chance(shut(0.97)) == pytest.approx(0.97)
    assert chance(shut(0.97), shut(0.04, 0.1)) == pytest.approx(0.97)  # a store room tells nothing
    assert chance(shut(0.97), shut(0.0, -9.0)) < 0.1  # somebody works there
    assert np.isnan(chance(shut(0.97, np.nan)))  # the morning has not told yet
    assert np.isnan(chance())
    assert chance(shut(0.97, day=date(2026, 11, 23))) == 0  # today is known to be closed
    saturday = NOW + 24 * HOUR
    fresh = dataclasses.replace(look, made_ms=saturday, shut=shut(0.97, day=date(2026, 11, 21)))
    assert chance_shut([fresh], settings, saturday) == 0
