"""Steps of the guide that are done, by the settings and the store."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any, NamedTuple

from dashboard.data.records import OutboxEntry, Outcome
from dashboard.data.shop import ShopData
from monitor.core.errors import StoreFault
from monitor.domain.channel_test import TEST_ID
from monitor.domain.guide import GuideStep
from monitor.settings.addresses import LOOPBACK

if TYPE_CHECKING:
    from collections.abc import Iterable

    from dashboard.data.journal import CachedJournal
    from monitor.commands import Journal
    from monitor.settings import Settings

NOTICES_READ = 50


class GuideState(NamedTuple):
    """Steps that are done, steps that were skipped, and the last test notice of a channel."""

    done: frozenset[GuideStep]
    skipped: frozenset[str]
    test: OutboxEntry | None

    @property
    def next(self) -> GuideStep | None:
        """The first step that is neither done nor skipped."""
        left = (s for s in GuideStep if s not in self.done and s not in self.skipped)
        return next(left, None)


def guide_state(shop: ShopData, kept: CachedJournal) -> GuideState:
    """State of the guide. Raises `StoreFault` if the store cannot be read."""
    settings = shop.settings

    def read(reader: Any, journal: Journal) -> GuideState:
        newest = shop.notices(NOTICES_READ).newest
        done = {
            GuideStep.SHOP: bool(settings.shop.name and settings.places),
            GuideStep.READING: bool(reader.series()),
            GuideStep.CLAMP_UP: bool(journal.waits),
            GuideStep.HOURS: any(name.startswith("hours.") for name in settings.origins),
            GuideStep.CHANNEL: bool(settings.channels)
            and any(e.outcome is Outcome.DELIVERED for e in newest),
            GuideStep.DEVICES: settings.board.host not in LOOPBACK,
            GuideStep.FORECAST: shop.has_forecast(),
        }
        test = next(iter(tests_of_channels(newest, settings)), None)
        return GuideState(
            frozenset(step for step, is_done in done.items() if is_done),
            frozenset(journal.skipped),
            test,
        )

    return kept.ask(read)


def tests_of_channels(entries: Iterable[OutboxEntry], settings: Settings) -> list[OutboxEntry]:
    """The test notices of the channels in the settings, among entries of the outbox."""
    channels = [channel.id for channel in settings.channels]
    return [
        one
        for one in entries
        if one.notice.notice_id.startswith(TEST_ID) and one.channel in channels
    ]


def is_new(settings: Settings) -> bool:
    """True for a shop without a place in its settings and without a reading."""
    if settings.places:
        return False
    try:
        with contextlib.closing(ShopData(settings).kept_reader(None)[1]) as reader:
            return not reader.series()
    except StoreFault:
        return False
