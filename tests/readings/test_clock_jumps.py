"""A machine's clock that jumps: what is kept aside, taken in and dismissed, with a scripted
subscription and with a real service and broker."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import subprocess
from collections.abc import Iterable, Mapping
from pathlib import Path

import pytest
from conftest import mosquitto_pub, needs, until
from scripted_subscription import Script, arrival

from monitor.commands import Commands
from monitor.core.clock import AHEAD_MAX_MS, now_ms
from monitor.core.errors import Rejected, StoreUnavailable
from monitor.core.steady_clock import JumpState, SteadyClock
from monitor.readings.aside import AsideMessages
from monitor.readings.ingest import Ingest
from monitor.readings.payload import Contract
from monitor.store import Reader, Writer, aside
from monitor.store.writer import APART_MS

START, MIN, HOUR = 1_790_000_000_000, 60_000, 3_600_000
TO_2039 = 2_180_000_000_000 - START
LOOKS_OFTEN = "from monitor.service import supervisor; supervisor.LOOK_AT_CLOCK_S = 1"
UNTIMED = b'[{"n":"temperature","u":"Cel","v":20.5},{"n":"humidity","u":"%RH","v":46}]'


def stored_humidity(reader: Reader) -> list[float]:
    """The values of the one series of humidity, in the order of their times."""
    (series_id,) = [i for one, i in reader.series().items() if one.quantity == "humidity"]
    return reader.readings(series_id, 0, 2**50)[1].tolist()


class Shop:
    """A service's ingest and commands on a machine whose clock can be set."""

    def __init__(self, folder, known_ms: int | None = None) -> None:
        self.wall, self.counter, self.sent = START, 0, 0
        self.clock = SteadyClock(lambda: self.wall, lambda: self.counter, lambda: False, known_ms)
        self.writer = Writer(folder / "readings.sqlite3")
        self.reader = Reader(folder / "readings.sqlite3")
        self.contract, self.script = Contract(), Script()
        keeper = AsideMessages(self.writer, self.contract, self.clock)
        self.keeper = keeper
        self.commands = Commands(self.writer, aside=keeper, clock=self.clock)
        self.ingest = Ingest(
            self.script, self.contract, self.writer, self.commands, clock=self.clock
        )
        self.ingest.start()

    def hears(self, payload=UNTIMED, *, repeat=False, qos=1) -> None:
        self.sent += not repeat
        one = arrival(self.sent, payload, at=self.wall, repeat=repeat, qos=qos)
        wanted = len(self.script.acknowledged) + 1
        self.script.groups.append([one])
        until(lambda: len(self.script.acknowledged) == wanted)

    def hears_all(self, *received_ms: int, payloads: Iterable[bytes] = ()) -> None:
        """Messages that came at those times by the clock are one group."""
        what = zip(received_ms, payloads or itertools.repeat(UNTIMED), strict=False)
        arrivals = [arrival(self.sent + i, one, at=at) for i, (at, one) in enumerate(what, 1)]
        self.sent += len(arrivals)
        self.script.groups.append(arrivals)
        until(lambda: arrivals[-1].packet_id in self.script.acknowledged)

    def end_of_next_commit_is_lost(self, monkeypatch) -> None:
        """The next group is stored, and the ingest hears that it is not."""
        write = self.writer.write

        def uncertain(*given: object, **more: object) -> None:
            monkeypatch.setattr(self.writer, "write", write)
            write(*given, **more)
            raise StoreUnavailable("cut off after the commit")

        monkeypatch.setattr(self.writer, "write", uncertain)

    def humidity(self) -> list[float]:
        """The stored values, in the order of their times."""
        series_id = next(
            i for one, i in self.reader.series().items() if one.quantity == "humidity"
        )
        return self.reader.readings(series_id, 0, 2**50)[1].tolist()

    def passes(self, ms: int) -> None:
        self.wall += ms
        self.counter += ms

    def times(self) -> set[int]:
        return {
            int(at)
            for series_id in self.reader.series().values()
            for at in self.reader.readings(series_id, 0, 2**50)[0]
        }

    def do(self, do: str, **request: object) -> Mapping[str, object]:
        command = {"about": "aside", "do": do, "sensor": "bench/a1", "by": "Ina", **request}
        return self.commands.carry_out(command, self.wall)

    def close(self) -> None:
        self.ingest.stop(60)
        self.reader.close()
        self.writer.close()


@pytest.fixture
def shop(tmp_path):
    with contextlib.closing(Shop(tmp_path)) as one:
        one.hears()
        yield one


def jumped(shop, by: int) -> None:
    """Three readings without times come while the clock is wrong."""
    shop.passes(MIN)
    shop.wall += by
    for _ in range(3):
        shop.hears()
        shop.passes(MIN)


def test_untimed_readings_under_a_clock_that_jumped_ahead_are_kept_aside(shop):
    jumped(shop, TO_2039)
    assert shop.times() == {START}
    assert shop.reader.tallies()["readings"] == 2
    (kept,) = aside.by_sensor(shop.reader)
    assert (kept.sensor, kept.messages, kept.readings) == ("bench/a1", 3, 6)
    assert kept.received_ms == (START + MIN + TO_2039, START + 3 * MIN + TO_2039)
    assert kept.steady_ms == (START + MIN, START + 3 * MIN)
    shop.wall -= TO_2039
    shop.hears()
    assert shop.times() == {START, START + 4 * MIN}


def test_a_message_that_comes_again_is_kept_aside_once(shop):
    jumped(shop, TO_2039)
    shop.hears(repeat=True)
    (kept,) = aside.by_sensor(shop.reader)
    assert kept.messages == 3


def test_readings_with_right_times_are_stored_while_the_clock_is_wrong(shop):
    shop.passes(MIN)
    shop.wall += TO_2039
    shop.hears(json.dumps([{"bt": (START + MIN) / 1000, "u": "Cel", "v": 21}]).encode())
    assert shop.times() == {START, START + MIN}
    assert aside.by_sensor(shop.reader) == []


def test_taken_in_with_corrected_times_they_lie_where_they_were_measured(shop):
    jumped(shop, TO_2039)
    shop.wall -= TO_2039
    answer = shop.do("take")
    assert answer == {"sensor": "bench/a1", "as_dated": False, "messages": 3, "readings": 6}
    assert shop.times() == {START + i * MIN for i in range(4)}
    assert aside.by_sensor(shop.reader) == []
    with pytest.raises(Rejected, match="one of none"):
        shop.do("take")


def test_messages_of_one_millisecond_are_all_taken_in_beside_what_is_stored_there(shop):
    shop.wall += TO_2039
    for value in (47, 48, 48):  # by the counter they came when the stored one did
        shop.hears(UNTIMED.replace(b"46", b"%d" % value))
    shop.wall -= TO_2039
    assert shop.keeper.enter_dated() == 3
    assert stored_humidity(shop.reader) == [46, 47, 48, 48]
    assert shop.reader.tallies()["readings"] == 8
    assert max(shop.times()) - START == 3 * APART_MS


def test_two_that_take_the_same_messages_in_store_them_once(shop):
    jumped(shop, TO_2039)
    shop.wall -= TO_2039
    work = shop.keeper.take("bench/a1", shop.wall, as_dated=False)
    assert shop.keeper.enter_dated() == 3
    with (
        pytest.raises(Rejected, match="taken in or dismissed meanwhile"),
        shop.writer.connection.transaction() as run,
    ):
        work.write(run)
    assert shop.reader.tallies()["readings"] == 8


def test_a_clock_that_is_set_back_shows_each_time_twice_and_no_reading_is_lost(shop):
    shop.passes(HOUR)
    shop.hears()
    shop.wall -= HOUR
    for value in (b"61", b"62", b"62"):
        shop.hears(UNTIMED.replace(b"46", value))
    assert shop.reader.tallies() == {"messages": 5, "readings": 10, "repeats": 0, "refused": 0}
    assert stored_humidity(shop.reader) == [46, 61, 62, 62, 46]


def test_no_reading_is_lost_at_the_last_millisecond_before_the_clock_was_set_back(shop):
    shop.passes(HOUR)
    shop.hears()
    shop.wall -= HOUR // 2
    shop.hears(UNTIMED.replace(b"46", b"61"))
    shop.passes(HOUR // 2)
    shop.hears(UNTIMED.replace(b"46", b"62"))
    assert shop.reader.tallies()["repeats"] == 0
    assert stored_humidity(shop.reader) == [46, 61, 46, 62]


def test_nor_within_one_group(shop):
    shop.passes(HOUR)
    payloads = [UNTIMED.replace(b"46", b"%d" % value) for value in (60, 61, 62)]
    shop.hears_all(shop.wall, shop.wall - HOUR // 2, shop.wall, payloads=payloads)
    assert shop.reader.tallies()["repeats"] == 0
    assert stored_humidity(shop.reader) == [46, 61, 60, 62]


@pytest.mark.parametrize("qos", [0, 1])
@pytest.mark.parametrize("back", [0, HOUR])
def test_a_group_whose_storing_is_reported_as_failed_is_stored_once(shop, back, qos, monkeypatch):
    shop.passes(MIN)
    shop.wall -= back
    shop.end_of_next_commit_is_lost(monkeypatch)
    shop.hears(qos=qos)
    assert shop.times() == {START, START + MIN - back}
    assert shop.reader.tallies()["readings"] == 4


def test_so_is_what_is_kept_aside_and_what_is_rejected(shop, monkeypatch):
    shop.end_of_next_commit_is_lost(monkeypatch)
    shop.hears(b"nothing", qos=0)
    shop.wall += TO_2039
    shop.end_of_next_commit_is_lost(monkeypatch)
    shop.hears(qos=0)
    assert [one.messages for one in aside.by_sensor(shop.reader)] == [1]
    assert shop.reader.tallies()["refused"] == 1
    assert shop.reader.tallies()["messages"] == 3


def test_a_group_in_which_the_clock_steps_keeps_each_message_at_its_time(shop):
    shop.passes(MIN)
    before = shop.wall
    shop.wall += TO_2039
    shop.hears_all(before, shop.wall)
    assert shop.times() == {START, before}
    (kept,) = aside.by_sensor(shop.reader)
    assert kept.steady_ms == (before, before)
    shop.wall -= TO_2039
    shop.passes(MIN)
    shop.hears_all(before + TO_2039, shop.wall)
    assert shop.times() == {START, before, before + MIN}
    assert shop.keeper.enter_dated() == 2
    assert stored_humidity(shop.reader) == [46] * 5


def test_a_burst_that_is_kept_aside_keeps_its_order(shop):
    shop.passes(MIN)
    shop.wall += TO_2039
    shop.hears()
    shop.passes(10)
    burst = range(47, 67)  # within 10 ms: each gets a millisecond after the last
    payloads = [UNTIMED.replace(b"46", b"%d" % value) for value in burst]
    times = [shop.wall + i for i in range(20)]
    shop.hears_all(*times[:15], payloads=payloads[:15])
    shop.passes(1)
    shop.hears_all(*times[15:], payloads=payloads[15:])
    shop.wall -= TO_2039
    assert shop.keeper.enter_dated() == 21
    assert [int(value) for value in stored_humidity(shop.reader) if value > 46] == [*burst]


def test_they_cannot_be_taken_in_as_dated_while_that_is_ahead(shop):
    jumped(shop, TO_2039)
    shop.wall -= TO_2039
    with pytest.raises(Rejected, match="days ahead of the clock"):
        shop.do("take", as_dated=True)
    assert len(aside.by_sensor(shop.reader)) == 1
    assert shop.times() == {START}


def test_as_dated_says_that_the_clock_is_right_and_new_readings_are_stored_again(shop):
    jumped(shop, HOUR)
    assert shop.clock.jump().state is JumpState.DOUBTED
    shop.do("take", as_dated=True)
    assert shop.times() == {START} | {START + HOUR + i * MIN for i in (1, 2, 3)}
    assert shop.clock.jump().state is JumpState.CONFIRMED
    shop.hears()
    assert START + HOUR + 4 * MIN in shop.times()


def test_dismissed_ones_are_not_shown_again_and_stay_in_the_store_and_the_history(shop):
    jumped(shop, TO_2039)
    shop.do("dismiss")
    assert aside.by_sensor(shop.reader) == []
    rows = shop.reader.connection.rows("SELECT outcome, payload FROM aside")
    assert rows == [(aside.DISMISSED, UNTIMED)] * 3
    event = shop.reader.connection.rows("SELECT about, subject, by, action, body FROM event")
    assert event[0][:4] == ("aside", "bench/a1", "Ina", "dismiss")
    assert shop.times() == {START}


@pytest.mark.slow
def test_a_clock_set_back_stores_readings_and_the_place_shows_the_new_ones(shop):
    for _ in range(90):
        shop.passes(MIN)
        shop.hears()
    shop.wall -= HOUR
    shop.passes(MIN // 2)
    shop.hears(UNTIMED.replace(b"46", b"61"))
    assert shop.clock.jump().by_ms == -HOUR
    newest = {one.reading.series.quantity: one.reading for one in shop.reader.latest(shop.wall)}
    assert newest["humidity"].value in (46.0, 61.0)
    assert newest["humidity"].ts_ms <= shop.wall + AHEAD_MAX_MS


def timed(at_ms: int) -> bytes:
    return json.dumps([{"bt": at_ms / 1000, "n": "temperature", "u": "Cel", "v": 21}]).encode()


@pytest.fixture(params=[3 * 24 * HOUR, START - 1_000_000, -500 * 24 * HOUR])
def unknown(tmp_path, request):
    """A shop whose clock is wrong from the start: days slow, at 1970, or over a year fast. `right` is
    the true time, ten minutes after the newest that is known."""
    with contextlib.closing(Shop(tmp_path, known_ms=START + request.param)) as one:
        one.right = START + request.param + 10 * MIN
        yield one


def test_untimed_readings_of_an_unknown_time_enter_where_they_were_measured(unknown):
    measured = []
    for _ in range(3):
        measured.append(unknown.right)
        unknown.hears()
        unknown.passes(MIN)
        unknown.right += MIN
    (kept,) = aside.by_sensor(unknown.reader)
    assert (kept.messages, kept.readings, kept.at_start) == (3, 6, True)
    assert unknown.times() == set()
    assert unknown.keeper.enter_dated() == 0
    unknown.wall = unknown.right  # somebody sets the clock
    assert unknown.keeper.enter_dated() == 3
    assert unknown.times() == set(measured)
    assert aside.by_sensor(unknown.reader) == []
    unknown.hears()
    assert unknown.right in unknown.times()


def test_readings_with_own_times_are_stored_if_they_have_passed_and_none_is_rejected(unknown):
    unknown.hears(timed(unknown.right - 30 * MIN))
    unknown.hears(timed(unknown.right))  # has passed, but nothing here knows it
    assert unknown.times() == {unknown.right - 30 * MIN}
    assert unknown.reader.refused(9) == []
    unknown.wall = unknown.right
    unknown.keeper.enter_dated()
    assert unknown.times() == {unknown.right - 30 * MIN, unknown.right}


def test_nothing_is_opened_at_an_unknown_time_until_a_person_confirms_the_clock(unknown):
    request = {"about": "glue", "do": "mix", "kind": "hide", "by": "Ina"}
    with pytest.raises(Rejected, match="confirm it on the page Sensors"):
        unknown.commands.carry_out(request, unknown.wall)
    unknown.hears()
    with pytest.raises(Rejected, match="the time is not known"):
        unknown.do("take")
    unknown.commands.carry_out({"about": "clock", "do": "confirm", "by": "Ina"}, unknown.wall)
    assert not unknown.clock.unknown()
    unknown.keeper.enter_dated()
    assert unknown.times() == {START}
    with pytest.raises(Rejected, match="nothing to confirm"):
        unknown.commands.carry_out({"about": "clock", "do": "confirm"}, unknown.wall)
    events = unknown.reader.connection.rows("SELECT about, by, action FROM event")
    assert events == [("clock", "Ina", "confirm")]


def test_messages_of_another_start_of_the_machine_wait_for_a_person(unknown):
    unknown.hears()
    with unknown.writer.connection.transaction() as run:
        run.execute("UPDATE aside SET boot = 'before'")
    unknown.wall = unknown.right
    assert unknown.keeper.enter_dated() == 0
    assert unknown.do("take")["messages"] == 1
    assert unknown.times() == {unknown.right - 10 * MIN}  # as early as it can have been


def test_a_sender_with_a_right_time_is_heard_while_the_clock_is_an_hour_slow(shop):
    shop.passes(MIN)
    shop.wall -= HOUR
    shop.hears(timed(START + MIN))
    assert shop.times() == {START, START + MIN}
    assert shop.reader.refused(9) == []


def test_readings_kept_aside_enter_once_the_clock_is_back(shop):
    jumped(shop, TO_2039)
    assert shop.keeper.enter_dated() == 0
    shop.wall -= TO_2039
    assert shop.keeper.enter_dated() == 3
    assert shop.times() == {START + i * MIN for i in range(4)}


def test_what_is_kept_aside_is_bounded_and_the_history_says_what_was_dropped(shop):
    jumped(shop, TO_2039)
    shop.do("dismiss")
    shop.passes(3 * 24 * HOUR)
    for _ in range(5):
        shop.hears()

    def waiting() -> list[str | None]:
        return [row[0] for row in shop.reader.connection.rows("SELECT outcome FROM aside")]

    def events() -> list[tuple[str, str]]:
        rows = shop.reader.connection.rows("SELECT action, body FROM event WHERE action = 'drop'")
        return [(action, json.loads(body)) for action, body in rows]

    shop.keeper.prune(100, 4)
    assert len(waiting()) == 8
    shop.keeper.prune(6, 4)  # what was dismissed goes first, and nobody need hear of it
    assert sorted(waiting(), key=str) == [None] * 5 + ["dismissed"]
    assert events() == []
    shop.keeper.prune(100, 2)
    assert waiting() == [None] * 5
    shop.keeper.prune(3, 2)
    assert waiting() == [None] * 3
    assert events() == [("drop", {"messages": 2, "readings": 4})]


def step(offset: Path, seconds: int) -> None:
    """Set how far a service's clock is off, at once: a file that is being written is empty."""
    part = offset.with_suffix(".part")
    part.write_text(str(seconds))
    part.replace(offset)


STEPPED = '''
"""Put before a service's own modules by its test: its clock is off by what a file says. [s]"""
import pathlib, time
_ns, _file = time.time_ns, pathlib.Path({file!r})
time.time_ns = lambda: _ns() + int(_file.read_text()) * 1_000_000_000
'''


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.real_start
def test_a_service_whose_clock_visits_2039_shows_nothing_of_it_as_present(make_service, tmp_path):
    """The case of the issue with a real service and broker: the clock is stepped to 2039, readings
    without times come, the clock is set back."""
    shim, offset = tmp_path / "shim", tmp_path / "offset"
    shim.mkdir()
    step(offset, 0)
    (shim / "sitecustomize.py").write_text(STEPPED.format(file=str(offset)))
    service = make_service(board=False)
    service.before = LOOKS_OFTEN
    path = os.pathsep.join([str(shim), os.environ.get("PYTHONPATH", "")])
    service.environment["PYTHONPATH"] = path
    service.start()

    def send(value: float) -> None:
        pack = json.dumps(
            [
                {"n": "temperature", "u": "Cel", "v": 20.5},
                {"n": "humidity", "u": "%RH", "v": value},
            ]
        )
        mosquitto_pub(service.port, "benchweather/loft/a1", pack)

    def humidity() -> float | None:
        done = service.command("now", "--json")
        found = json.loads(done.stdout) if done.returncode == 0 else []
        return next((one["rh_pct"] for one in found if one["place"] == "loft"), None)

    send(46)
    until(lambda: humidity() == 46, what="the first reading")
    step(offset, 13 * 365 * 86_400)
    for i in range(5):
        send(80 + i)
    with contextlib.closing(Reader(service.store)) as reader:
        until(lambda: sum(one.messages for one in aside.by_sensor(reader)) == 5, what="kept aside")
        assert humidity() == 46
        state = json.loads((service.data / "heartbeat.json").read_text())
        until(
            lambda: json.loads((service.data / "heartbeat.json").read_text())["clock"],
            what=f"the jump in the heartbeat, not {state}",
        )
        step(offset, 0)
        send(47)
        until(lambda: humidity() == 47, what="a reading after the clock is back")
        said = service.command("now").stdout
        assert "ago" in said
        assert not re.search(r"-\d+ (s|min|h|days?) ago", said)
        until(lambda: not aside.by_sensor(reader), what="they are taken in by themselves")
        tallies = {"messages": 7, "readings": 14, "repeats": 0, "refused": 0}
        assert reader.tallies() == tallies
        assert stored_humidity(reader) == [46, 80, 81, 82, 83, 84, 47]
        assert not reader.ahead(now_ms())
        assert humidity() == 47
    assert "clock jumped" in service.log.read_text()


SHIM = """
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdlib.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>
/* Shifts the calendar clock of a process, and no other, by the seconds in the file CLOCK_OFF. */
static long off(void) {
  char text[32] = {0};
  const char *name = getenv("CLOCK_OFF");
  int file = name ? open(name, O_RDONLY | O_CLOEXEC) : -1;
  if (file < 0) return 0;
  ssize_t got = read(file, text, sizeof text - 1);
  close(file);
  return got > 0 ? atol(text) : 0;
}
int clock_gettime(clockid_t which, struct timespec *at) {
  int done = syscall(SYS_clock_gettime, which, at);
  if (!done && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE)) at->tv_sec += off();
  return done;
}
int gettimeofday(struct timeval *restrict at, void *restrict zone) {
  struct timespec now;
  clock_gettime(CLOCK_REALTIME, &now);
  at->tv_sec = now.tv_sec;
  at->tv_usec = now.tv_nsec / 1000;
  return 0;
}
time_t time(time_t *at) {
  struct timespec now;
  clock_gettime(CLOCK_REALTIME, &now);
  if (at) *at = now.tv_sec;
  return now.tv_sec;
}
"""


@pytest.mark.slow
@pytest.mark.broker
@pytest.mark.real_start
def test_a_service_that_starts_three_days_slow_loses_and_misdates_nothing(make_service, tmp_path):
    """A machine without a battery for its clock: it starts with an old time, sensors send, and then
    the clock is set. The C library tells the service's processes another time."""
    compiler = needs("cc", "gcc libc6-dev")
    source, shim, offset = (tmp_path / name for name in ("clock.c", "clock.so", "offset"))
    source.write_text(SHIM)
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", shim, source], check=True)
    service = make_service(board=False)
    service.before = LOOKS_OFTEN

    def send(value: float) -> tuple[int, int]:
        pack = [{"n": "humidity", "u": "%RH", "v": value}]
        before = now_ms()
        mosquitto_pub(service.port, "benchweather/loft/a1", json.dumps(pack))
        return before, now_ms()

    def state() -> dict:
        return json.loads((service.data / "heartbeat.json").read_text())

    service.start()
    send(46)
    with contextlib.closing(Reader(service.store)) as reader:
        until(lambda: reader.tallies()["readings"] == 1, what="the first reading")
        service.stop()
        step(offset, -3 * 86_400)
        service.environment |= {"LD_PRELOAD": str(shim), "CLOCK_OFF": str(offset)}
        service.start()
        sent = {value: send(value) for value in (51.0, 52.0, 53.0)}
        until(lambda: sum(one.messages for one in aside.by_sensor(reader)) == 3, what="kept aside")
        assert reader.tallies()["readings"] == 1
        until(lambda: state()["clock"] and state()["clock"][-1], what="the start in the heartbeat")
        refused = service.command("sensor", "move", "loft/a1", "attic")
        assert "confirm it on the page Sensors" in refused.stderr
        step(offset, 0)
        until(lambda: not aside.by_sensor(reader), what="they are taken in")
        (series_id,) = reader.series().values()
        times, values = reader.readings(series_id, 0, now_ms())
        found = dict(zip(values.tolist(), times.tolist(), strict=True))
        assert found.keys() == {46.0, *sent}
        for value, (
            before,
            after,
        ) in sent.items():  # it may be read a while after the broker has it
            assert before - 1_000 < found[value] < after + 30_000
        said = service.command("clock", "show").stdout
        assert "3 days behind the newest record when Benchweather started" in said
    service.stop()
