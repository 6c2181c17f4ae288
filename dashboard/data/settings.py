"""The settings file as the board shows it: what it holds now, what waits for a restart, its history."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.commands.closing import answers_of
from monitor.core import formats
from monitor.settings.change import SettingsFile

if TYPE_CHECKING:
    from datetime import date

    from dashboard.data.journal import CachedJournal
    from dashboard.data.shop import ShopData
    from monitor.domain.events import Event
    from monitor.settings import Settings


class SettingsQueries:
    """Queries of the settings file and of the history of its changes."""

    def __init__(self, shop: ShopData, kept: CachedJournal) -> None:
        self._shop, self._kept = shop, kept
        self._file = SettingsFile(shop.settings)

    @property
    def is_beside_service(self) -> bool:
        """True if the service uses this file, and so can change it."""
        return self._shop.is_beside_service()

    @property
    def path(self) -> str:
        return str(self._file.path)

    def present(self) -> Settings:
        """The settings that a start would have now.

        Raises
        ------
        SettingsFault, Rejected
            If the file is not valid, or cannot be read.
        """
        return self._file.present()

    def seen(self, version: str) -> Settings:
        """The settings of a version that a page showed; the present ones if it is not kept."""
        return self._file.seen(version)

    def waits_for_restart(self) -> bool:
        """Return whether the file differs from what the service runs with."""
        return self.present().version != self._shop.settings.version

    def changes(self) -> dict[int, Event]:
        """The changes by their number, the newest first."""
        found = self._kept.ask(lambda _, journal: journal.settings_changes)
        return dict(sorted(found.items(), reverse=True))

    def places(self) -> list[str]:
        """Ids of the places that sensors have named."""
        with self._shop.reader() as reader:
            return [place.id for place in self._shop.places(reader)]

    def answered_closed(self) -> tuple[date, ...]:
        """Days that somebody answered the shop was closed on."""
        with self._shop.reader() as reader:
            return answers_of(reader).closed

    def record_words(self, content: bytes) -> str:
        """Result of checking that a file is an unchanged record of this shop, in words."""
        from monitor.clients import air_certificate

        found = self._kept.ask(lambda _, journal: air_certificate.check(content, journal))
        if found.known:
            day = formats.local(found.given_ms, self._shop.settings.zone).date()
            return (
                f"Unchanged since this shop made it for {found.reference} on {formats.day(day)}."
            )
        if found.sound:
            return "Consistent in itself, but this shop's history does not have it."
        return "Changed since it was made, or not a record of Benchweather."
