"""Sentences of the sheet for each code of the advice, in English; catalogues hold the translations."""

from __future__ import annotations

from monitor.clients.language import marked
from monitor.science.case.home import Basis
from monitor.science.case.measures import Avoid, CaseAssumptions, HomeMeasure, MeasureReason, Sign

KINDS = {
    HomeMeasure.NOTHING: marked("as it is used now"),
    HomeMeasure.DISCIPLINE: marked("in its closed case when not played"),
    HomeMeasure.AIR_CONDITIONED: marked("air-conditioned room with its windows shut"),
}
COVERED = marked("under its cover when not played")
CASES = {
    "violin, hard case": marked("violin, hard case"),
    "violin, soft case": marked("violin, soft case"),
    "viola, hard case": marked("viola, hard case"),
    "viola, soft case": marked("viola, soft case"),
    "cello, hard case": marked("cello, hard case"),
    "cello, soft case": marked("cello, soft case"),
    "bass, cover": marked("bass, cover"),
}
TIGHT = {
    "leaky": marked("leaky home"),
    "normal": marked("ordinary home"),
    "tight": marked("tight home"),
}
BASES = {
    Basis.WEATHER: marked("a year of hourly weather"),
    Basis.NORMALS: marked("monthly means of the weather"),
    Basis.READINGS: marked("readings at home"),
}
CARRIED = marked("readings at home and the weather outdoors")
"""Text in place of that of readings where months are carried by the climate."""
WHY = {
    MeasureReason.CASE_LIMIT: marked(
        "A case humidifier is left out of the table: it would need more water than a case can "
        "safely hold, or more than two refills a week."
    ),
    MeasureReason.ROOM_LIMIT: marked(
        "Humidifiers for the whole home are left out of the table: they would need more water than "
        "anyone carries every day."
    ),
    MeasureReason.WIDE: marked("Too little is known about this home and case to be certain."),
    MeasureReason.COVER: marked(
        "A cover is not a case: it lets the room's air through. Only the air of the room can be "
        "controlled."
    ),
    MeasureReason.WEATHER_UNKNOWN: marked(
        "Humidifiers for the whole home could not be calculated, because the weather at the home "
        "is not known."
    ),
}
DETAILS = (
    MeasureReason.TOO_DRY,
    MeasureReason.CASE_LIMIT,
    MeasureReason.ROOM_LIMIT,
    MeasureReason.WIDE,
    MeasureReason.WEATHER_UNKNOWN,
)
"""Reasons that nobody acts on: in the terminal and on the board, not on the page."""
AVOID = {
    Avoid.WATER_ON_WOOD: marked("Keep water off wood and varnish."),
    Avoid.WET_SPONGE: marked(
        "Do not use a wet sponge or cloth, or anything else that gives off water without control."
    ),
    Avoid.SHUT_IN_WET: marked(
        "Never put a wet or damp instrument into its case or cover. Let it dry in the room."
    ),
    Avoid.HOT_CAR: marked("Never leave the instrument, or anyone, in a closed car."),
    Avoid.HEATER_OR_SUN: marked("Keep it away from heaters, sunlight and cold outside walls."),
    Avoid.OPEN_WHEN_COLD: marked("Do not open a cold case in a warm room."),
    Avoid.HUMIDIFY_WHEN_DAMP: marked(
        "Do not add water while the hygrometer reads above the band."
    ),
    Avoid.SEAL_ROOM: marked("Never seal a room or shut a vent while anything burns there."),
}
AVOID_COVERED = {Avoid.OPEN_WHEN_COLD: marked("Do not uncover a cold instrument in a warm room.")}
"""Texts in place of those in `AVOID` where a cover is used as the case."""
SIGNS = {
    Sign.SEAM_OPEN: marked("an open seam"),
    Sign.CRACK: marked("a crack, or an old repair that has become visible"),
    Sign.BUZZ: marked("a new buzz"),
    Sign.STRINGS_LOWER: marked("strings lower over the fingerboard"),
    Sign.STRINGS_HIGHER: marked("strings higher over the fingerboard"),
    Sign.PEGS_SLIP: marked("pegs that slip"),
    Sign.PEGS_STICK: marked("pegs that stick"),
    Sign.EDGES_SHARP: marked("edges that stick out"),
    Sign.VARNISH_SOFT: marked("soft varnish that takes prints"),
    Sign.MOULD: marked("mould, or its smell"),
}
ASSUMED = {
    CaseAssumptions.CASE_NOT_MEASURED: marked(
        "The tightness of instrument cases has not been measured."
    ),
    CaseAssumptions.RELEASE_GUESSED: marked(
        "The water that a humidifier gives off is an estimate until it is weighed."
    ),
    CaseAssumptions.SPELLS_USUAL: marked(
        "Changes of weather are of the usual size, not those of one particular year."
    ),
    CaseAssumptions.MONTHS_BRIDGED: marked(
        "Months beside or between the readings are estimated from those readings."
    ),
    CaseAssumptions.MONTHS_CARRIED: marked(
        "Months without a reading are estimated from the readings and the weather outdoors, for "
        "homes that are lived in, heated and aired in the usual ways."
    ),
    CaseAssumptions.HOME_TYPICAL: marked(
        "Air change and the moisture from living in the home are typical values, not measured."
    ),
    CaseAssumptions.RUNNING_WINDOWS: marked(
        "At times the home is so damp that water condenses on its cold windows."
    ),
    CaseAssumptions.ROOM_TYPICAL: marked(
        "The air change of one small room is a typical value, not measured."
    ),
    CaseAssumptions.LIKE_A_VIOLIN: marked(
        "Larger instruments are assumed to respond as a violin does."
    ),
}
