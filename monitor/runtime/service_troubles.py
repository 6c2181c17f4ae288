"""Troubles of the service in words, each with what to do, for the board and the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from monitor.core import formats
from monitor.core.steady_clock import ClockJump, JumpState, jump_words

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from monitor.runtime.disk_space import DiskTrouble
    from monitor.runtime.heartbeat import BrokerOutage, Heartbeat, WorkerSign


class Trouble(NamedTuple):
    """Something that needs a hand: what it is, and what to do."""

    kind: str
    sentence: str
    remedy: str


def full_stop(text: str) -> str:
    """`text` as a sentence: with a full stop if it has no end mark."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


def troubles(beat: Heartbeat | None, now_ms: int, zone: ZoneInfo, *, gone: bool) -> list[Trouble]:
    """Troubles of the service, the worst first. `gone` is True if its heartbeat is late."""
    if beat is None:
        return [
            Trouble(
                "service",
                "The service has not run here yet. Nothing is being recorded.",
                "Start Benchweather on the shop's computer.",
            )
        ]
    if gone:
        return [
            Trouble(
                "service",
                f"The service stopped at {formats.when(beat.beat_ms, now_ms, zone)}: "
                "nothing is being recorded.",
                (
                    "Start Benchweather again on the shop's computer. Sensors that keep their "
                    "readings will then send them."
                ),
            )
        ]
    found = []
    if beat.disk is not None:
        found.append(disk_trouble(beat.disk))
    if beat.store_trouble:
        kept = "" if beat.outage else " Until then the broker keeps new readings."
        found.append(
            Trouble(
                "store",
                f"Readings cannot be stored: {full_stop(beat.store_trouble)}",
                "Make space on the disk, or make the data folder writable. If the store is on a "
                f"server, start that server.{kept}",
            )
        )
    if beat.outage is not None:
        found.append(outage_trouble(beat.outage, now_ms, zone, disk=beat.disk))
    elif beat.broker_trouble:
        found.append(
            Trouble(
                "broker",
                f"No connection to the broker{f' at {beat.broker}' if beat.broker else ''}: "
                f"{full_stop(beat.broker_trouble)}",
                "Check that the broker runs, its address, and the user name and password.",
            )
        )
    if beat.settings_trouble:
        found.append(
            Trouble(
                "settings",
                f"Benchweather could not start with the changed settings: "
                f"{full_stop(beat.settings_trouble)}",
                "It runs with the earlier settings again. Correct the change and save it again.",
            )
        )
    if beat.clock is not None:
        found.append(clock_trouble(beat.clock, now_ms, zone))
    if beat.round_trouble and not beat.store_trouble:
        found.append(
            Trouble(
                "round",
                (f"Alerts and ready times have stopped: {full_stop(beat.round_trouble)}"),
                "Undo your last change to rules or settings. The log has the details.",
            )
        )
    if silent := [one for one in beat.workers if one.silent]:
        found.append(worker_trouble(silent, now_ms, zone))
    if beat.backup_trouble:
        found.append(
            Trouble(
                "backup",
                full_stop(beat.backup_trouble),
                "Benchweather tries again every hour. To try it now, run benchweather backup make.",
            )
        )
    return found


def worker_trouble(silent: Sequence[WorkerSign], now_ms: int, zone: ZoneInfo) -> Trouble:
    """Ingest workers that are silent, in words."""
    names = "; ".join(
        f"{one.name}, last seen {formats.when(one.seen_ms, now_ms, zone)}" for one in silent
    )
    one = len(silent) == 1
    return Trouble(
        "workers",
        f"{'An ingest worker has' if one else f'{len(silent)} ingest workers have'} stopped: {names}.",
        f"Start {'it again on its computer' if one else 'them again on their computers'}. If it runs "
        "there, check its network. After 7 days this message goes away.",
    )


def disk_trouble(disk: DiskTrouble) -> Trouble:
    """A disk that is full, nearly full or cannot be written, in words."""
    free_up = "Make space on the disk that holds the data folder."
    if disk.fault:
        return Trouble(
            "disk",
            f"The disk cannot be written: {full_stop(disk.fault)} No reading is stored.",
            f"{free_up} If the disk has space, make it writable. Benchweather then goes on by itself.",
        )
    if disk.full_in_h is None:
        return Trouble(
            "disk",
            f"The disk is nearly full: {disk.free_mb} MB are free.",
            f"{free_up} When it is full, no reading can be stored.",
        )
    return Trouble(
        "disk",
        f"The disk will be full in about {disk.full_in_h:.0f} "
        f"{'hour' if disk.full_in_h < 1.5 else 'hours'} if it goes on filling at this rate: "
        f"{disk.free_mb / 1000:.1f} GB are free.",
        f"{free_up} Find out what fills it.",
    )


def outage_trouble(
    outage: BrokerOutage, now_ms: int, zone: ZoneInfo, *, disk: DiskTrouble | None = None
) -> Trouble:
    """A broker of our own that passed nothing on, in words, until a reading comes in."""
    at = formats.when(outage.since_ms, now_ms, zone)
    if outage.answers:
        after = " after a restart" if outage.restarts else ""
        return Trouble(
            "broker",
            f"The broker stopped passing messages on at {at} and works again{after}. "
            "No reading has come in since.",
            "Wait for the next reading. If none comes, check that the sensors are on and are sending.",
        )
    again = f" Restarts since then: {outage.restarts}." if outage.restarts else ""
    return Trouble(
        "broker",
        f"No reading can come in. The broker has not passed messages on since {at}: "
        f"{full_stop(outage.reason)}{again}",
        (
            "Benchweather restarts the broker when the disk can be written."
            if disk and disk.fault
            else "Benchweather restarts the broker by itself. If this lasts more than five minutes, "
            "restart the shop's computer."
        ),
    )


def broker_trouble(connection: str, outage: BrokerOutage | None) -> str:
    """Reason why no reading arrives, from the ingest's connection and our own broker's outage."""
    if outage is None:
        return connection
    if outage.answers:
        return "the broker works again; no reading has come in since it stopped"
    return f"the broker does not pass messages on: {outage.reason}"


def clock_trouble(jump: ClockJump, now_ms: int, zone: ZoneInfo) -> Trouble:
    """A jump of the machine's clock, in words."""
    said = jump_words(jump)
    if not jump.at_start:
        said = f"{said} at {formats.when(jump.at_ms, now_ms, zone)}"
    set_it = (
        "Set the clock and turn on network time. If the clock is right now, confirm it on Sensors"
    )
    match jump.state:
        case JumpState.DOUBTED if jump.at_start:
            return Trouble(
                "clock",
                f"{said}. The time is not known. Readings without a time of their own are kept aside, "
                "and nothing can be opened or changed.",
                f"{set_it}.",
            )
        case JumpState.DOUBTED if jump.by_ms > 0:
            return Trouble(
                "clock",
                f"{said}. New readings without a right time of their own are kept aside.",
                f"{set_it}, or take the readings in as dated there.",
            )
        case JumpState.DOUBTED:
            return Trouble("clock", f"{said}. Times and ages may be wrong.", f"{set_it}.")
        case JumpState.UNDONE:
            ended = "It is right again."
        case JumpState.CONFIRMED:
            ended = "The new time is confirmed."
    return Trouble(
        "clock",
        f"{said}. {ended}",
        "Look on Sensors for readings that were kept aside. Void readings with a wrong time.",
    )
