"""Measures and their results, reasons, cautions and warning signs, as codes and figures."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.presets import Use
from monitor.science.case.rooms import RoomChange
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import Floats


class HomeMeasure(StrEnum):
    """Measures, the least first."""

    NOTHING = "nothing"
    DISCIPLINE = "in its shut case whenever it is not played"
    COOLER_ROOM = "in a cooler, less heated room"
    WARMER_ROOM = "in a warmer, better heated room"
    SET_LOWER = "the room humidifiers that run already set lower"
    BUFFER = "humidity buffer in the case"
    HUMIDIFIER = "humidifier in the case"
    BOTH = "humidity buffer and a small humidifier in the case"
    SMALL_ROOM = "humidifier in one small room"
    ROOM = "room humidifiers for the whole home"
    AIR_CONDITIONED = "in an air-conditioned room, its windows shut"
    DEHUMIDIFIER = "dehumidifier in one small room, its windows shut"
    BOTH_IN_ROOM = "humidifier and dehumidifier in one small room"


HUMIDIFIED = (HomeMeasure.SMALL_ROOM, HomeMeasure.ROOM, HomeMeasure.BOTH_IN_ROOM)
"""Measures with a humidifier in a room."""


class Holds(StrEnum):
    """Degrees of certainty that a measure keeps an instrument in its band."""

    YES = "yes"
    UNCLEAR = "unclear"
    NO = "no"


class MeasureReason(StrEnum):
    """Reasons why nothing more was found, or not for sure."""

    TOO_DRY = "drier than the band with the measure too"
    TOO_DAMP = "damper than the band with the measure too, by the climate"
    MADE_DAMP = "the measure itself makes some homes and cases too damp"
    OVER_WET = "a humidifier that is enough in one case is too much in another"
    CASE_LIMIT = "a case humidifier would be too large, or filled too often"
    ROOM_LIMIT = "a humidifier for the whole home would need too much water"
    WIDE = "the range is too wide to tell"
    COVER = "a cover lets the room's air through: only the room can be kept"
    WEATHER_UNKNOWN = "without the weather a humidifier for the home cannot be worked out"


class Avoid(StrEnum):
    """Things not to do."""

    WATER_ON_WOOD = "water touching wood or varnish"
    WET_SPONGE = "a wet sponge or any source that is not metered"
    SHUT_IN_WET = "shutting in an instrument that is wet or damp"
    HOT_CAR = "leaving it, or anyone, in a closed car"
    HEATER_OR_SUN = "standing by a heater, in the sun, at an outside wall"
    OPEN_WHEN_COLD = "opening a cold case in a warm room"
    HUMIDIFY_WHEN_DAMP = "humidifying outside the months for it"
    SEAL_ROOM = "sealing a room, or shutting its vents, while anything burns there"


class Sign(StrEnum):
    """Bring it back when one of these shows. Common practice, no source."""

    SEAM_OPEN = "an open seam"
    CRACK = "a crack, or an old repair that shows"
    BUZZ = "a buzz that was not there"
    STRINGS_LOWER = "strings lower over the fingerboard"
    STRINGS_HIGHER = "strings higher over the fingerboard"
    PEGS_SLIP = "pegs that slip"
    PEGS_STICK = "pegs that stick"
    EDGES_SHARP = "edges that stand out"
    VARNISH_SOFT = "varnish that takes prints"
    MOULD = "mould, or its smell"


DRY_SIGNS = (
    Sign.SEAM_OPEN,
    Sign.CRACK,
    Sign.BUZZ,
    Sign.STRINGS_LOWER,
    Sign.PEGS_SLIP,
    Sign.EDGES_SHARP,
)
DAMP_SIGNS = (
    Sign.SEAM_OPEN,
    Sign.BUZZ,
    Sign.STRINGS_HIGHER,
    Sign.PEGS_STICK,
    Sign.VARNISH_SOFT,
    Sign.MOULD,
)


class CaseAssumptions(StrEnum):
    """Assumptions that an answer rests on."""

    CASE_NOT_MEASURED = "air changes of instrument cases were never measured; 10 a day, 2 to 50"
    RELEASE_GUESSED = "the humidifier's release is a guess until it is weighed"
    SPELLS_USUAL = "spells of weather are of the usual size, not those of a certain year"
    MONTHS_BRIDGED = "months without a reading lie between their neighbours, with a wider range"
    MONTHS_CARRIED = "months without a reading follow from the readings and the climate outdoors"
    HOME_TYPICAL = "air changes and water of living are typical, not measured in this home"
    RUNNING_WINDOWS = "at times the home gets as damp as its cold windows allow"
    ROOM_TYPICAL = "air changes of one small room are typical, not measured in this one"
    LIKE_A_VIOLIN = "larger instruments answer in proportion to their plates; none was measured"


@dataclass(frozen=True)
class Option:
    """A measure, run through the year; ranges over all ways home and case may be.

    `device`: in the case; `beside`: buffer that lies beside a humidifier; `room`: change to the
    room's air. `held_share`: share of the ways in which the wood keeps its band on all but
    `MOST_DAYS` days a year and the measure adds no too damp hours; `holds`: that in words.
    `not_dry_share`, `not_damp_share`: each side alone, whatever the cause. `made_damp_share`: where
    the measure itself makes it damp. `harm_dry`, `harm_damp`: mean harm over all ways, unplayed
    ones too [d]. `days_in`, `days_dry`, `days_damp`: days with the wood's RH in, below, above the
    band [d]. `lowest_pct`, `highest_pct`: extremes of the wood's RH, daily means [%];
    `moisture_pct`: its moisture at those, each at the median [%]. `too_damp_h`, `mould_h`: hours of
    the case's air [h]; `wets_below_c`: its highest dew point [°C]. `week_ml`: water in the
    thirstiest week; `year_l`: in the year [mL], [L]. `visits`: how often in a year it is made
    ready. `empty_after_d`: shortest time to empty [d]. `around_pct` (365, 3): RH of the air around
    the instrument, daily means at 10, 50 and 90 % of the ways [%]. `first`: the same in the first
    year, while the air of the room is changed slowly; None where it is not changed.
    """

    kind: HomeMeasure
    use: Use
    device: Humidifier | Buffer | None
    beside: Buffer | None
    room: RoomChange | None
    held_share: float
    not_dry_share: float
    not_damp_share: float
    made_damp_share: float
    harm_dry: float
    harm_damp: float
    days_in: QuantileRange
    days_dry: QuantileRange
    days_damp: QuantileRange
    lowest_pct: QuantileRange
    highest_pct: QuantileRange
    moisture_pct: tuple[float, float]
    too_damp_h: QuantileRange
    mould_h: QuantileRange
    wets_below_c: QuantileRange
    week_ml: QuantileRange
    year_l: QuantileRange
    visits: int
    empty_after_d: QuantileRange
    around_pct: Floats = field(compare=False, repr=False)
    first: Option | None = None

    @property
    def at_first(self) -> Option:
        """The measure in its first year."""
        return self.first or self

    @property
    def harm(self) -> float:
        """Harm on both sides. [d]"""
        return self.harm_dry + self.harm_damp

    @property
    def holds(self) -> Holds:
        """Certainty that the wood keeps its band, on both sides."""
        return held_in_words(self.held_share)

    @property
    def holds_damp(self) -> Holds:
        """Certainty that the wood does not get damp, whatever the cause."""
        return held_in_words(self.not_damp_share)


SURE, NEVER = 0.8, 0.2
"""Held for sure: in this share of the ways home and case may be; not held: in less than the
second. [-]  Ours."""


def held_in_words(share: float) -> Holds:
    """Degree of certainty of a share of the ways."""
    return Holds.YES if share >= SURE else Holds.NO if share < NEVER else Holds.UNCLEAR


@dataclass(frozen=True)
class Advice:
    """Advice for one home and case.

    `advised`: the least of the measures with about the least harm; `why` says more.

    `options`: all that were worked out, the least first, up to one that holds. `own`: what the
    client has already, as it does; None if nothing. `home`: the home's RH by month [%]. `known`:
    the months, 1 to 12, of which anything is known; days are counted, and measures meant, for
    these alone.
    """

    band_pct: tuple[float, float]
    advised: Option
    options: tuple[Option, ...]
    own: Option | None
    home: tuple[QuantileRange, ...]
    why: tuple[MeasureReason, ...]
    avoid: tuple[Avoid, ...]
    signs: tuple[Sign, ...]
    assumed: tuple[CaseAssumptions, ...]
    known: tuple[int, ...]
    unplayed: Option | None
    """The measure advised, with the instrument not played for a year; None where there is no device
    in the case or it is not played anyway."""
    lazy: Option | None
    """The measure advised, made ready half as often and not at all in the driest month; None where
    nothing is made ready."""

    @property
    def least(self) -> Option | None:
        """The measure advised; None where it keeps the band in hardly any of the ways."""
        return None if self.advised.holds is Holds.NO else self.advised
