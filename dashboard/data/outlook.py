"""Queries of the pages about the outlook: that of each place, and the effect of a change.

An outlook is read once for all who look, and again when a newer one lies in the data folder.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from monitor.commands.closing import answers_of
from monitor.core.clock import now_ms
from monitor.core.errors import StoreFault
from monitor.core.formats import local
from monitor.outlook import files, summary
from monitor.outlook.inputs import humidifier_at
from monitor.outlook.shut_today import chance_open_again, chance_shut, closed_until
from monitor.outlook.summary import PlaceOutlook
from monitor.science.outlook import ensemble_statistics, tank
from monitor.science.outlook.room_model import room_description
from monitor.science.outlook.shut_days import ASK
from monitor.science.outlook.what_if import Change, change_effect, with_change

if TYPE_CHECKING:
    from datetime import date

    from dashboard.data.shop import ShopData
    from monitor.domain.places import Place
    from monitor.outlook.files import LearnedPlace, Progress
    from monitor.science.outlook.ensemble_statistics import OutlookRange

TRIED_K = (-4.0, -2.0, 2.0)
"""Thermostats that are tried out for the headline, beside what it is set to by day. [K]"""
TRIED_C = (12.0, 26.0)
"""Outside of these none is tried. [°C]"""


class Setting(NamedTuple):
    """A thermostat [°C], and the RH that it leads to at the worst hour. [%]"""

    setting_c: float
    rh_pct: OutlookRange


class HumidifierAnswer(NamedTuple):
    """Answer about a humidifier at a place, None if nobody gave one; and whether to ask."""

    said: bool | None
    asked: bool


NOT_SAID = HumidifierAnswer(None, asked=False)


class ShutToday(NamedTuple):
    """Question whether the shop is closed today, with its probability [-], and the answer: the last
    closed day, None without one, or that it is open; and the question whether it is open again on a
    day entered as closed, with its probability [-]."""

    today: date
    asked: bool
    chance: float
    until: date | None
    opened: bool
    asked_again: bool
    chance_again: float


class OutlookQueries:
    """The outlooks of a shop. Shared by all threads."""

    def __init__(self, shop: ShopData) -> None:
        self._shop = shop
        self._outlooks: dict[str, tuple[tuple[int, tuple[str, ...]], PlaceOutlook | None]] = {}
        self._settings: dict[str, tuple[int, list[Setting]]] = {}

    def places(self) -> list[Place]:
        """Indoor places, in the order of the settings. Raises `StoreFault`."""
        with self._shop.reader() as reader:
            return [one for one in self._shop.places(reader) if one.kind != "outdoors"]

    def outlook_of(self, place: Place) -> PlaceOutlook | None:
        """The outlook of a place; None if there is none, or it is old."""
        now, hours = now_ms(), self._shop.opening_hours()
        state = (files.looked_at(self._shop.settings, place.id), tuple(hours["closed"]))
        held = self._outlooks.get(place.id)
        if held is None or held[0] != state:
            held = (state, summary.foreseen(self._shop.settings, place, now, hours))
            self._outlooks[place.id] = held
        one = held[1]
        return one if one is not None and one.look.fresh(now) else None

    def foremost(self) -> PlaceOutlook | None:
        """Outlook of greatest weight among all places; None if there is none at all."""
        return max(self._every(), key=_weight, default=None)

    def _every(self) -> list[PlaceOutlook]:
        there = files.looked_places(self._shop.settings)
        places = self.places() if there else []
        found = (self.outlook_of(place) for place in places if place.id in there)
        return [one for one in found if one is not None]

    def stamp(self, place_id: str) -> str:
        """A text that changes when there is something new to show of a place."""
        settings = self._shop.settings
        try:
            return f"{files.looked_at(settings, place_id)}|{files.progress(settings)}"
        except StoreFault as exc:  # which the page then says
            return type(exc).__name__

    def looked_ms(self, place: Place) -> int | None:
        """Time at which a place's last outlook was made; None before the first. [ms]"""
        return files.looked_at(self._shop.settings, place.id) // 1_000_000 or None

    def fit(self, place: Place) -> LearnedPlace | None:
        """Results learned from a place's log."""
        return files.fit(self._shop.settings, place.id)

    def humidifier(self, place: Place) -> HumidifierAnswer:
        """Answer about a humidifier at a place, and whether to ask for one."""
        with self._shop.reader() as reader:
            said = humidifier_at(reader, self._shop.settings, place.id)
        fit = self.fit(place)
        asked = said is None and fit is not None and tank.is_asked_about(fit.learned.tanks)
        return HumidifierAnswer(said, asked)

    def shut_today(self, now: int) -> ShutToday:
        """Question whether the shop is closed today, and the answer."""
        settings = self._shop.settings
        today = local(now, settings.zone).date()
        with self._shop.reader() as reader:
            said = answers_of(reader)
        looks = [one.look for one in self._every()]
        chance = chance_shut(looks, settings, now)
        until, opened = closed_until(said, today), today in said.opened
        asked = until is None and not opened and chance >= ASK
        again = chance_open_again(looks, settings, now)
        asked_again = not opened and today not in said.begun and again >= ASK
        return ShutToday(today, asked, chance, until, opened, asked_again, again)

    def progress(self) -> Progress | None:
        """Progress of the learning under way."""
        return files.progress(self._shop.settings)

    def changed(self, one: PlaceOutlook, change: Change) -> PlaceOutlook:
        """The outlook of a place with something done otherwise."""
        look = one.look
        air = with_change(look.air, change_effect(look.room, look.launch, change))
        hours = self._shop.opening_hours()
        return summary.described(self._shop.settings, one.place, replace(look, air=air), hours)

    def settings(self, one: PlaceOutlook) -> list[Setting]:
        """A few thermostats and what they lead to; none while the room is not known."""
        look = one.look
        if look.room.refused:
            return []
        held = self._settings.get(look.place)
        if held is None or held[0] != look.made_ms:
            usual = round(room_description(look.room)["day_setting_c"].middle)
            low, high = TRIED_C
            tried = [usual + by for by in TRIED_K if low <= usual + by <= high]
            held = (look.made_ms, [self._setting(one, setting) for setting in tried])
            self._settings[look.place] = held
        return held[1]

    def _setting(self, one: PlaceOutlook, setting_c: float) -> Setting:
        look = one.look
        air = with_change(
            look.air, change_effect(look.room, look.launch, Change(setting_c=setting_c))
        )
        return Setting(setting_c, ensemble_statistics.range_of(air[1][:, worst(one).step]))


class Worst(NamedTuple):
    """The hour of the next days at which a place's air is furthest out on the side it tends to:
    the step, whether that is the dry side, and RH there. [%]"""

    step: int
    dry: bool
    rh_pct: OutlookRange


def worst(one: PlaceOutlook) -> Worst:
    """The driest hour, or the dampest where that is likelier to leave the band."""
    dry, damp = (0.0 if s is None else s.chance for s in (one.dry, one.over))
    step, found = ensemble_statistics.extreme_step(one.look.air[1], below=dry >= damp)
    return Worst(step, dry >= damp, found)


def _weight(one: PlaceOutlook) -> float:
    """Weight of an outlook for the headline: a dry snap counts before anything else."""
    spells = (one.dry, one.damp, one.hot, one.over)
    return 2 * min(one.snap, 1.0) + max((s.chance for s in spells if s is not None), default=0.0)
