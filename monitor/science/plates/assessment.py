"""Assessment of an instrument: each part's moisture against its home moisture, and safe closing.

Every figure is a range over a fixed set of draws: diffusivity, surface resistance, enclosed air,
hysteresis, movement, sensor, home air, and the air in gaps of the log.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.science.plates.air_steps import (
    DAY_MS,
    HomeAir,
    Opened,
    OpenSpell,
    PlateDrive,
    coarse_steps,
    spells,
)
from monitor.science.plates.diffusion import Plates, moisture, speed, uniform
from monitor.science.plates.faces import face_transfers
from monitor.science.plates.monte_carlo import (
    PlateDraws,
    home_moistures,
    moisture_offsets,
    plate_draws,
)
from monitor.science.plates.movement import dimensional_change
from monitor.science.plates.parts import Part, checked_parts
from monitor.science.plates.restraint import share_of_yield
from monitor.science.plates.species import SPECIES
from monitor.science.quantiles import QuantileRange, quantile_range
from monitor.science.ranges import Floats
from monitor.science.waits.air_log import AirCoverage, AirLog
from monitor.science.waits.monte_carlo import ORDINARY_SENSOR, SensorUncertainty

CLOSE_SHARE = 0.5
"""Closed now, a part taken home may strain by this share of its yield, at the median; at 90 % of
the draws it must stay below yield. [-]  Ours."""

CLOSE_FAR_PCT = 1.5
"""Nothing is closed further from its home moisture than this, at the median. [% MC]  Ours: about what
10 % RH to either side of the home brings; the alert on that ends there."""

CLOSE_AHEAD_S = 7_200.0
"""Nothing is closed that is not safe for at least so long: the work takes its time. [s]  Ours."""

PRESENT_MS = DAY_MS
"""The present air is the mean of this long, to level day and night. [ms]  Ours."""

OLD_AIR_MS = DAY_MS // 4
"""A last reading older than this says nothing of the present air. [ms]  Ours."""

MUCH_KNOWN = 0.9
"""A range too wide to tell is laid to gaps if less than this share of the stay was read. [-]  Ours."""

SETTLED_SHARE, SETTLED_PCT = 0.1, 0.05
"""Settled: this share of the way is left, or this much moisture. [-], [% MC]  Ours."""

AHEAD_S = np.concatenate([[0.0], np.geomspace(600.0, 400 * 86_400.0, 240)])
"""Times ahead that are looked at; what is not reached by the last counts as never. [s]  Ours."""


class Close(StrEnum):
    """Answers to whether it is safe to close."""

    YES = "yes"
    NOT_YET = "not yet"
    UNKNOWN = "unknown"


class Reason(StrEnum):
    """Reasons for the answer."""

    NEAR_HOME = "near its home moisture"
    TOO_DRY = "drier than at home"
    TOO_DAMP = "damper than at home"
    NO_AIR = "no reading of its air"
    OLD_AIR = "the last reading is old"
    HOME_UNKNOWN = "the air of its home is not known"
    GAPS = "the log has gaps"
    WIDE = "the range is too wide to tell"
    LEAVES = "it soon moves too far from its home moisture"
    AIR_VERY_DRY = "the air is very dry: close no joints"
    AIR_VERY_DAMP = "the air is very damp: glue nothing new"
    COLD = "it is too cold: leave its case shut"


AIR_FORBIDS = (Reason.AIR_VERY_DRY, Reason.AIR_VERY_DAMP, Reason.COLD)
"""Reasons that lie in the air of the moment, whatever the wood's moisture."""
NOT_YET = "Not yet"
"""Word of an answer that the present air turns into a "Yes" in time."""
_CLOSE_WORDS = {Close.YES: "Yes", Close.UNKNOWN: "Not known"}


class WoodAssumptions(StrEnum):
    """Assumptions that an assessment rests on."""

    HOME_MOISTURE_ON_ARRIVAL = "it came with the moisture that wood keeps at its home, ±1.3 points"
    HOME_INDOORS = "its home is not known: wood indoors, 8 % moisture, 6 to 11 %"
    GAPS_BRIDGED = "gaps in the log are bridged by the readings beside them, ±15 % RH"
    PRESENT_AIR = "the present air is the mean of the last 24 hours, and stays"
    ENCLOSED_AS_VIOLIN = "the air inside lags as in a violin; nothing larger was measured"
    JOINTS_GIVE = "joints hold 60 to 100 % of the movement; pressed wood yields at 0.5 to 1 %"
    SPRUCE_DIFFUSION = "all woods take up water as spruce does, within three times"


@dataclass(frozen=True)
class PartStatus:
    """Present state of a part. Moisture in % of oven-dry mass, differences in % MC, stress in MPa.

    `moisture_pct`, `outer_pct`, `inner_pct`: mean and faces now. `home_moisture_pct`: moisture in
    the air of its home; `settle_pct`: where it would settle in the present air.
    `change_mm`: free change across the stated width against home, negative: shrunk, a gap opens;
    positive: swollen. `settled_change_mm`: where that ends in the present air.
    `settles_in_s`: until a tenth of the way is left; inf: later than 400 days.
    `yield_share`: its restrained strain as a share of the strain at which it yields, stretched or
    pressed. Of an open instrument: glued now and taken home; else: glued at home and held now.
    `stress_mpa`: the elastic estimate of that stress, high because slow change relaxes; None where no
    modulus of the wood is known.
    What rests on the present air is NaN where that is not known.
    """

    part: Part
    moisture_pct: QuantileRange
    outer_pct: QuantileRange
    inner_pct: QuantileRange
    home_moisture_pct: QuantileRange
    settle_pct: QuantileRange
    from_home_pct: QuantileRange
    from_settled_pct: QuantileRange
    change_mm: QuantileRange
    settled_change_mm: QuantileRange
    settles_in_s: QuantileRange
    yield_share: QuantileRange
    stress_mpa: QuantileRange | None


@dataclass(frozen=True)
class Closing:
    """Safe to close: the answer, why, and the part that decides.

    `yield_share`: of each draw's worst part, glued now and taken home; `part`: the worst at the
    median. If the present air holds: `ready_in_s`: how long until every part stays within
    `CLOSE_SHARE` and `CLOSE_FAR_PCT`, by draw; None where the present air is not known. `from_in_s`,
    `until_in_s`: from when closing is safe, and until when, in the draws as a whole. inf: not within
    400 days.
    """

    close: Close
    reason: Reason
    part: str
    yield_share: QuantileRange
    ready_in_s: QuantileRange | None
    from_in_s: float = np.inf
    until_in_s: float = np.inf

    @property
    def word(self) -> str:
        """The answer in a word or two. It promises no time that the present air does not bring."""
        if self.close is not Close.NOT_YET:
            return _CLOSE_WORDS[self.close]
        if self.reason in AIR_FORBIDS:
            return "Not now"
        return NOT_YET if self.from_in_s < AHEAD_S[-1] else "Not in this air"


@dataclass(frozen=True)
class WoodStatus:
    """State of an instrument's wood at a moment.

    `known_share`: share of the time since it came with readings [0 to 1]; `longest_gap_s` [s];
    `last_reading_ms`: None without any. `parts` is empty if no air at all was read.
    """

    now_ms: int
    parts: tuple[PartStatus, ...]
    closing: Closing
    open_now: bool
    known_share: float
    longest_gap_s: float
    last_reading_ms: int | None
    assumed: tuple[WoodAssumptions, ...]


def assess(
    parts: Sequence[Part],
    air: AirLog,
    arrived_ms: int,
    *,
    home: HomeAir | None = None,
    opened: Sequence[Opened] = (),
    sensor: SensorUncertainty = ORDINARY_SENSOR,
) -> WoodStatus:
    """State of an instrument at the end of its log.

    Parameters
    ----------
    parts : sequence of Part
    air : AirLog
        Where it has been, up to now: `air_log` of one place, or `stitched` from several.
    arrived_ms : int
        When it came, with its home's moisture in it. Within the log. [ms since 1970-01-01 UTC]
    home : Home, optional
        Without it, or without its RH, its home moisture is a guess and the ranges are wide.
    opened : sequence of Opened
        When it was open, rising; else it was closed.
    sensor : SensorError

    Raises
    ------
    PartFault, OutOfRange
    """
    parts, home = checked_parts(parts), home or HomeAir()
    stay = air.cut(arrived_ms, air.until_ms)
    gaps = stay.known != AirCoverage.AIR
    known_share = float(1 - stay.seconds[gaps].sum() / stay.seconds.sum())
    open_now = any(o.from_ms < stay.until_ms <= (o.until_ms or stay.until_ms) for o in opened)
    draws = plate_draws(sensor)
    facts = (open_now, known_share, _longest_gap_s(stay), air.last_ms)
    assumed = [WoodAssumptions.HOME_MOISTURE_ON_ARRIVAL, WoodAssumptions.JOINTS_GIVE]
    assumed += [WoodAssumptions.SPRUCE_DIFFUSION]
    assumed += [WoodAssumptions.HOME_INDOORS] * (home.rh_pct is None)
    assumed += [WoodAssumptions.GAPS_BRIDGED] * bool(gaps.any())
    assumed += [WoodAssumptions.ENCLOSED_AS_VIOLIN]
    if not np.isfinite(stay.temp_c).any():
        nothing = QuantileRange(np.nan, np.nan, np.nan)
        closing = Closing(Close.UNKNOWN, Reason.NO_AIR, "", nothing, None)
        return WoodStatus(stay.until_ms, (), closing, *facts, tuple(assumed))

    wood = _Wood(parts, draws, home_moistures(home, draws)[:, None])
    for spell in spells(air, arrived_ms, opened):
        wood.live(spell, stay.until_ms)
    old = air.last_ms is None or stay.until_ms - air.last_ms > OLD_AIR_MS
    assumed += [WoodAssumptions.PRESENT_AIR] * (not old)
    future = None if old else wood.future(stay.until_ms)
    statuses = tuple(wood.status(i, future) for i in range(len(parts)))
    closing = _closing(wood, future, home, known_share)
    return WoodStatus(stay.until_ms, statuses, closing, *facts, tuple(assumed))


class _Future(NamedTuple):
    """Moisture at which each part settles (draws, parts), and its mean moisture at `AHEAD_S`."""

    settle: Floats
    ahead: Floats


class _Wood:
    """The parts of one instrument in every draw; arrays of shape (draws, parts)."""

    def __init__(self, parts: tuple[Part, ...], draws: PlateDraws, home: Floats) -> None:
        self.parts, self.draws = parts, draws
        self.home = np.broadcast_to(home, (len(home), len(parts)))
        self.woods = [SPECIES[p.species] for p in parts]
        self.grains = [w.along(p.cut) for w, p in zip(self.woods, parts, strict=True)]
        per_pct = [p.restraint * g.coefficient for p, g in zip(parts, self.grains, strict=True)]
        self.held = np.array([part.restraint > 0 for part in parts])
        # restrained strain per % MC
        self.per_pct = np.multiply.outer(draws.movement * draws.held, per_pct)
        self._plates: dict[bool, Plates] = {}
        self._recent: list[PlateDrive] = []
        self.state = uniform(np.maximum(self.home + draws.arrival_pct[:, None], 0.0))
        self.opened = False

    def plates(self, *, opened: bool) -> Plates:
        if opened not in self._plates:
            d = self.draws
            faces = face_transfers(
                self.parts,
                opened=opened,
                air_m_s=d.air_m_s[:, None],
                enclosed_lag_s=d.enclosed_lag_s[:, None],
            )
            thick = np.array([p.thickness_mm / 1000 for p in self.parts])
            self._plates[opened] = Plates(thick, *faces, d.diffusivity_m2_s[:, None])
        return self._plates[opened]

    def live(self, spell: OpenSpell, now_ms: int) -> None:
        """Take the wood through a stretch of air."""
        steps = coarse_steps(spell.air, now_ms)
        air = np.maximum(steps.air_pct + self._off(steps), 0.0)
        self.opened = spell.opened
        self.state = self.plates(opened=spell.opened).after(steps.tau_s, air, state=self.state)
        self._recent.append(steps)

    def _off(self, steps: PlateDrive) -> Floats:
        return moisture_offsets(steps.temp_c, steps.rh_pct, steps.gap, self.draws)

    def future(self, now_ms: int) -> _Future:
        """Course of the wood if the mean air of the last `PRESENT_MS` stays."""
        steps = [np.concatenate(column) for column in zip(*self._recent, strict=True)]
        steps = [column[steps[0] > now_ms - PRESENT_MS] for column in steps]
        last = PlateDrive(*steps)
        off = self._off(last._replace(gap=0 * last.gap))
        settle = np.maximum((last.air_pct + off) @ last.tau_s / last.tau_s.sum(), 0.0)[:, None]
        tau = AHEAD_S * float(speed(last.temp_c).mean())
        plates = self.plates(opened=self.opened)
        ahead = plates.ahead(tau, settle, state=self.state)
        return _Future(np.broadcast_to(settle, self.home.shape), ahead)

    def stretch(self, mean: Floats, *, closing: bool) -> Floats:
        """Strain of held wood, above 0 where it is stretched: glued at this moisture and taken home
        (`closing`), or glued at home and brought to this moisture. [-]"""
        extra = mean.ndim - self.home.ndim
        home, per_pct = (a.reshape(a.shape + (1,) * extra) for a in (self.home, self.per_pct))
        off = mean - home
        return np.asarray(per_pct * (off if closing else -off))

    def yield_share(self, mean: Floats, *, closing: bool) -> Floats:
        """Share of the yield strain that `stretch` is. [-]"""
        limit = self.draws.compression_yield.reshape(-1, *(1,) * (mean.ndim - 1))
        return share_of_yield(self.stretch(mean, closing=closing), limit)

    def far_pct(self, mean: Floats) -> Floats:
        """Greatest distance of a held part from home moisture, at the median of the draws. [% MC]"""
        extra = mean.ndim - self.home.ndim
        home = self.home.reshape(self.home.shape + (1,) * extra)
        off = np.abs(np.median(mean - home, axis=0))
        return np.asarray(np.where(self.held.reshape(-1, *(1,) * extra), off, 0.0).max(axis=0))

    def closable(self, mean: Floats) -> NDArray[np.bool_]:
        """Mask of moistures, (draws, parts, ...), at which closing is safe by all draws together."""
        share = self.yield_share(mean, closing=True).max(axis=1)
        middle, high = np.quantile(share, [0.5, 0.9], axis=0)
        near = self.far_pct(mean) <= CLOSE_FAR_PCT
        return np.asarray((middle <= CLOSE_SHARE) & (high <= 1) & near)

    def change_mm(self, i: int, mean: Floats) -> Floats:
        free = dimensional_change(
            self.parts[i].width_mm,
            self.home[:, i],
            np.maximum(mean, 0.0),
            self.grains[i],
            self.woods[i].shrinks_from_pct,
        )
        return np.asarray(free * self.draws.movement)

    def status(self, i: int, future: _Future | None) -> PartStatus:
        mean, outer, inner = moisture(self.state[:, i])
        unknown = np.full(len(mean), np.nan)
        settle, settles_in = unknown, unknown
        if future is not None:
            settle = future.settle[:, i]
            off = np.abs(future.ahead[:, i] - settle[:, None])
            least = np.maximum(SETTLED_SHARE * np.abs(mean - settle), SETTLED_PCT)
            settles_in = _from_then_on(np.asarray(off <= least[:, None]))
        now = self.state[..., 0]
        share = self.yield_share(now, closing=self.opened)[:, i]
        stretch = self.stretch(now, closing=self.opened)[:, i]
        modulus = self.grains[i].modulus_mpa
        return PartStatus(
            part=self.parts[i],
            moisture_pct=quantile_range(mean),
            outer_pct=quantile_range(outer),
            inner_pct=quantile_range(inner),
            home_moisture_pct=quantile_range(self.home[:, i]),
            settle_pct=quantile_range(settle),
            from_home_pct=quantile_range(mean - self.home[:, i]),
            from_settled_pct=quantile_range(mean - settle),
            change_mm=quantile_range(self.change_mm(i, mean)),
            settled_change_mm=quantile_range(self.change_mm(i, settle)),
            settles_in_s=quantile_range(settles_in),
            yield_share=quantile_range(share),
            stress_mpa=None if modulus is None else quantile_range(modulus * np.abs(stretch)),
        )


def _closing(wood: _Wood, future: _Future | None, home: HomeAir, known_share: float) -> Closing:
    """Closing by the worst part of each draw; named is the part that is worst at the median."""
    now = wood.state[..., 0]
    shares = wood.yield_share(now, closing=True)
    worst = int(np.median(shares, axis=0).argmax())
    share, part = quantile_range(shares.max(axis=1)), wood.parts[worst].name
    if future is None:
        return Closing(Close.UNKNOWN, Reason.OLD_AIR, part, share, None)
    strained = wood.yield_share(future.ahead, closing=True) > CLOSE_SHARE
    far = wood.held[:, None] & (np.abs(future.ahead - wood.home[..., None]) > CLOSE_FAR_PCT)
    within = ~np.any(strained | far, axis=1)
    safe = wood.closable(future.ahead)
    from_s = float(_from_then_on(safe))
    until_s = float(AHEAD_S[(~safe).argmax()]) if not safe.all() else np.inf
    close, reason = _answer(wood, share, worst, until_s, home, known_share)
    if close is not Close.YES and from_s == 0:
        from_s = np.inf  # the present air alone does not forbid it
    return Closing(
        close, reason, part, share, quantile_range(_from_then_on(within)), from_s, until_s
    )


def _answer(
    wood: _Wood,
    share: QuantileRange,
    worst: int,
    until_s: float,
    home: HomeAir,
    known_share: float,
) -> tuple[Close, Reason]:
    """Answer to whether it may be closed, and why."""
    now, home_known = wood.state[..., 0], home.rh_pct is not None
    drier = np.median(now[:, worst] - wood.home[:, worst]) < 0
    side = Reason.TOO_DRY if drier else Reason.TOO_DAMP
    if home_known and wood.closable(now):
        if until_s < CLOSE_AHEAD_S:
            return Close.NOT_YET, Reason.LEAVES
        return Close.YES, Reason.NEAR_HOME
    if home_known and wood.far_pct(now) > CLOSE_FAR_PCT:
        return Close.NOT_YET, side
    if share.median > CLOSE_SHARE and (home_known or share.low > CLOSE_SHARE):
        return Close.NOT_YET, side
    if not home_known:
        return Close.UNKNOWN, Reason.HOME_UNKNOWN
    return Close.UNKNOWN, Reason.GAPS if known_share < MUCH_KNOWN else Reason.WIDE


def _from_then_on(good: NDArray[np.bool_]) -> Floats:
    """First of `AHEAD_S` from which all that follow are good, per row; inf if the last is not."""
    bad = ~good
    last_bad = np.where(bad.any(axis=-1), good.shape[-1] - 1 - bad[..., ::-1].argmax(axis=-1), -1)
    return np.append(AHEAD_S, np.inf)[last_bad + 1]


def _longest_gap_s(stay: AirLog) -> float:
    """Longest stretch on end without a reading. [s]"""
    known = np.flatnonzero(np.concatenate([[True], stay.known == AirCoverage.AIR, [True]]))
    total = np.concatenate([[0.0], np.cumsum(stay.seconds)])
    return float((total[known[1:] - 1] - total[known[:-1]]).max(initial=0.0))
