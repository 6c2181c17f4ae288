"""Health of each part of the service, from its heartbeat: a verdict, a sentence, what to do.

Whoever asks has only the heartbeat: a store that is locked, or a service that hangs, delays no answer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from monitor.core import formats
from monitor.runtime.service_troubles import Trouble, full_stop, troubles

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from monitor.runtime.heartbeat import Heartbeat, Round

INGEST, ROUNDS = "ingest", "rounds"
"""Parts that can hang."""
WORKERS = "workers"
HOUR_MS = 3_600_000
QUIET_MS = 3 * HOUR_MS
"""Age of the newest reading from which it is reported. [ms]  Ours: a sensor that sleeps sends each
hour."""
ROUND_LATE_MS, ROUND_LONG_S = 300_000, 60.0
"""Age of the last round from which alerts count as stopped, and the duration from which rounds count
as slow: one is due each minute. [ms], [s]"""
OUTLOOK_LATE_MS, OUTLOOK_NEEDS_MS = 3 * HOUR_MS, 96 * HOUR_MS
"""Age of the newest outlook from which it is reported: one is made each hour. Log that the first one
needs. [ms]"""


class Grade(StrEnum):
    """Verdict on a part: it needs nothing, it needs a hand, or the shop is not watched without it."""

    OK = "ok"
    TROUBLE = "trouble"
    FAILING = "failing"


class Verdict(NamedTuple):
    """Verdict on a part of the service. `means`: what it means for the shop; `since_ms`: since when
    it holds [ms since 1970-01-01 UTC], None if that is not known."""

    part: str
    grade: Grade
    sentence: str
    means: str = ""
    remedy: str = ""
    since_ms: int | None = None


_RESTART = "Restart Benchweather. The log has the reason."
_KINDS: Mapping[str, tuple[str, Grade, str]] = {
    "store": (
        "store",
        Grade.FAILING,
        "New readings are not in the store; ready times and alerts are out of date.",
    ),
    "broker": ("broker", Grade.FAILING, "No reading comes in."),
    "settings": ("settings", Grade.TROUBLE, "Your last change of the settings is not in use."),
    "clock": ("clock", Grade.TROUBLE, "Times, ages and ready times may be wrong."),
    "backup": (
        "backup",
        Grade.TROUBLE,
        "If the disk fails, what is newer than the last good backup is lost.",
    ),
    "workers": (
        WORKERS,
        Grade.TROUBLE,
        "The service and other workers store the readings of a worker that stopped.",
    ),
    "round": (ROUNDS, Grade.FAILING, "No alert is raised and no ready time is renewed."),
}
"""Part, grade and meaning of each kind of trouble but the disk's."""


def status(found: Iterable[Verdict]) -> Grade:
    """The gravest of some verdicts."""
    grades = {one.grade for one in found}
    return next((one for one in (Grade.FAILING, Grade.TROUBLE) if one in grades), Grade.OK)


def verdicts(beat: Heartbeat | None, now_ms: int, zone: ZoneInfo) -> list[Verdict]:
    """Verdict on every part, in a fixed order. `beat`: the service's heartbeat, None if there is
    none. [ms since 1970-01-01 UTC]"""
    if beat is None or beat.late(now_ms):
        return _stopped(beat, now_ms, zone)
    found = {
        one.part: one
        for one in (
            Verdict("service", Grade.OK, "The service runs."),
            Verdict("broker", Grade.OK, "The broker passes messages on."),
            _ingest(beat, now_ms, zone),
            *_workers(beat),
            Verdict("store", Grade.OK, "The store can be written."),
            _rounds(beat, now_ms, zone),
            _outlook(beat, now_ms, zone),
            _child(beat, "planner", "plan", Grade.TROUBLE, "The plan of repairs is not renewed."),
            _child(beat, "board", "board", Grade.FAILING, "Nobody can see the board."),
            Verdict("disk", Grade.OK, "The disk can be written and has space."),
            Verdict("clock", Grade.OK, "The clock has not jumped."),
            _notices(beat, now_ms, zone),
            _proofs(beat.round),
            Verdict("settings", Grade.OK, "The present settings are in use."),
            Verdict("backup", Grade.OK, "No backup has failed."),
        )
    }
    for trouble in troubles(beat, now_ms, zone, gone=False):
        one = _of_trouble(trouble, beat)
        found[one.part] = one
    return [one._replace(since_ms=beat.since.get(one.part)) for one in found.values()]


def since(
    before: Mapping[str, int], last: Mapping[str, Grade], found: Iterable[Verdict], now_ms: int
) -> dict[str, int]:
    """Time since which each part has its verdict, from that before. [ms since 1970-01-01 UTC]"""
    return {
        one.part: before[one.part]
        if last.get(one.part) == one.grade and one.part in before
        else now_ms
        for one in found
    }


def sentence(found: Iterable[Verdict]) -> str:
    """The gravest verdict in words, and how many more parts need a hand."""
    every = list(found)
    bad = [one for one in every if one.grade is status(every) is not Grade.OK]
    more = sum(one.grade is not Grade.OK for one in every) - 1
    if not bad:
        return "All parts work."
    return bad[0].sentence + (
        f" {more} more {'part needs' if more == 1 else 'parts need'} a hand." if more else ""
    )


def _stopped(beat: Heartbeat | None, now_ms: int, zone: ZoneInfo) -> list[Verdict]:
    """Verdicts while the service does not run."""
    trouble = troubles(beat, now_ms, zone, gone=True)[0]
    since_ms = beat.beat_ms if beat else None
    first = Verdict(
        "service",
        Grade.FAILING,
        trouble.sentence,
        "No reading is stored, no alert is raised and no ready time is renewed.",
        trouble.remedy,
        since_ms,
    )
    idle = Verdict("", Grade.FAILING, "The service does not run.", since_ms=since_ms)
    unknown = idle._replace(grade=Grade.TROUBLE, sentence="Not known: the service does not run.")
    parts = ("broker", INGEST, "store", ROUNDS, "outlook", "plan", "board", "disk", "clock")
    return [
        first,
        *(
            (idle if part in (INGEST, ROUNDS, "notices") else unknown)._replace(part=part)
            for part in (*parts, "notices", "proof", "settings", "backup")
        ),
    ]


def _of_trouble(trouble: Trouble, beat: Heartbeat) -> Verdict:
    """A trouble of the service as the verdict on its part."""
    if trouble.kind == "disk":
        full = bool(beat.disk and beat.disk.fault)
        part, grade = "disk", Grade.FAILING if full else Grade.TROUBLE
        means = "No reading is stored." if full else "Soon no reading can be stored."
    else:
        part, grade, means = _KINDS[trouble.kind]
    if trouble.kind == "broker" and beat.outage and beat.outage.answers:
        grade, means = Grade.TROUBLE, "Readings may be missing."
    return Verdict(part, grade, trouble.sentence, means, trouble.remedy)


def _ingest(beat: Heartbeat, now_ms: int, zone: ZoneInfo) -> Verdict:
    newest_ms = beat.round.newest_ms if beat.round else None
    if INGEST in beat.stuck:
        return Verdict(
            INGEST, Grade.FAILING, "Storing readings hangs.", "No reading is stored.", _RESTART
        )
    if newest_ms is None:
        return Verdict(
            INGEST, Grade.OK, "Ready to store readings. None has come in for two weeks."
        )
    at = formats.when(min(newest_ms, now_ms), now_ms, zone)
    if now_ms - newest_ms > QUIET_MS:
        return Verdict(
            INGEST,
            Grade.TROUBLE,
            f"No reading is newer than {at}.",
            "Ready times and alerts do not follow the air of the shop.",
            "Check that the sensors are on and are sending. Rejected messages are on Sensors.",
        )
    return Verdict(INGEST, Grade.OK, f"Readings are stored. The newest is from {at}.")


def _workers(beat: Heartbeat) -> list[Verdict]:
    """Verdict on the ingest workers; none in a shop without any."""
    each = ", ".join(f"{one.name} ({formats.grouped(one.per_minute)})" for one in beat.workers)
    text = f"Ingest workers, and messages that each stores a minute: {each}."
    return [Verdict(WORKERS, Grade.OK, text)] if each else []


def _rounds(beat: Heartbeat, now_ms: int, zone: ZoneInfo) -> Verdict:
    last, means = beat.round, _KINDS["round"][2]
    if ROUNDS in beat.stuck:
        return Verdict(ROUNDS, Grade.FAILING, "A round of evaluation hangs.", means, _RESTART)
    began_ms = last.ended_ms if last else beat.started_ms
    if now_ms - began_ms > ROUND_LATE_MS + 1000 * (last.took_s if last else 0):
        at = formats.when(began_ms, now_ms, zone)
        return Verdict(
            ROUNDS,
            Grade.FAILING,
            f"No round of evaluation has ended since {at}.",
            means,
            "Wait for it if this is a large shop. Else restart Benchweather; the log has the reason.",
        )
    if last is None:
        return Verdict(ROUNDS, Grade.OK, "The first round of evaluation is under way.")
    text = f"The last round of evaluation took {last.took_s:.1f} s."
    if last.took_s > ROUND_LONG_S:
        return Verdict(
            ROUNDS,
            Grade.TROUBLE,
            text,
            "Alerts and ready times come late.",
            "Use a faster computer, or fewer places, waits and rules.",
        )
    return Verdict(ROUNDS, Grade.OK, text)


def _outlook(beat: Heartbeat, now_ms: int, zone: ZoneInfo) -> Verdict:
    means = "Ready times, the plan and warnings ahead use old air."
    ended = _child(beat, "outlook", "outlook", Grade.TROUBLE, means)
    last = beat.round
    made_ms = last.outlook_ms if last else None
    due_ms = made_ms
    if ended.grade is not Grade.OK:
        return ended
    text = "There is no outlook yet. It needs four days of readings."
    if made_ms is not None:
        text = f"The newest outlook is from {formats.when(min(made_ms, now_ms), now_ms, zone)}."
    elif last and last.log_from_ms is not None:
        due_ms = last.log_from_ms + OUTLOOK_NEEDS_MS
    if last is None or due_ms is None or now_ms - due_ms <= OUTLOOK_LATE_MS:
        return Verdict("outlook", Grade.OK, text)
    if made_ms is None:
        text = "There is no outlook, although there are readings of more than four days."
    remedy = "Check that readings come in. The log has the reason."
    if last.outlook_apart:
        remedy = (
            "Start `benchweather look-ahead` on its computer. If no computer is meant to do this, set "
            "outlook.processes to 1."
        )
    return Verdict("outlook", Grade.TROUBLE, text, means, remedy)


def _child(beat: Heartbeat, name: str, part: str, grade: Grade, means: str) -> Verdict:
    """Verdict on a part that is a process of its own."""
    if name not in beat.ended:
        return Verdict(part, Grade.OK, f"The {part} works.")
    text = f"The {part} has ended by itself. The service starts it again."
    return Verdict(part, grade, text, means, "If this lasts, look into the log for the reason.")


def _notices(beat: Heartbeat, now_ms: int, zone: ZoneInfo) -> Verdict:
    if "notices" in beat.ended:
        text = "Sending notices has stopped."
        return Verdict("notices", Grade.FAILING, text, "Nobody gets notices of alerts.", _RESTART)
    last = beat.round
    if last is None or not last.outbox_waiting:
        return Verdict("notices", Grade.OK, "No notice waits.")
    if last.outbox_failing:
        at = formats.when(last.outbox_oldest_ms or now_ms, now_ms, zone)
        return Verdict(
            "notices",
            Grade.TROUBLE,
            f"Notices that could not be sent: {last.outbox_failing}. The oldest is from {at}.",
            "Somebody may not know of an alert.",
            "Send a test notice on Settings, Notices: it says why it fails.",
        )
    return Verdict("notices", Grade.OK, f"Notices that wait to be sent: {last.outbox_waiting}.")


def _proofs(last: Round | None) -> Verdict:
    running = last.proofs if last else 0
    if last and last.proof_trouble:
        return Verdict(
            "proof",
            Grade.TROUBLE,
            f"The result of an experiment cannot be calculated: {full_stop(last.proof_trouble)}",
            "Its result is not used.",
            "Correct its measurements on Bench, Proof.",
        )
    return Verdict("proof", Grade.OK, f"Experiments that run: {running}.")
