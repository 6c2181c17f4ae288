"""Measures and their results, reasons, cautions and warning signs, as codes and figures."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.home import RoomHumidifier
from monitor.science.case.presets import Use
from monitor.science.quantiles import QuantileRange
from monitor.science.ranges import Floats


class Measure(StrEnum):
    """Measures, the least first."""

    NOTHING = "nothing"
    DISCIPLINE = "in its shut case whenever it is not played"
    BUFFER = "humidity buffer in the case"
    HUMIDIFIER = "humidifier in the case"
    ROOM = "room humidifier"


class Holds(StrEnum):
    """Degrees of certainty that a measure keeps an instrument in its band.

    On the dry side: it keeps from drying out and does not make it damper. On the damp side: it
    keeps it from being damp.
    """

    YES = "yes"
    UNCLEAR = "unclear"
    NO = "no"


class Why(StrEnum):
    """Reasons why nothing more was found, or not for sure."""

    TOO_DRY = "drier than the band"
    TOO_DAMP = "damper than the band, which no humidifier mends"
    OVER_WET = "what is enough in one case is too much in another"
    WIDE = "the range is too wide to tell"
    COVER = "a cover lets the room's air through: only the room can be kept"
    WEATHER_UNKNOWN = "without the weather a room humidifier cannot be worked out"


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
    HOME_TYPICAL = "air changes and water of living are typical, not measured in this home"
    RUNNING_WINDOWS = "at times the home gets as damp as its cold windows allow"
    LIKE_A_VIOLIN = "larger instruments answer in proportion to their plates; none was measured"


@dataclass(frozen=True)
class Option:
    """A measure, run through the year; ranges over all ways home and case may be.

    `device`, `room`: what is in the case or the room. `holds`: against dryness, without making it
    damper; `held_share`: in which share of those ways. `holds_damp`, `damp_share`: the wood is not
    damp either, whatever the cause. `days_in`, `days_dry`, `days_damp`: days with the wood's RH
    in, below, above the band [d]. `lowest_pct`, `highest_pct`: extremes of the wood's RH, daily
    means [%]; `moisture_pct`: its moisture at those, each at the median [%]. `too_damp_h`,
    `mould_h`: hours of the case's air [h]; `wets_below_c`: its highest dew point [°C]. `week_ml`:
    water in the thirstiest week; `year_l`: in the year [mL], [L]. `visits`: how often in a year it
    is made ready. `empty_after_d`: shortest time to empty [d]. `around_pct` (365, 3): RH of the air
    around the instrument, daily means at 10, 50 and 90 % of the ways [%].
    """

    kind: Measure
    use: Use
    device: Humidifier | Buffer | None
    room: RoomHumidifier | None
    holds: Holds
    held_share: float
    holds_damp: Holds
    damp_share: float
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


@dataclass(frozen=True)
class Advice:
    """Advice for one home and case.

    `least`: the least measure that holds on both sides of the band, else the least that holds on
    the dry side, else the first that may; None: none does, and `why` says more.

    `options`: all that were worked out, the least first. `own`: what the client has already, as
    it does; None if nothing. `home`: the home's RH by month [%]. `known`: the months, 1 to 12, of
    which anything is known; days are counted, and measures meant, for these alone.
    """

    band_pct: tuple[float, float]
    least: Option | None
    options: tuple[Option, ...]
    own: Option | None
    home: tuple[QuantileRange, ...]
    why: tuple[Why, ...]
    avoid: tuple[Avoid, ...]
    signs: tuple[Sign, ...]
    assumed: tuple[CaseAssumptions, ...]
    known: tuple[int, ...]
    unplayed: Option | None
    """The measure advised, with the instrument not played for a year; None where there is no device
    in the case or it is not played anyway."""
