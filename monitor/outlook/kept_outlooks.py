"""Summaries of the stored outlooks as rules watch them, each worked out once for each file."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from monitor.outlook import files
from monitor.outlook.homes import home_of
from monitor.outlook.summary import PlaceOutlook, foreseen
from monitor.science.outlook.what_if import LAG_H

if TYPE_CHECKING:
    from monitor.domain.opening_hours import Hours
    from monitor.domain.places import Place
    from monitor.settings import Settings


class KeptOutlooks:
    """Summaries by place, without the members that only pages show. For one thread."""

    def __init__(self, settings: Settings) -> None:
        self._settings, self._home = settings, home_of(settings)
        self._held: dict[str, tuple[tuple[int, object, object], PlaceOutlook | None]] = {}

    def newest(self) -> int:
        """Version of the newest outlook, as each place's was last seen; 0 if there is none."""
        return max((state[0] for state, _ in self._held.values()), default=0)

    def of(self, place: Place, now_ms: int, hours: Hours) -> PlaceOutlook | None:
        """Return the outlook of a place; None if there is none, or only an old one. [ms]

        `hours`: opening hours, in which work is done.
        """
        looked = files.looked_at(self._settings, place.id, self._home)
        state = looked, place, tuple(hours["closed"])
        held = self._held.get(place.id)
        if held is None or held[0] != state:
            one = foreseen(self._settings, place, now_ms, hours) if looked else None
            if one is not None:
                air = one.look.air[:, :, :LAG_H].copy()
                one = replace(one, look=replace(one.look, air=air, launch=None))  # type: ignore[arg-type] # for pages only
            held = self._held[place.id] = (state, one)
        return held[1] if held[1] is not None and held[1].look.fresh(now_ms) else None
