"""Rule of alerts: the quantity watched, its limits, and the texts of its alert."""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from enum import StrEnum
from typing import Annotated, NamedTuple

import msgspec
from msgspec import Meta

from monitor.core.errors import Fault, Rejected, range_fault
from monitor.core.validation import LINE
from monitor.domain.situation import ANYWHERE, Situation, rendered, unknown_marks
from monitor.science.registry import DERIVED


class Of(StrEnum):
    """Kind of subject that a quantity belongs to; each subject of a rule is of one kind."""

    PLACE = "place"
    SENSOR = "sensor"
    INSTRUMENT = "instrument"
    WAIT = "wait"
    RESERVOIR = "reservoir"
    GLUE = "glue"
    SHOP = "shop"


class Watchable(NamedTuple):
    """A quantity that can be watched: its unit, what it belongs to, what it is, and between which
    values a limit on it can mean anything."""

    unit: str
    of: Of
    text: str
    least: float
    most: float


_FORTNIGHT_S = 14 * 86_400
_TEN_YEARS_S = 3_652 * 86_400
_DERIVED_MOST = {
    "absolute_humidity": 400.0,
    "humidity_ratio": 1.0,
    "vapour_pressure": 60_000.0,
    "vapour_pressure_deficit": 60_000.0,
    "equilibrium_moisture_content": 40.0,
}
"""Most of derived quantities, not temperatures, that are never below 0. Ours: beyond any air."""


WATCHABLE: dict[str, Watchable] = {
    "humidity": Watchable("%", Of.PLACE, "relative humidity", 0, 100),
    "temperature": Watchable("°C", Of.PLACE, "air temperature", -60, 85),
    "surface_temperature": Watchable("°C", Of.PLACE, "coldest measured surface", -60, 85),
    "pressure": Watchable("Pa", Of.PLACE, "air pressure", 30_000, 110_000),
    **{
        name: Watchable(
            "% MC" if derived.symbol == "EMC" else derived.unit,
            Of.PLACE,
            name.replace("_", " "),
            0 if name in _DERIVED_MOST else -60,
            _DERIVED_MOST.get(name, 85),
        )
        for name, derived in DERIVED.items()
    },
    "dew_margin": Watchable(
        "K",
        Of.PLACE,
        "how far the coldest measured surface, or without one the air, is above the dew point",
        -60,
        100,
    ),
    "mould_margin": Watchable(
        "%", Of.PLACE, "RH above the level from which mould can grow on wood", -100, 100
    ),
    "wall_margin": Watchable(
        "%", Of.PLACE, "RH above the highest that the coldest wall bears", -100, 100
    ),
    "dry_snap": Watchable(
        "",
        Of.PLACE,
        "chance of a dry snap, divided by the learned alert level; above 1 a dry snap is likely",
        0,
        20,
    ),
    "dry_spell_chance": Watchable("%", Of.PLACE, "chance of a spell below its band", 0, 100),
    "damp_spell_chance": Watchable("%", Of.PLACE, "chance of a spell too damp for glue", 0, 100),
    "hot_spell_chance": Watchable("%", Of.PLACE, "chance of a spell too hot for glue", 0, 100),
    "silent_s": Watchable("s", Of.SENSOR, "time since its last reading", 0, _FORTNIGHT_S),
    "unchanged_s": Watchable(
        "s", Of.SENSOR, "time for which its humidity has not moved at all", 0, _FORTNIGHT_S
    ),
    "saturated_s": Watchable(
        "s", Of.SENSOR, "time for which its humidity has read 99 % or more", 0, _FORTNIGHT_S
    ),
    "battery": Watchable("%", Of.SENSOR, "battery charge", 0, 100),
    "calibrated_s": Watchable(
        "s", Of.SENSOR, "time since it was last calibrated", 0, _TEN_YEARS_S
    ),
    "rested": Watchable("", Of.SENSOR, "1 while the reading in the jar is steady", 0, 1),
    "from_rest": Watchable(
        "% MC",
        Of.INSTRUMENT,
        "how far the part furthest from its home moisture is above or below it",
        -40,
        40,
    ),
    "yield_share": Watchable(
        "%",
        Of.INSTRUMENT,
        "strain of wood that cannot move, as a share of its yield strain",
        0,
        1_000,
    ),
    "warm_up_margin": Watchable(
        "K",
        Of.INSTRUMENT,
        "how far an instrument that came in cold is above the dew point",
        -100,
        100,
    ),
    "ready": Watchable("", Of.WAIT, "1 when a wait is ready to be released", 0, 1),
    "loadable": Watchable("", Of.WAIT, "1 when a released joint may be worked or strung", 0, 1),
    "held": Watchable("", Of.WAIT, "1 while the air keeps a wait on hold", 0, 1),
    "late": Watchable("", Of.WAIT, "1 while a wait is expected to be late", 0, 1),
    "due_s": Watchable(
        "s", Of.RESERVOIR, "time since the tank was due to be filled", -_FORTNIGHT_S, _FORTNIGHT_S
    ),
    "pot_on_s": Watchable(
        "s", Of.GLUE, "time for which its glue pot is recorded as on", 0, _FORTNIGHT_S
    ),
    "pot_at_closing": Watchable(
        "", Of.GLUE, "1 while its glue pot is recorded as on at closing time", 0, 1
    ),
    "glue_past": Watchable("", Of.GLUE, "1 when a batch of glue is past its discard time", 0, 1),
    "broker_away": Watchable("", Of.SHOP, "1 while no readings arrive", 0, 1),
    "store_trouble": Watchable("", Of.SHOP, "1 while readings cannot be stored", 0, 1),
    "clock_jump": Watchable(
        "",
        Of.SHOP,
        "1 while the clock of the shop's computer is in doubt or has just jumped",
        0,
        1,
    ),
    "backup_trouble": Watchable("", Of.SHOP, "1 while backups fail or are missing", 0, 1),
    "shut_chance": Watchable("%", Of.SHOP, "chance that the shop is closed today", 0, 100),
    "open_chance": Watchable(
        "%", Of.SHOP, "chance that the shop is open on a day entered as closed", 0, 100
    ),
    "last_starts": Watchable(
        "", Of.SHOP, "number of waits that could be started in the hour before closing", 0, 100
    ),
    "disk_free": Watchable("GB", Of.SHOP, "free space on the disk", 0, 1_000_000),
}
"""Every quantity that a rule can watch, by its name in rules."""


class Test(StrEnum):
    """On which side of its limits a value becomes a matter."""

    __test__ = False

    ABOVE = "above"
    BELOW = "below"
    OUTSIDE = "outside"


MINUTE_S, HOUR_S = 60, 3_600
HOLD_MAX_S = 14 * 86_400
"""Longest hold time, and longest time between repeats. [s]"""
OVER_MAX_S = 86_400
"""Longest time over which a change is taken: the trace that is at hand. [s]"""
OUTLOOK = ("dry_snap", "dry_spell_chance", "damp_spell_chance", "hot_spell_chance")
"""Quantities of the outlook."""
NO_TRACE = ("surface_temperature", "pressure", "dew_margin", "wall_margin", *OUTLOOK)
"""Quantities that the trace at hand does not have."""
NAME_MAX, TEXT_MAX = 60, 800
"""Longest name and longest text of a rule. [characters]"""


def _name_fault(name: str) -> str | None:
    return LINE["fault"](name) if name else "is empty"


Name = Annotated[str, Meta(max_length=NAME_MAX, extra={"fault": _name_fault})]
Family = Annotated[str, Meta(max_length=NAME_MAX, extra={"fault": LINE["fault"]})]
Text = Annotated[str, Meta(max_length=TEXT_MAX, extra={"fault": LINE["fault"]})]


def _advice_fault(text: str) -> str | None:
    unknown = unknown_marks(text)
    return f"has an unknown mark: {{{unknown[0]}}}" if unknown else LINE["fault"](text)


Advice = Annotated[str, Meta(max_length=TEXT_MAX, extra={"fault": _advice_fault})]
Watched = Annotated[str, Meta(extra={"one_of": tuple(WATCHABLE)})]
Seconds = Annotated[int, Meta(ge=0, le=HOLD_MAX_S, extra={"unit": "s"})]
OverSeconds = Annotated[int, Meta(ge=0, le=OVER_MAX_S, extra={"unit": "s"})]
Urgency = Annotated[
    int, Meta(ge=1, le=3, extra={"allowed": "1 (take note), 2 (act) or 3 (act now)"})
]
Names = Annotated[tuple[str, ...], Meta(extra={"allowed": "a list of names"})]


class Rule(msgspec.Struct, frozen=True, kw_only=True):
    """Rule that raises an alert when a watched quantity goes beyond a limit.

    `quantity` is a key of `WATCHABLE`. `low` and `high` are in its unit; None, for humidity, is
    the place's own band. With `over_s` the change of the quantity over that time is watched
    instead of its value [s]. The condition must last `hold_s` before it counts, and has ended when
    the value has been back by `back` for `calm_s` [s]. `only` names the places, or kinds of place,
    it is for; empty: all. Of the rules of one `family` only the gravest that is on is told; while
    a rule named in `under` is on, this one is not told, as it is a consequence. Told again each
    `repeat_s` until acknowledged; 0: once. `breaks_quiet`: told in quiet hours too. `together`: the
    places it is for are one subject, of which the value furthest out counts. `do` may have marks
    in braces, `{warm to dry}`, for advice that depends on the situation (`situation.ADVICE`).

    Raises
    ------
    Rejected
        With every field that does not go with another, and what is allowed.
    """

    id: str
    name: Name
    quantity: Watched
    test: Test
    low: float | None = None
    high: float | None = None
    over_s: OverSeconds = 0
    back: float = 0.0
    hold_s: Seconds = 0
    calm_s: Seconds = 1_800
    urgency: Urgency = 2
    repeat_s: Seconds = 0
    breaks_quiet: bool = False
    together: bool = False
    only: Names = ()
    family: Family = ""
    under: Names = ()
    why: Text = ""
    source: Text = ""
    do: Advice = ""
    caution: Text = ""
    on: bool = True

    def __post_init__(self) -> None:
        if faults := list(self._faults()):
            raise Rejected(*faults)
        msgspec.structs.force_setattr(self, "family", self.family or self.id)

    @property
    def of(self) -> Of:
        return WATCHABLE[self.quantity].of

    @property
    def unit(self) -> str:
        return WATCHABLE[self.quantity].unit

    def advice(self, situation: Situation = ANYWHERE) -> str:
        """Advice of the rule in a situation."""
        return rendered(self.do, situation)

    def limits(self, band: tuple[float, float] | None) -> tuple[float, float]:
        """Low and high of a place with this band; infinite where the test has none."""
        low, high = band or (-math.inf, math.inf)
        if self.test is not Test.ABOVE:
            low = self.low if self.low is not None else low
        if self.test is not Test.BELOW:
            high = self.high if self.high is not None else high
        return (
            -math.inf if self.test is Test.ABOVE else low,
            math.inf if self.test is Test.BELOW else high,
        )

    def _faults(self) -> Iterator[Fault]:
        """Fields that do not go together; each by itself is checked where it is read."""
        yield from self._limit_faults()
        of_place = f"is only for quantities of a place, and {self.quantity} is of a {self.of}"
        if self.of is not Of.PLACE:
            for name in ("over_s", "only", "together"):
                if getattr(self, name):
                    yield Fault(of_place, name)
        elif self.over_s and self.quantity in NO_TRACE:
            yield Fault(f"must be 0: changes of {self.quantity} are not recorded", "over_s")

    def _limit_faults(self) -> Iterator[Fault]:
        own_band = self.quantity == "humidity" and not self.over_s
        for name, without in (("low", Test.ABOVE), ("high", Test.BELOW)):
            given = getattr(self, name) is not None
            if self.test == without and given:
                yield Fault(f"has no effect on a rule that tests {self.test}", name)
            elif self.test != without and not given and not own_band:
                yield Fault(
                    f"is missing: give the limit in {self.unit or 'the value itself'}", name
                )
        if self.low is not None and self.high is not None:
            if self.low >= self.high:
                yield Fault("", "low", self.low, "below the upper limit")
            elif self.test == Test.OUTSIDE and self.high - self.low <= 2 * self.back:
                allowed = "less than half of the span between low and high"
                yield Fault("", "back", self.back, allowed)
        watched = WATCHABLE[self.quantity]
        least, most = watched.least, watched.most
        if self.over_s:  # a change may go either way
            least, most = least - most, most - least
        for name, low, high in (
            ("low", least, most),
            ("high", least, most),
            ("back", 0, most - least),
        ):
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                yield range_fault(name, value, low, high, self.unit)


flag_rule = functools.partial(Rule, test=Test.ABOVE, high=0.5)
"""Rule on a quantity that is 1 while its condition holds, and else 0."""
