"""Polls the forecast sources on the network, in order and no more often than they allow.

The progress of each is stored, so that a restart does not ask more often. Addresses and keys are
never logged or stored: a source is called by its name in the settings.
"""

from __future__ import annotations

import hashlib
import logging
import random
from collections.abc import Callable
from email.utils import parsedate_to_datetime
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import parse_qsl, urlsplit

from monitor import __version__
from monitor.core.backoff import doubled
from monitor.core.clock import from_ms, to_ms
from monitor.core.errors import BadPayload, StoreFault
from monitor.domain.forecast import position
from monitor.domain.forecast_source import ForecastSource
from monitor.outlook.weather import http, json_pointer
from monitor.outlook.weather.http import FetchedDocument, NotFetched, Validators
from monitor.outlook.weather.intake import ForecastIntake, IntakeResult
from monitor.outlook.weather.providers import READY
from monitor.outlook.weather.validation import RawForecast, validated
from monitor.store import forecasts
from monitor.store.connection import Cursor
from monitor.store.forecasts import SourceProgress

if TYPE_CHECKING:
    from monitor.settings import Settings

log = logging.getLogger(__name__)

EVERY_MS, SPREAD_MS = 3_600_000, 600_000
"""A source that answered well is asked again after an hour at the earliest, plus up to ten minutes
later by chance, so that shops do not all ask at once. [ms]"""
RETRY_FIRST_MS, RETRY_MAX_MS = 300_000, 6 * 3_600_000
"""First and longest wait after a failure, doubled from one to the next, up to half more by chance;
after one that nothing but other settings can mend the first is `EVERY_MS`. [ms]"""
OBEYED_MAX_MS = 7 * 86_400_000
"""Longest wait that a server can ask for. [ms]"""
FRESH_MS = 3 * 3_600_000
"""While a source answered well within this, the next in order is not asked. [ms]"""
ADDRESS_MS = 7 * 86_400_000
"""Lifetime of an address that a service gave. [ms]"""
CLOCKS_APART_MS = 300_000
"""Difference between our clock and a server's from which it is noted. [ms]"""
SECRET_MIN = 5
"""Shortest value of an address that counts as a key. [characters]"""


class PollResult(NamedTuple):
    """Result of polling a source, in words, and whether it went well."""

    source: str
    good: bool
    text: str


class ForecastPoller:
    """Polls the sources of the settings. For one thread.

    Parameters
    ----------
    settings : Settings
    intake : ForecastIntake
    chance : callable
        Draws from 0 to 1.
    """

    def __init__(
        self,
        settings: Settings,
        intake: ForecastIntake,
        chance: Callable[[], float] = random.random,
    ) -> None:
        self._settings, self._intake, self._chance = settings, intake, chance
        self._sources = [source for source in settings.forecasts if source.asked]
        self._tried: dict[str, int] = {}
        weather = settings.weather
        self._position = position(weather.latitude or 0.0, weather.longitude or 0.0)
        self._user_agent = f"Benchweather/{__version__} ({weather.contact})"

    def poll(self, now_ms: int) -> list[PollResult]:
        """Poll the due sources, the preferred first, until one has answered well recently.

        Parameters
        ----------
        now_ms : int
            [ms since 1970-01-01 UTC]

        Returns
        -------
        list of Said
            One for each source that was considered.
        """
        found = []
        for source in self._sources:
            state = self._state(source, now_ms)
            if state.next_ms <= now_ms and not self._just_tried(source, now_ms):
                said, state = self._ask(source, state, now_ms)
            else:
                text = state.trouble or "has answered"
                said = PollResult(source.id, not state.trouble, f"{text}; {_not_before(state)}")
            found.append(said)
            if state.good_ms is not None and 0 <= now_ms - state.good_ms < FRESH_MS:
                break
        return found

    def _just_tried(self, source: ForecastSource, now_ms: int) -> bool:
        """Return whether it was asked just now, even if that could not be stored."""
        if 0 <= now_ms - self._tried.get(source.id, -RETRY_FIRST_MS) < RETRY_FIRST_MS:
            return True
        self._tried[source.id] = now_ms
        return False

    def _state(self, source: ForecastSource, now_ms: int) -> SourceProgress:
        state = forecasts.progress_of(self._intake.writer, source.id)
        if (target := self._target(source)) != state.target:
            # Other settings: nothing of what is known holds, but the source is still left in peace.
            state = SourceProgress(source.id, state.tried_ms, state.next_ms, target=target)
            if not state.tried_ms:
                return state
        if now_ms < state.tried_ms:  # the clock was set back: wait as long as was meant
            state = state._replace(
                tried_ms=now_ms,
                next_ms=now_ms + state.next_ms - state.tried_ms,
                good_ms=None if state.good_ms is None else min(state.good_ms, now_ms),
            )
            self._note(lambda run: forecasts.keep_progress(run, state))
        return state

    def _ask(
        self, source: ForecastSource, state: SourceProgress, now_ms: int
    ) -> tuple[PollResult, SourceProgress]:
        body = b""
        try:
            state, answer = self._fetched(source, state, now_ms)
            if answer.deprecated:
                log.warning("forecast source=%s will end its present format (203)", source.id)
            body = answer.body or b""
            after = self._good(state, answer, now_ms)
            took = self._take(source, answer, after, now_ms)
        except NotFetched as exc:
            text = _masked(str(exc), source)
            after = self._failed(state, now_ms, text, exc.retry_after_s, exc.retryable)
            self._note(lambda run: forecasts.keep_progress(run, after))
            if text != state.trouble:
                log.warning("forecast not fetched source=%s reason=%s", source.id, text)
            return PollResult(source.id, False, f"{text}; {_not_before(after)}"), after
        except BadPayload as exc:
            return self._refused(source, state, body, str(exc), now_ms)
        except StoreFault:
            raise
        except Exception as exc:
            # Our own fault; but the service must not be asked again each minute for it.
            log.exception("forecast could not be read source=%s", source.id)
            return self._refused(source, state, body, f"could not be read: {exc!r}", now_ms)
        if doubt := took.doubt or (state.trouble if answer.body is None else ""):
            # It counts as no good answer, so that the next in order is asked.
            after = after._replace(good_ms=state.good_ms, trouble=doubt)
            self._note(lambda run: forecasts.keep_progress(run, after))
        text = "a new forecast" if took.new else "unchanged"
        text = "; ".join(filter(None, [text, *took.notes, doubt, _not_before(after)]))
        return PollResult(source.id, not doubt, text), after

    def _refused(
        self, source: ForecastSource, state: SourceProgress, body: bytes, reason: str, now_ms: int
    ) -> tuple[PollResult, SourceProgress]:
        """Store an answer that is not a forecast as rejected; ask again in an hour at the earliest."""
        text = _masked(reason, source)
        after = self._failed(state, now_ms, text, EVERY_MS / 1000, retryable=True)
        kept = _masked(body.decode("utf-8", "backslashreplace"), source).encode()
        self._intake.refuse(f"forecasts/{source.id}", kept, text, now_ms)
        self._note(lambda run: forecasts.keep_progress(run, after))
        return PollResult(source.id, False, f"rejected: {text}; {_not_before(after)}"), after

    def _fetched(
        self, source: ForecastSource, state: SourceProgress, now_ms: int
    ) -> tuple[SourceProgress, FetchedDocument]:
        """The document, and its address if the service gave that first."""
        if source.service is None:
            return state, self._get(source, self._filled(source.url), state)
        service = READY[source.service]
        base = source.url.rstrip("/") or service.base
        first = base + service.path(self._position, self._settings.shop.altitude_m)
        if service.follow is None:
            return state, self._get(source, first, state)
        if not state.address or not 0 <= now_ms - state.addressed_ms < ADDRESS_MS:
            address = urlsplit(
                service.follow(self._get(source, first, SourceProgress(source.id)).body or b"")
            )
            # Whatever host it names, only the one of the settings is asked.
            path = address.path + (f"?{address.query}" if address.query else "")
            state = SourceProgress(
                source.id,
                state.tried_ms,
                state.next_ms,
                state.good_ms,
                state.failures,
                state.trouble,
                state.target,
                path,
                now_ms,
            )
        return state, self._get(source, base + state.address, state)

    def _get(self, source: ForecastSource, url: str, state: SourceProgress) -> FetchedDocument:
        return http.get(
            url,
            user_agent=self._user_agent,
            headers=source.headers,
            validators=Validators(state.etag, state.last_modified),
        )

    def _take(
        self, source: ForecastSource, answer: FetchedDocument, after: SourceProgress, now_ms: int
    ) -> IntakeResult:
        """Read, validate and store an answer, together with the polling progress."""
        if answer.body is None:
            self._note(lambda run: forecasts.keep_progress(run, after))
            return IntakeResult(0, 0, ())
        raw = self._read(source, answer, now_ms)
        if answer.sent_ms is not None and abs(now_ms - answer.sent_ms) > CLOCKS_APART_MS:
            apart = (now_ms - answer.sent_ms) / 60_000
            raw = raw._replace(
                notes=(
                    *raw.notes,
                    f"this machine's clock is {abs(apart):.0f} min "
                    f"{'ahead of' if apart > 0 else 'behind'} the service's",
                )
            )
        found = validated(source.id, raw, now_ms)
        return self._intake.keep(
            [found], now_ms, also=lambda run: forecasts.keep_progress(run, after)
        )

    def _read(self, source: ForecastSource, answer: FetchedDocument, now_ms: int) -> RawForecast:
        body = answer.body or b""
        if body.lstrip()[:1] == b"<":
            raise BadPayload("it answered with a web page, not with JSON")
        if source.service is not None:
            altitude_m = self._settings.shop.altitude_m
            return READY[source.service].read(body, self._position, altitude_m)
        issued_ms = now_ms
        if answer.validators.last_modified:
            try:
                issued_ms = to_ms(parsedate_to_datetime(answer.validators.last_modified))
            except (TypeError, ValueError):
                log.debug("source=%s sends a Last-Modified that is no date", source.id)
        return json_pointer.read(source, body, issued_ms)

    def _good(self, state: SourceProgress, answer: FetchedDocument, now_ms: int) -> SourceProgress:
        wait = max(EVERY_MS, min(int(1000 * answer.good_for_s), OBEYED_MAX_MS))
        return state._replace(
            tried_ms=now_ms,
            next_ms=now_ms + wait + int(SPREAD_MS * self._chance()),
            good_ms=now_ms,
            failures=0,
            trouble="",
            etag=answer.validators.etag,
            last_modified=answer.validators.last_modified,
        )

    def _failed(
        self,
        state: SourceProgress,
        now_ms: int,
        trouble: str,
        retry_after_s: float | None,
        retryable: bool,
    ) -> SourceProgress:
        first = RETRY_FIRST_MS if retryable else EVERY_MS
        wait = int(doubled(first, RETRY_MAX_MS, state.failures) * (1 + self._chance() / 2))
        if retry_after_s is not None:
            asked_ms = min(int(1000 * retry_after_s), OBEYED_MAX_MS)
            wait = max(wait, asked_ms + int(SPREAD_MS * self._chance()))
        # The address is asked for anew: the service may have moved it.
        return state._replace(
            tried_ms=now_ms,
            next_ms=now_ms + wait,
            failures=state.failures + 1,
            trouble=trouble,
            address="" if not retryable else state.address,
            etag="",
            last_modified="",
        )

    def _note(self, work: Callable[[Cursor], object]) -> None:
        with self._intake.writer.connection.transaction() as run:
            work(run)

    def _filled(self, url: str) -> str:
        place = self._position
        return url.replace("{latitude}", f"{place.latitude:.2f}").replace(
            "{longitude}", f"{place.longitude:.2f}"
        )

    def _target(self, source: ForecastSource) -> str:
        """A digest of all that decides what is asked and how it is read."""
        what = repr(
            (
                source.service,
                source.url,
                sorted(source.headers.items()),
                source.hours,
                source.time,
                source.issued,
                sorted(source.elements.items()),
                source.members,
                sorted(source.member_elements.items()),
                self._position,
                self._user_agent,
            )
        )
        return hashlib.blake2b(what.encode(), digest_size=16).hexdigest()


def _not_before(state: SourceProgress) -> str:
    return f"not asked again before {from_ms(state.next_ms):%Y-%m-%d %H:%M} UTC"


def _masked(text: str, source: ForecastSource) -> str:
    """The text without the keys of the settings, which an answer may repeat."""
    values = [value for _, value in parse_qsl(urlsplit(source.url).query)]
    for secret in (*values, *source.headers.values()):
        if len(secret) >= SECRET_MIN and "{" not in secret:
            text = text.replace(secret, "…")
    return text
