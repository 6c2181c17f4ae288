"""Account of a wait: its lost time by cause, its expected and its real ready time."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from monitor.core import formats
from monitor.core.errors import OutOfRange
from monitor.domain.wait_type_registry import from_mapping
from monitor.outlook.place_air import PlaceAirs
from monitor.science.waits.air_log import BEFORE_MS, AirLog, Stay, air_log, stitched
from monitor.science.waits.lost_time import LossCause, LostTime, lost_time
from monitor.science.waits.parameters import Hold
from monitor.science.waits.wait import WaitState
from monitor.waits.evaluation import WaitStatus, statuses
from monitor.waits.text import about, foreseen, hold_reason

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from monitor.domain.wait import ExpectedAir, Wait
    from monitor.domain.wait_types import WaitType
    from monitor.science.waits.laws import Law
    from monitor.settings import Settings
    from monitor.store import Reader

LEAST_LOSS_S = 600.0
"""Lost time from which a cause is named. [s]  Ours."""
LEAST_LOSS_SHARE = 0.05
"""The same, as a share of the time that passed. [-]  Ours."""
OUTSIDE_LEAST = 0.02
"""Share of the time outside the law's range from which it is said. [-]  Ours."""
NIGHT_H = (20, 7)
"""Hours of the night, for words. [h]"""
MOSTLY = 0.6
"""Share of the loss from which it is said to be that of the night or the day. [-]  Ours."""


@dataclass(frozen=True)
class WaitAccount:
    """A wait with what its air made of it.

    `lost` ends at `end_ms`: where it was ready, at its release, or now. `came_ms` is when it was
    ready; None while it is not, or was not before its release. `status`: at its end. `expected`:
    what the air that was expected at its start would have made of it, as far as that was kept.
    """

    wait: Wait
    kind: WaitType
    status: WaitStatus
    end_ms: int
    came_ms: int | None
    lost: LostTime | None
    expected: LostTime | None = None


def account(reader: Reader, settings: Settings, wait: Wait, now_ms: int) -> WaitAccount:
    """Account of a wait up to a moment: open, setting or finished."""
    kind = from_mapping(wait.kind)
    end = min(wait.released_ms or now_ms, now_ms)
    (status,) = statuses(reader, settings, [replace(wait, released_ms=None, loaded_ms=None)], end)
    found, came = status.readiness, None
    if found is not None and found.state is WaitState.READY:
        came = found.ready_ms
    until = min(came or end, end)
    none = WaitAccount(wait, kind, status, until, came, None)
    if until <= wait.started_ms or wait.started_ms <= end - BEFORE_MS or found is None:
        return none
    since = {place: from_ms for from_ms, place in reversed(wait.places)}
    airs = PlaceAirs(reader, until, since, settings=settings)
    places = [(at, place) for at, place in wait.places if at < until]
    pauses = [(a, min(b or until, until)) for a, b in wait.pauses if a < until]
    try:
        air = airs.along(places, pauses)
        usual_s = kind.basis_s * kind.law.basis_factor
        lost = lost_time(kind.law, usual_s, wait.started_ms, air)
    except OutOfRange:
        return none
    return replace(none, lost=lost, expected=_expected(kind.law, usual_s, wait.expected_air, air))


def _expected(law: Law, usual_s: float, kept: ExpectedAir | None, came: AirLog) -> LostTime | None:
    """Lost time that a wait would have had in the medians of the expected air."""
    if kept is None or not kept.temp_c[1]:
        return None
    start, step_ms = kept.start_ms, 1000 * kept.step_s
    at = start + step_ms * np.arange(len(kept.temp_c[1]))
    end = int(at[-1]) + step_ms
    ahead = air_log(at, kept.temp_c[1], kept.rh_pct[1], end, float(kept.step_s))
    stays = [Stay(ahead, start, end)]
    if int(came.begin_ms[0]) < start <= came.until_ms:
        stays.insert(0, Stay(came, int(came.begin_ms[0]), start))
    try:
        return lost_time(law, usual_s, start, stitched(stays))
    except OutOfRange:
        return None


def air_words(of: WaitAccount, unit: formats.TemperatureUnit) -> str:
    """Means of the expected air and of the air that came, over the time that both are known."""
    kept, lost = of.wait.expected_air, of.lost
    if kept is None:
        return "The air that was expected at the start was not kept."
    if lost is None:
        return ""
    edges = kept.start_ms + 1000 * kept.step_s * np.arange(len(kept.temp_c[1]) + 1)
    overlap = _shared_s(edges, of)
    begin, end = (np.clip(e, edges[0], edges[-1]) for e in (lost.edges_ms[:-1], lost.edges_ms[1:]))
    came_s = np.where(np.isfinite(lost.temp_c), (end - begin) / 1000, 0.0)
    if not overlap.sum() or not came_s.sum():
        return ""

    def expected(values: tuple[tuple[float, ...], ...]) -> list[float]:
        return [float(np.average(row, weights=overlap)) for row in values]

    def mean(values: NDArray[np.float64]) -> float:
        return float(np.average(np.nan_to_num(values), weights=came_s))

    def warm(value: float) -> str:
        return formats.with_unit("temperature", value, unit)

    low, middle, high = expected(kept.temp_c)
    dry, usual, damp = (formats.figure(rh, 0) for rh in expected(kept.rh_pct))
    return (
        f"Air expected at the start: {warm(middle)} ({warm(low)} to {warm(high)}) and {usual} % RH "
        f"({dry} to {damp} %). Air that came: {warm(mean(lost.temp_c))} and "
        f"{formats.figure(mean(lost.rh_pct), 0)} % RH."
    )


def _shared_s(edges: NDArray[np.int64], of: WaitAccount) -> NDArray[np.float64]:
    """Seconds of each step of the expected air that lie within the account."""
    begin = max(of.wait.started_ms, int(edges[0]))
    inside = np.clip(edges, begin, max(of.end_ms, begin))
    return np.asarray(np.diff(inside) / 1000)


def outcome_words(of: WaitAccount, now_ms: int, zone: ZoneInfo) -> list[str]:
    """Sentences on the ready time expected at the start, and on the real one."""
    wait = of.wait
    expected = "The ready time expected at the start is not known."
    if wait.foreseen_ms is not None:
        expected = f"Expected at the start: {foreseen(wait, now_ms, zone)}."
    if of.came_ms is None:
        if wait.open:
            return [expected]
        found = of.status.readiness
        if found is None or found.ready_ms is None:
            return [expected, "Its ready time was not known when it was released."]
        return [expected, "It was released before its calculated ready time."]
    came = f"It was ready {formats.when(of.came_ms, now_ms, zone)}"
    if wait.foreseen_ms is None:
        return [expected, f"{came}."]
    low, _, high = wait.foreseen_ms
    if about(of.came_ms) > about(high):
        late = length((of.came_ms - high) / 1000)
        return [expected, f"{came}, {late} after the end of that range."]
    if about(of.came_ms) < about(low):
        return [expected, f"{came}, {length((low - of.came_ms) / 1000)} before that range."]
    return [expected, f"{came}, as expected."]


def spent_words(of: WaitAccount) -> str:
    """Time that passed, and what it was worth in reference air."""
    if of.lost is None:
        return "The air of this wait is not known."
    passed, worth = float(of.lost.seconds.sum()), float(of.lost.counted_s.sum())
    usual = of.kind.basis_s * of.kind.law.basis_factor
    if of.came_ms is not None:
        return f"It took {length(passed)}. Its usual time is {length(usual)}."
    word = "So far it has had" if of.wait.open else "It had"
    return (
        f"{word} {length(passed)}, worth {length(worth)} in reference air. "
        f"Its usual time is {length(usual)}."
    )


def cause_words(of: WaitAccount, zone: ZoneInfo, unit: formats.TemperatureUnit) -> str:
    """The largest cause of lost time in one sentence with its figures."""
    lost = of.lost
    if lost is None:
        return ""
    passed = float(lost.seconds.sum())
    least = max(LEAST_LOSS_S, LEAST_LOSS_SHARE * passed)
    cause = max(LossCause, key=lost.total_s)
    most = lost.total_s(cause)
    gained = float(lost.counted_s.sum()) - passed
    if most < least:
        if gained > least:
            never = " The advised time is never shorter than the usual one."
            return (
                f"The air was better than reference air: worth {length(gained)} more."
                f"{never if of.kind.never_shorter else ''}{outside_words(of, unit)}"
            )
        return f"The air was about as good as reference air.{outside_words(of, unit)}"
    shown = 60 * dict(balance(of))[NAMES[cause]]  # as it is in the balance
    return f"{_cause(of, lost, cause, zone, unit)}: {length(shown)} lost.{outside_words(of, unit)}"


def outside_words(of: WaitAccount, unit: formats.TemperatureUnit) -> str:
    """Sentence on air outside the range that the law is made for; empty where there was none."""
    lost, law = of.lost, of.kind.law
    if lost is None:
        return ""
    cold, hot = lost.temp_c < law.valid_low_c, lost.temp_c > law.valid_high_c
    share = float(lost.seconds[cold | hot].sum() / lost.seconds.sum())
    if share < OUTSIDE_LEAST:
        return ""
    low, high = (
        formats.whole_temperature(limit, unit) for limit in (law.valid_low_c, law.valid_high_c)
    )
    how_long = length(float(lost.seconds[cold | hot].sum()))
    return (
        f" For {how_long} the air was outside {low} to {high}, the range that the calculation is "
        "made for, so this is only a rough figure."
    )


def _cause(
    of: WaitAccount,
    lost: LostTime,
    cause: LossCause,
    zone: ZoneInfo,
    unit: formats.TemperatureUnit,
) -> str:
    if cause in (LossCause.TEMPERATURE, LossCause.HUMIDITY):
        steps, when = _worst(lost, cause, zone)
        seconds = lost.seconds[steps]
        factor = 1 - float(lost.lost_s[cause][steps].sum() / seconds.sum())
        if cause is LossCause.TEMPERATURE:
            mean = float(np.average(lost.temp_c[steps], weights=seconds))
            air = formats.with_unit("temperature", mean, unit)
        else:
            mean = float(np.average(lost.rh_pct[steps], weights=seconds))
            air = f"{formats.figure(mean, 0)} % RH"
        return f"{air}{when} made it {speed_words(factor)}"
    seconds_held = lost.seconds[lost.hold != Hold.NONE].sum()
    if cause is LossCause.HOLD:
        kinds, where = np.unique(lost.hold[lost.hold != Hold.NONE], return_inverse=True)
        weights = np.bincount(where, lost.seconds[lost.hold != Hold.NONE])
        why = hold_reason(Hold(int(kinds[np.argmax(weights)])), of.kind.law)
        return f"It was on hold for {length(float(seconds_held))}, {why}"
    if cause is LossCause.PAUSE:
        return "It was paused"
    if cause is LossCause.GAP:
        return "Readings are missing; half of that time is counted"
    return "The settings of its kind of wait, such as light, made it slower"


def _worst(lost: LostTime, cause: LossCause, zone: ZoneInfo) -> tuple[NDArray[np.bool_], str]:
    """Steps in which the cause took its time, and the time of day if it is mostly one."""
    counted = np.isfinite(lost.temp_c) & (lost.hold == Hold.NONE)
    begin, end = NIGHT_H
    hour = np.array([formats.local(int(at), zone).hour for at in lost.edges_ms[:-1]])
    night = (hour >= begin) | (hour < end)
    took = lost.lost_s[cause]
    whole = float(took[counted].sum())
    if (counted & night).any() and (counted & ~night).any():
        share = float(took[counted & night].sum()) / whole
        if share >= MOSTLY:
            return counted & night, " at night"
        if share <= 1 - MOSTLY:
            return counted & ~night, " by day"
    return counted, " on average"


def speed_words(factor: float) -> str:
    """A rate relative to reference air: `half as fast`, `0.8 times as fast as in reference air`."""
    if 0.45 <= factor <= 0.55:
        return "half as fast"
    if 0.3 <= factor <= 0.36:
        return "a third as fast"
    if factor < 0.1:
        return "hardly advance"
    return f"{formats.figure(factor, 1 if factor < 0.85 else 2)} times as fast as in reference air"


NAMES = {
    LossCause.TEMPERATURE: "temperature",
    LossCause.HUMIDITY: "humidity",
    LossCause.HOLD: "on hold",
    LossCause.PAUSE: "paused",
    LossCause.GAP: "readings missing",
    LossCause.OTHER: "settings of its kind",
}


def balance(of: WaitAccount) -> list[tuple[str, int]]:
    """Whole minutes of a wait by what they were: worth in reference air, then lost by each cause.

    They add up to the minutes that passed; a gain is negative.
    """
    lost = of.lost
    if lost is None:
        return []
    named = [("worth in reference air", float(lost.counted_s.sum()))]
    named += [(NAMES[cause], lost.total_s(cause)) for cause in LossCause]
    passed = round(float(lost.seconds.sum()) / 60)
    floors = [math.floor(seconds / 60) for _, seconds in named]
    left = passed - sum(floors)
    by_rest = sorted(range(len(named)), key=lambda i: floors[i] - named[i][1] / 60)
    minutes = [n + (i in by_rest[:left]) for i, n in enumerate(floors)]
    return [
        (name, n) for (name, _), n in zip(named, minutes, strict=True) if n or name == named[0][0]
    ]


def length(seconds: float) -> str:
    """A length of time in hours and minutes: `2 h 10 min`; in days from two on."""
    if abs(seconds) >= 2 * 86_400:
        return formats.hours(seconds)
    hours, minutes = divmod(round(abs(seconds) / 60), 60)
    sign = "−" if seconds < 0 and (hours or minutes) else ""
    words = [f"{hours} h"] if hours else []
    words += [f"{minutes} min"] if minutes or not hours else []
    return sign + " ".join(words)
