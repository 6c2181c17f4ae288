"""A believable store for the board's tests and pictures: seeded, written by the real writer."""

from __future__ import annotations

import contextlib
import functools
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path

import numpy as np
from flask.testing import FlaskClient

from monitor.clients import archive
from monitor.commands import Commands, Journal
from monitor.commands.ipc import CommandLink
from monitor.core.clock import now_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.people.board_keys import make_board_keys, open_code
from monitor.people.homes import home_of
from monitor.planning import present
from monitor.planning.inputs import problem_of
from monitor.planning.planner import plan
from monitor.planning.present import PresentPlan
from monitor.planning.step_check import doubts
from monitor.runtime import heartbeat
from monitor.settings import Settings, load
from monitor.store import Reader, Writer
from monitor.waits.evaluation import equivalent_s
from monitor.waits.proof_text import proved

DAY_MS = 86_400_000
AIR_END_MS = 1_795_694_400_000
"""2026-11-26 12:00 UTC: the air that is written up to now is that of this moment. [ms]"""
SEED = 20261125
CONFIG = """
[shop]
name = "Kestrel Row Strings"
time_zone = "Europe/Paris"
altitude_m = 120
[board]
stale_after_s = 300
port = {port}
[[places]]
id = "front-bench"
name = "Front bench"
[[places]]
id = "varnish-room"
name = "Varnish room"
kind = "varnish"
[[places]]
id = "outdoors"
name = "Outdoors"
kind = "outdoors"
"""
PLACES = {
    "front-bench": ("fb-1", 20.8, 1.2, 47.0, 6.0),
    "varnish-room": ("vr-1", 21.6, 0.8, 52.0, 5.0),
    "outdoors": ("out-1", 4.0, 5.0, 78.0, 14.0),
}
"""Sensor, mean and daily swing of temperature [°C], mean and swing of RH [%]."""


def settings_in(folder: Path, *, port: int = 8050, config: str = CONFIG) -> Settings:
    """Settings of an invented shop whose data are in `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "benchweather.toml"
    path.write_text(config.format(port=port), encoding="utf-8")
    return load(data=folder, config=path, environ={})


def air(place: str, at_ms: np.ndarray, shift_pct: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Temperature [°C] and RH [%] of a place: a year's and a day's swing, and slow weather."""
    _, temp, temp_swing, rh, rh_swing = PLACES[place]
    rng = np.random.default_rng(SEED + len(place))
    day = 2 * np.pi * at_ms / DAY_MS
    year = 2 * np.pi * at_ms / (365.25 * DAY_MS)
    weather = sum(
        a * np.sin(2 * np.pi * at_ms / (p * DAY_MS) + rng.uniform(0, 6))
        for a, p in ((1.0, 3.7), (0.7, 6.1), (0.5, 1.3), (0.9, 11.0))
    )
    out = 2.0 if place == "outdoors" else 0.4
    t = temp + temp_swing * np.sin(day - 2.2) + out * weather * 0.7
    t -= (4.0 if place == "outdoors" else 0.8) * np.cos(year - 0.3)
    h = rh + shift_pct - rh_swing * 0.6 * np.sin(day - 1.9) + rh_swing * 0.5 * weather
    h += rh_swing * 0.7 * np.sin(year - 1.9)
    t += rng.normal(0, 0.03, len(at_ms))
    h += rng.normal(0, 0.25, len(at_ms))
    return t.round(2), np.clip(h, 5, 99).round(1)


def fill(
    writer: Writer,
    place: str,
    start_ms: int,
    end_ms: int,
    step_ms: int,
    *,
    shift_pct: float = 0.0,
    steady_pct: float | None = None,
    gap: tuple[int, int] | None = None,
) -> None:
    """Write a place's readings in [start, end), leaving out `gap`.

    Their values are those of the same stretch before `AIR_END_MS`, whatever the date and the hour.
    `steady_pct` is a mean of RH that holds at any season, with a quarter of the usual swing.
    """
    at_ms = np.arange(start_ms - start_ms % step_ms + step_ms, end_ms, step_ms)
    temp, rh = air(place, at_ms - end_ms + AIR_END_MS, shift_pct)
    if steady_pct is not None:
        rh = (steady_pct + (rh - rh.mean()) / 4).round(1)
    if gap:
        kept = (at_ms < gap[0]) | (at_ms >= gap[1])
        at_ms, temp, rh = at_ms[kept], temp[kept], rh[kept]
    sensor = PLACES[place][0]
    t = Series(place, sensor, Quantity.TEMPERATURE)
    h = Series(place, sensor, Quantity.HUMIDITY)
    for i in range(0, len(at_ms), 20_000):
        part = slice(i, i + 20_000)
        times = at_ms[part].tolist()
        writer.write(
            [Reading(t, ms, v) for ms, v in zip(times, temp[part].tolist(), strict=True)]
            + [Reading(h, ms, v) for ms, v in zip(times, rh[part].tolist(), strict=True)],
            tallies={"messages": len(times)},
        )


def beat(settings: Settings, **values: object) -> None:
    """Write the heartbeat of a service that is well, but for `values`."""
    now = now_ms()
    told = {"beat_ms": now, "started_ms": now - DAY_MS, "pid": 1, "broker": "127.0.0.1:1883"}
    heartbeat.write(settings.heartbeat_path, heartbeat.Heartbeat(**(told | values)))


BENCH = (
    CONFIG.replace("stale_after_s = 300", "stale_after_s = 3600")  # a reading each 10 min
    + """
[[places]]
id = "cellar"
name = "Wood store, cellar"
[[places]]
id = "loft"
name = "Loft"
"""
)
"""With a cellar that is too damp to glue in and a loft without a sensor."""
WAITS = (
    # kind, place, hours ago, instrument, what, more
    ("plate-crack", "front-bench", 3.0, "Viola, job 41", "bass-side crack, top", {"clamps": 4}),
    ("closing", "front-bench", 1.2, "Violin, job 44", "top back on", {"clamps": 32}),
    ("cleat", "front-bench", 2.5, "Viola, job 41", "cleat 1 of 2", {}),
    ("cleat", "front-bench", 2.5, "Viola, job 41", "cleat 2 of 2", {}),
    ("rib-seam", "front-bench", 9.0, "Cello, job 39", "lower bout seam", {"clamps": 6}),
    ("neck-or-block", "front-bench", 20.0, "Cello, job 39", "neck set", {"clamps": 2}),
    ("linings", "cellar", 5.0, "Violin, job 46", "linings, treble side", {"clamps": 18}),
    ("spirit-coat", "varnish-room", 4.0, "Violin, job 44", "third coat", {}),
    ("retouching", "varnish-room", 0.5, "Violin, job 40", "edge wear, back", {}),
    ("oil-coat", "varnish-room", 30.0, "Violin, job 46", "first coat", {}),
    ("washed-wood", "front-bench", 2.0, "Cello, job 39", "washed inside", {}),
    ("settling", "front-bench", 1.0, "Violin, job 40", "strung up", {}),
    ("bushing", "loft", 6.0, "Viola, job 41", "peg holes", {}),
)
"""A full bench of invented work: one on hold, one paused, one without a sensor, some ready."""


def commanded(writer: Writer, settings: Settings) -> Commands:
    """What carries commands out, as the service has it; its reader is closed with the process."""
    reader = Reader(settings.store_address)
    return Commands(
        writer,
        functools.partial(equivalent_s, reader, settings),
        prove=functools.partial(proved, reader, settings),
        doubts=functools.partial(doubts, reader, settings),
    )


def keep_plan(settings: Settings, now: int) -> PresentPlan:
    """Make the present plan by rules, and keep it as the planner does."""
    with contextlib.closing(Reader(settings.store_address)) as reader:
        journal = Journal(reader)
        problem = problem_of(reader, settings, journal, now).problem
    found = plan(problem, limit_s=0)
    made = PresentPlan(made_ms=now, version=journal.version, plan=found)
    present.keep(settings, made)
    return made


def damp(writer: Writer, place: str, now: int, days: int = 6, rh_pct: float = 84.0) -> None:
    """A place at 16 °C that is too damp, over the last days."""
    rng = np.random.default_rng(SEED)
    at_ms = np.arange(now - days * DAY_MS, now, 120_000).tolist()
    readings = []
    for quantity, mean, sd in (
        (Quantity.TEMPERATURE, 16.0, 0.1),
        (Quantity.HUMIDITY, rh_pct, 0.3),
    ):
        series = Series(place, "p-1", quantity)
        values = (mean + rng.normal(0, sd, len(at_ms))).round(1).tolist()
        readings += [Reading(series, ms, v) for ms, v in zip(at_ms, values, strict=True)]
    writer.write(readings)


def full_bench(commands: Commands, now: int) -> list[str]:
    """Open `WAITS`, pause one and put a wanted time on another. Returns their ids."""
    ids = []
    for kind, place, ago_h, instrument, what, more in WAITS:
        request = {
            "do": "open",
            "kind": kind,
            "place": place,
            "instrument": instrument,
            "what": what,
            "start_ms": now - round(ago_h * 3_600_000),
            "by": "Ina",
            **more,
        }
        ids += commands.carry_out(request, now)["waits"]
    commands.carry_out({"do": "pause", "wait": ids[11], "at_ms": now - 1_800_000, "by": "Jo"}, now)
    commands.carry_out({"do": "correct", "wait": ids[1], "wanted_ms": now + 3_600_000}, now)
    return ids


@contextlib.contextmanager
def command_link(settings: Settings, commands: Commands) -> Iterator[None]:
    """The service's command link over these commands, and its secrets, as the service has them."""
    lock = threading.Lock()

    def handle(command: Mapping[str, object]) -> Mapping[str, object]:
        with lock:
            if command.get("about") == archive.ABOUT:
                with contextlib.closing(Writer(settings.store_address)) as writer:
                    return archive.carry_out(writer, command)
            return commands.carry_out(command, now_ms())

    make_board_keys(home_of(settings).files)
    opened = CommandLink(settings.command_link_path, handle)
    opened.start()
    try:
        yield
    finally:
        opened.stop()


def board_client(settings: Settings, host: str = "localhost") -> FlaskClient:
    """A browser of the shop's computer: it has opened the link that the terminal prints."""
    keys = make_board_keys(home_of(settings).files)
    from dashboard.app import create_app

    client = create_app(settings).server.test_client()
    link = f"/open/{open_code(keys, time.time())}"
    assert client.get(link, headers={"Host": host}).headers["Location"] == "/"
    return client
