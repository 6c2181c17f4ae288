"""What a sheet says of each code of the advice. English; the catalogues hold the other languages."""

from __future__ import annotations

from monitor.clients.language import marked
from monitor.science.case.home import Basis
from monitor.science.case.measures import Avoid, CaseAssumptions, Measure, Sign, Why

KINDS = {
    Measure.NOTHING: marked("as it is used now"),
    Measure.DISCIPLINE: marked("in its shut case when not played"),
    Measure.BUFFER: marked("humidity buffer in the case"),
    Measure.HUMIDIFIER: marked("humidifier in the case"),
    Measure.ROOM: marked("room humidifier"),
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
    Basis.WEATHER: marked("a year of weather by the hour"),
    Basis.NORMALS: marked("monthly means of the weather"),
    Basis.READINGS: marked("readings at home"),
}
WHY = {
    Why.TOO_DRY: marked("In the driest months the wood still dries below the band."),
    Why.TOO_DAMP: marked(
        "In damp months the air is damper than the band. No humidifier mends that: air the room, or "
        "dry it with a dehumidifier, slowly."
    ),
    Why.OVER_WET: marked(
        "A humidifier in the case was left out: what is enough in one case is too much in another."
    ),
    Why.WIDE: marked("What is known of this home and case is too little to be sure."),
    Why.COVER: marked(
        "A cover is no case: it lets the room's air through and holds nothing. Only the room itself "
        "can be kept."
    ),
    Why.WEATHER_UNKNOWN: marked(
        "A room humidifier could not be worked out, as the weather there is not known."
    ),
}
AVOID = {
    Avoid.WATER_ON_WOOD: marked("Let no water touch wood or varnish."),
    Avoid.WET_SPONGE: marked("No wet sponge or cloth, nothing that gives off water unmetered."),
    Avoid.SHUT_IN_WET: marked("Never shut it in while it is wet or damp; let it dry in the room."),
    Avoid.HOT_CAR: marked("Never leave it in a closed car, nor anyone."),
    Avoid.HEATER_OR_SUN: marked("Keep it from heaters, sun and cold outside walls."),
    Avoid.OPEN_WHEN_COLD: marked("Do not open a cold case in a warm room."),
    Avoid.HUMIDIFY_WHEN_DAMP: marked("Add no water while the hygrometer reads above the band."),
    Avoid.SEAL_ROOM: marked(
        "Seal no room and shut no vent to hold humidity while anything burns."
    ),
}
AVOID_COVERED = {Avoid.OPEN_WHEN_COLD: marked("Do not uncover a cold instrument in a warm room.")}
"""What is said instead of `AVOID` where a cover stands for a case."""
SIGNS = {
    Sign.SEAM_OPEN: marked("an open seam"),
    Sign.CRACK: marked("a crack, or an old repair that shows"),
    Sign.BUZZ: marked("a buzz that was not there"),
    Sign.STRINGS_LOWER: marked("strings lower over the fingerboard"),
    Sign.STRINGS_HIGHER: marked("strings higher over the fingerboard"),
    Sign.PEGS_SLIP: marked("pegs that slip"),
    Sign.PEGS_STICK: marked("pegs that stick"),
    Sign.EDGES_SHARP: marked("edges that stand out"),
    Sign.VARNISH_SOFT: marked("varnish that takes prints"),
    Sign.MOULD: marked("mould, or its smell"),
}
ASSUMED = {
    CaseAssumptions.CASE_NOT_MEASURED: marked(
        "How tight instrument cases are was never measured."
    ),
    CaseAssumptions.RELEASE_GUESSED: marked(
        "A humidifier's release is a guess until it is weighed."
    ),
    CaseAssumptions.SPELLS_USUAL: marked(
        "Spells of weather are of the usual size, not those of one year."
    ),
    CaseAssumptions.MONTHS_BRIDGED: marked(
        "Months without a reading lie between their neighbours."
    ),
    CaseAssumptions.HOME_TYPICAL: marked(
        "Draughts and the water of living are typical, not measured."
    ),
    CaseAssumptions.RUNNING_WINDOWS: marked(
        "At times the home is as damp as its cold windows allow."
    ),
    CaseAssumptions.LIKE_A_VIOLIN: marked(
        "Larger instruments are taken to answer as a violin does."
    ),
}
