"""Sending: to a real webhook and a real mail server, over failures, kills and restarts."""

from __future__ import annotations

import functools
import subprocess
import sys
import threading
import time

import pytest
from conftest import ROOT, until
from pydantic import SecretStr
from receivers import SECRET, Mailbox, Webhook, no_secret_in, no_secret_logged

from monitor.alerting.notifications import outbox_worker
from monitor.alerting.notifications.outbox_worker import OutboxWorker
from monitor.core.clock import now_ms
from monitor.domain.notification import Notice
from monitor.settings.outside_groups import NoticeChannel
from monitor.store import Reader, Writer, outbox
from monitor.store.outbox import Outcome

T0 = 1_790_000_000_000


@pytest.fixture(autouse=True)
def log(tmp_path_factory):
    with no_secret_logged(tmp_path_factory.mktemp("log")) as file:
        yield file


@pytest.fixture
def path(tmp_path):
    return tmp_path / "readings.sqlite3"


@pytest.fixture
def writer(path):
    writer = Writer(path)
    yield writer
    writer.close()


@pytest.fixture
def webhook():
    with Webhook().open() as hook:
        yield hook


@pytest.fixture
def start(writer):
    """Senders in their own threads; they end with the test."""
    started = []

    def start(**urls):
        started.append(sender(writer, **urls))
        started[-1].start()
        return started[-1]

    yield start
    for one in started:
        one.stop(60)
        assert not one.running()


def sender(writer, **urls):
    channels = [NoticeChannel(id=name, url=SecretStr(url)) for name, url in urls.items()]
    return OutboxWorker(writer, channels)


def put(writer, notice_id="n1", channels=("hook",), *, urgency=2, at=T0):
    with writer.connection.transaction() as run:
        outbox.add(run, [Notice(notice_id, at, at, urgency, "Title", "Text")], list(channels))


def outcomes(path):
    reader = Reader(path)
    found = [(e.channel, e.notice.notice_id, e.outcome) for e in outbox.recent(reader, 99)]
    reader.close()
    return sorted(found)


def test_a_notice_goes_through_every_channel_it_is_for(writer, webhook, log):
    with Mailbox().open() as mailbox:
        one = sender(writer, hook=webhook.url, mail=mailbox.url)
        put(writer, channels=("hook", "mail"))
        assert one.send_next(T0)
        assert one.send_next(T0)
        assert not one.send_next(T0)
        assert mailbox.mails[0]["X-Notice-Id"] == webhook.ids[0] == "n1"
    assert {e.outcome for e in outbox.recent(writer, 9)} == {Outcome.DELIVERED}
    assert "notice sent channel=hook notice=n1 try=1" in log.read_text()


def test_a_server_in_trouble_gets_it_later_and_then_only_once(writer, webhook, log):
    webhook.answers = [500, 503]
    one = sender(writer, hook=webhook.url)
    put(writer)
    for at, waits in ((0, True), (29, False), (35, True), (94, False), (105, True), (9999, False)):
        assert one.send_next(T0 + 1000 * at) is waits
    assert webhook.ids == ["n1", "n1", "n1"]
    (entry,) = outbox.recent(writer, 9)
    assert (entry.outcome, entry.attempts) == (Outcome.DELIVERED, 3)
    assert entry.last_error == "it answered 503"
    assert "notice not sent channel=hook notice=n1 try=1 reason=it answered 500" in log.read_text()


def test_a_dead_network_holds_notices_until_it_is_back(writer):
    webhook = Webhook()
    one = sender(writer, hook=webhook.url)
    for i in range(5):
        put(writer, f"n{i}", at=T0 + i)
    at = T0 + 10
    while at < T0 + 5 * 3_600_000:  # five hours away
        one.send_next(at)
        at = outbox.next_try_ms(writer)
    assert outbox.tally(writer)["hook"] == outbox.OutboxTally(5, 1, T0)
    with webhook.open():
        while one.send_next(at):
            pass
    assert webhook.ids == ["n0", "n1", "n2", "n3", "n4"]
    assert outbox.tally(writer) == {}


def test_a_dead_channel_does_not_hold_another_up(writer, webhook):
    one = sender(writer, dead=Webhook().url, hook=webhook.url)
    for i in range(3):
        put(writer, f"n{i}", ("dead", "hook"), at=T0 + i)
    while one.send_next(T0 + 10):
        pass
    assert webhook.ids == ["n0", "n1", "n2"]
    assert (
        sum(entry.attempts for entry in outbox.recent(writer, 9) if entry.channel == "dead") == 1
    )


def test_a_server_that_takes_its_time_to_fail_is_tried_no_sooner_for_it(writer, webhook):
    webhook.answers = [lambda: time.sleep(0.6)]
    one = sender(writer, hook=f"{webhook.url}?rto=0.3")
    put(writer)
    one.send_next(T0)
    assert outbox.next_try_ms(writer) >= T0 + 30_300


def test_what_is_urgent_overtakes(writer, webhook):
    one = sender(writer, hook=webhook.url)
    put(writer, "old")
    put(writer, "older", at=T0 - 1)
    put(writer, "grave", urgency=3)
    while one.send_next(T0):
        pass
    assert webhook.ids == ["grave", "older", "old"]


def test_quiet_hours_are_kept(writer, webhook):
    one = sender(writer, hook=webhook.url)
    put(writer, at=T0 + 60_000)
    assert not one.send_next(T0 + 59_999)
    assert webhook.posts == []
    assert one.send_next(T0 + 60_000)
    assert webhook.ids == ["n1"]


def test_a_channel_that_was_taken_out_of_the_settings_is_told(writer, webhook):
    put(writer, channels=("gone", "hook"))
    one = sender(writer, hook=webhook.url)
    while one.send_next(T0):
        pass
    assert webhook.ids == ["n1"]
    (entry,) = (e for e in outbox.recent(writer, 9) if e.channel == "gone")
    assert (entry.outcome, entry.last_error) == (None, "the settings have no such channel")


def test_no_reason_on_the_list_holds_a_secret(writer, webhook):
    webhook.answers = [401]
    one = sender(writer, a=webhook.url, b=Mailbox().url, c=f"json://h/?method={SECRET}")
    put(writer, channels=("a", "b", "c"))
    while one.send_next(T0):
        pass
    reasons = [entry.last_error for entry in outbox.recent(writer, 9)]
    assert len(reasons) == 3
    assert all(reasons)
    no_secret_in(*reasons)


def test_the_store_is_free_while_a_notice_is_on_its_way(writer, webhook):
    written, free = threading.Event(), []

    def write():
        writer.write([])
        written.set()

    def answer():
        threading.Thread(target=write, daemon=True).start()
        free.append(written.wait(60))

    webhook.answers = [answer]
    put(writer)
    sender(writer, hook=webhook.url).send_next(T0)
    assert free == [True]


def test_a_new_notice_goes_at_once(writer, path, webhook, start, monkeypatch):
    monkeypatch.setattr(outbox_worker, "LOOK_S", 3600)
    put(writer, "n0", at=now_ms())
    one = start(hook=webhook.url)
    until(lambda: outcomes(path) == [("hook", "n0", Outcome.DELIVERED)])
    put(writer, at=now_ms())  # now it rests, for an hour if nobody wakes it
    one.wake()
    until(lambda: webhook.ids == ["n0", "n1"])
    until(lambda: {outcome for *_, outcome in outcomes(path)} == {Outcome.DELIVERED})


@pytest.mark.slow
def test_a_notice_goes_when_its_time_comes(writer, webhook, start, monkeypatch):
    monkeypatch.setattr(outbox_worker, "LOOK_S", 3600)
    began = time.monotonic()
    put(writer, at=now_ms() + 400)
    start(hook=webhook.url)
    until(lambda: webhook.ids == ["n1"])
    assert time.monotonic() - began > 0.3


def test_a_restart_tries_at_once_what_had_failed(writer, path, webhook, start):
    put(writer, at=now_ms())
    outbox.failed(writer, outbox.due(writer, now_ms()), now_ms(), "no", retryable=False)
    start(hook=webhook.url)
    until(lambda: outcomes(path) == [("hook", "n1", Outcome.DELIVERED)])


@pytest.mark.slow
def test_a_store_that_is_away_when_the_outcome_comes_costs_no_second_message(
    writer, path, webhook, start, log
):
    aside = path.with_name("aside")
    webhook.answers = [functools.partial(path.rename, aside)]
    put(writer, at=now_ms())
    start(hook=webhook.url)
    until(lambda: "store away" in log.read_text())
    aside.rename(path)
    until(lambda: outcomes(path) == [("hook", "n1", Outcome.DELIVERED)])
    assert webhook.ids == ["n1"]


def test_a_server_that_does_not_answer_holds_no_stop_up(writer, webhook):
    done = threading.Event()
    webhook.answers = [lambda: done.wait(60)]
    put(writer, at=now_ms())
    one = sender(writer, hook=webhook.url)
    one.start()
    until(lambda: webhook.posts)
    began = time.monotonic()
    one.stop(0.2)
    assert time.monotonic() - began < 30  # the server would have taken twice as long
    done.set()
    until(lambda: not one.running())
    assert outcomes(writer.address) == [("hook", "n1", Outcome.DELIVERED)]


CRASHING = """
import sys
from pathlib import Path
from pydantic import SecretStr
from monitor.alerting.notifications.outbox_worker import OutboxWorker
from monitor.settings.outside_groups import NoticeChannel
from monitor.store import Writer
writer = Writer(Path(sys.argv[1]))
sender = OutboxWorker(writer, [NoticeChannel(id="hook", url=SecretStr(sys.argv[2]))])
sender.start()
sender._thread.join()
"""


@pytest.mark.slow
@pytest.mark.real_clock
def test_a_kill_between_sending_and_noting_sends_again_with_the_same_id(writer, path, webhook):
    for notice_id in ("n1", "n2"):
        put(writer, notice_id, at=now_ms())
    command = [sys.executable, "-c", CRASHING, str(path), webhook.url]
    children = []

    def kill_the_last():
        children[-1].kill()
        children[-1].wait(60)

    for _ in range(2):
        webhook.answers = [kill_the_last]
        children.append(subprocess.Popen(command, cwd=ROOT))
        children[-1].wait(60)
    assert webhook.ids == ["n1", "n1"]  # taken by the other side, but never noted
    assert outcomes(path) == [("hook", "n1", None), ("hook", "n2", None)]
    children.append(subprocess.Popen(command, cwd=ROOT))
    until(lambda: all(o == Outcome.DELIVERED for *_, o in outcomes(path)))
    kill_the_last()
    assert webhook.ids == ["n1", "n1", "n1", "n2"]
