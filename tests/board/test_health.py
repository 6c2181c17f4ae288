"""`/health` and `/metrics`: what they say, to whom, and in which form."""

from __future__ import annotations

import contextlib

import dashboard_fixtures as shop_air
import pytest
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from dashboard.app import create_app
from dashboard.server.limits import DIRECT, is_direct
from monitor import __version__
from monitor.core.clock import now_ms
from monitor.core.openmetrics import Family, Sample, text
from monitor.people.access_store import store_of
from monitor.people.entries import EntryKind
from monitor.people.roles import Role
from monitor.runtime import heartbeat
from monitor.runtime.heartbeat import Round
from monitor.store import Writer

MINUTE, DAY = 60_000, 86_400_000
HERE = {"environ_overrides": {DIRECT: True}, "headers": {"Host": "127.0.0.1"}}
SECRET = "the disk of Mrs. Arden's cellar is full"


class Board:
    """A board with a store, a heartbeat, and tokens of some roles."""

    def __init__(self, folder, extra=""):
        config = shop_air.CONFIG.replace("[board]", f'[board]\nnames = ["shop.invalid"]\n{extra}')
        self.settings = shop_air.settings_in(folder, config=config)
        self.client = create_app(self.settings).server.test_client()
        with contextlib.closing(Writer(self.settings.store_path)) as writer:
            now = now_ms()
            shop_air.fill(writer, "front-bench", now - 20 * MINUTE, now - 10 * MINUTE, MINUTE)
        store = store_of(self.settings)
        self.token, _ = store.issue(EntryKind.SCRIPT, Role.VIEWER, now_ms(), DAY)
        self.beat()

    def beat(self, **changed):
        last = Round(
            ended_ms=now_ms() - 30_000,
            took_s=0.25,
            waits=3,
            alerts={1: 2, 3: 1},
            outbox_waiting=4,
            outbox_failing=1,
            proofs=2,
        )
        counts = {"rounds": 7, "rounds_s": 1.75, "notices_sent": 5, "notices_failed": 2}
        since = {"store": now_ms() - DAY}
        shop_air.beat(self.settings, **({"round": last, "since": since} | counts | changed))

    def get(self, path, *, here=False, token="", **headers):
        sent = {"Host": "127.0.0.1" if here else "shop.invalid"} | headers
        if token:
            sent["Authorization"] = f"Bearer {token}"
        return self.client.get(path, headers=sent, environ_overrides={DIRECT: here})

    def samples(self):
        """Samples of the metrics by name and labels, as a parser of the format reads them."""
        answer = self.get("/metrics", here=True)
        assert answer.content_type.startswith("application/openmetrics-text; version=1.0.0")
        return {
            (one.name, *sorted(one.labels.items())): one.value
            for family in text_string_to_metric_families(answer.text)
            for one in family.samples
        }


@pytest.fixture(scope="module")
def boards(tmp_path_factory):
    closed = 'readers = "signed-in"\nmetrics = "network"'
    made = {extra: Board(tmp_path_factory.mktemp("health"), extra) for extra in ("", closed)}
    return made[""], made[closed]


@pytest.fixture
def board(boards):
    boards[0].beat()
    return boards[0]


@pytest.fixture
def closed(boards):
    boards[1].beat()
    return boards[1]


def test_a_program_on_this_computer_reads_every_part_in_words(board):
    answer = board.get("/health", here=True)
    parts = answer.json["parts"]
    assert (answer.status_code, answer.json["status"]) == (200, "trouble")
    assert parts["notices"]["verdict"] == "trouble"
    assert parts["notices"]["sentence"].startswith("Notices that could not be sent: 1.")
    assert parts["notices"]["do"]
    assert parts["store"]["since"].endswith("Z")
    assert parts["board"] == {"verdict": "ok", "sentence": "The board answers."}
    assert answer.headers["Cache-Control"] == "no-store"


def test_what_fails_is_answered_with_503(board):
    board.beat(store_trouble=SECRET)
    answer = board.get("/health", here=True)
    assert (answer.status_code, answer.json["status"]) == (503, "failing")
    assert SECRET in answer.json["parts"]["store"]["sentence"]
    assert board.client.head("/health", **HERE).status_code == 503


def test_a_stopped_service_and_a_lost_store_are_answered_at_once(board):
    board.beat(beat_ms=now_ms() - MINUTE)
    answer = board.get("/health", here=True)
    assert (answer.status_code, answer.json["parts"]["board"]["verdict"]) == (503, "ok")
    assert "The service stopped" in answer.json["parts"]["service"]["sentence"]
    samples = board.samples()
    assert samples["benchweather_up",] == 0
    assert ("benchweather_open_waits",) not in samples
    board.settings.heartbeat_path.unlink()
    assert board.get("/health", here=True).status_code == 503


@pytest.mark.parametrize("host", ["shop.invalid", "127.0.0.1"])
def test_a_stranger_gets_verdicts_but_no_words(board, host):
    board.beat(store_trouble=SECRET)
    answer = board.get("/health", Host=host)
    assert answer.status_code == 503
    assert set(map(str, answer.json["parts"]["store"].items())) == {"('verdict', 'failing')"}
    assert "Arden" not in answer.text
    assert SECRET in board.get("/health", token=board.token).text


def test_a_stranger_to_a_closed_board_gets_only_whether_it_is_well(closed):
    assert closed.get("/health").json == {"status": "trouble"}
    assert "parts" in closed.get("/health", token=closed.token).json
    assert closed.get("/health", token="guessed").status_code == 401


def test_metrics_are_for_this_computer_unless_a_setting_opens_them(board, closed):
    answer = board.get("/metrics", token=board.token)
    assert (answer.status_code, "board.metrics" in answer.text) == (403, True)
    assert board.get("/metrics", here=True, Host="shop.invalid").status_code == 403
    answer = closed.get("/metrics")
    assert (answer.status_code, answer.headers["WWW-Authenticate"]) == (401, "Bearer")
    assert closed.get("/metrics", token="guessed").status_code == 401
    assert closed.get("/metrics", token=closed.token).status_code == 200


def test_the_metrics_are_what_store_and_heartbeat_have(board):
    samples = board.samples()
    stored = samples["benchweather_readings_stored_total",]
    assert stored == 2 * 10  # T and RH, each minute
    age = samples["benchweather_newest_reading_age_seconds", ("place", "front-bench")]
    assert 600 <= age < 720
    assert samples["benchweather_round_duration_seconds_count",] == 7
    assert samples["benchweather_round_duration_seconds_sum",] == 1.75
    assert samples["benchweather_open_waits",] == 3
    assert [samples["benchweather_open_alerts", ("urgency", u)] for u in "123"] == [2, 0, 1]
    assert samples["benchweather_outbox_waiting",] == 4
    assert samples["benchweather_outbox_failing",] == 1
    assert samples["benchweather_notices_sent_total",] == 5
    assert samples["benchweather_notice_failures_total",] == 2
    assert samples["benchweather_running_proofs",] == 2
    assert samples["benchweather_up",] == 1
    assert samples["benchweather_store_bytes",] >= board.settings.store_path.stat().st_size
    assert samples["benchweather_disk_free_bytes",] > 0
    assert samples["benchweather_process_memory_bytes", ("process", "board")] > 10_000_000
    started = heartbeat.read(board.settings.heartbeat_path).started_ms
    assert samples["benchweather_start_time_seconds",] == started / 1000
    states = {key[1:]: value for key, value in samples.items() if key[0] == "benchweather_health"}
    trouble = (("benchweather_health", "trouble"), ("part", "notices"))
    assert states[trouble] == 1
    assert any(__version__ in str(key) for key in samples if key[0] == "benchweather_build_info")


def test_a_store_that_cannot_be_read_takes_only_its_own_metrics_away(board):
    path, aside = board.settings.store_path, board.settings.store_path.with_name("aside")
    path.rename(aside)
    try:
        samples = board.samples()
    finally:
        aside.rename(path)
    assert ("benchweather_readings_stored_total",) not in samples
    assert samples["benchweather_open_waits",] == 3


@pytest.mark.parametrize(
    ("address", "headers", "direct"),
    [
        ("127.0.0.1", {"HOST": "127.0.0.1"}, True),
        ("::1", {}, True),
        ("::ffff:127.0.0.1", {}, True),
        ("127.0.0.1", {"X_FORWARDED_FOR": "127.0.0.1"}, False),
        ("127.0.0.1", {"X_FORWARDED_HOST": "localhost"}, False),
        ("127.0.0.1", {"FORWARDED": "for=127.0.0.1"}, False),
        ("127.0.0.1", {"VIA": "1.1 proxy"}, False),
        ("127.0.0.1", {"X_REAL_IP": "127.0.0.1"}, False),
        ("192.0.2.7", {}, False),
        ("", {}, False),
    ],
)
def test_only_a_request_that_no_proxy_passed_on_is_from_this_computer(address, headers, direct):
    assert is_direct(address, headers) is direct


@pytest.mark.slow
@given(
    st.dictionaries(st.from_regex(r"[a-z][a-z_]{0,8}", fullmatch=True), st.text(), max_size=3),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(["Free space.", 'A "\\n" of\nlines']),
)
def test_any_label_value_and_help_is_read_back(labels, value, about):
    written = text([Family("x_bytes", "gauge", about, [Sample(value, labels)], "bytes")])
    (family,) = text_string_to_metric_families(written)
    assert (family.name, family.unit, family.documentation) == ("x_bytes", "bytes", about)
    assert [(one.labels, one.value) for one in family.samples] == [(labels, value)]
