"""From the board's chips to the store, with real brokers that die and an agent that is killed:
every reading once."""

from __future__ import annotations

import json
import random
import resource
import socket
import threading

import paho.mqtt.client as paho
import pytest
from agent_fixtures import Board, RunningAgent, kill_broker_of, settle, stored, tallies
from conftest import CLOCK_STEP_MS, end_accepting, free_port, until

from monitor.core.clock import now_ms
from monitor.mqtt.client import Address
from monitor.readings.payload import Contract
from sensors.agent import connection, senml
from sensors.agent import sender as agent_sender
from sensors.agent.backlog import Backlog
from sensors.agent.pack_store import Pack
from sensors.agent.sender import BacklogSender

pytestmark = [pytest.mark.slow, pytest.mark.broker]


@pytest.fixture
def board(tmp_path):
    made = Board(tmp_path / "root")
    made.iio(
        "i2c-1/1-0076",
        name="bme280",
        in_temp_input="21430",
        in_humidityrelative_input="47210",
        in_pressure_input="100.125",
    )
    made.hwmon("i2c-1/1-0044", name="sht3x", temp1_input="18000", humidity1_input="55000")
    return made


@pytest.fixture
def make_agent(tmp_path, board):
    made = []

    def make(url, **broker):
        made.append(RunningAgent(tmp_path / f"agent{len(made)}", board, url, **broker))
        return made[-1]

    yield make
    for one in made:
        one.clear()


def check_every_reading_is_stored_once(service, agent, *, kills=0):
    """What the agent said it had kept, and of each kill at most what it had no time to say."""
    assert agent.stop() == 0
    kept, sensors = agent.kept(), agent.sensors
    agent.sensors = [(place, name, "unplugged") for place, name, _ in sensors]
    agent.start()  # once more, to send what it still has and to measure nothing
    try:
        until(lambda: not set(kept) - stored(service))
    except AssertionError:
        missing = sorted(set(kept) - stored(service))
        end = "".join(agent.log.read_text().splitlines(keepends=True)[-15:])
        pytest.fail(f"{len(missing)} of {len(kept)} are not stored: {missing[:5]}\n{end}")
    assert agent.stop() == 0
    assert agent.kept() == kept
    assert len(kept) == len(set(kept))
    assert len(stored(service) - set(kept)) <= kills * len(agent.sensors)
    assert tallies(service)["refused"] == 0


def keeps_more(agent, packs=4):
    """Wait until the agent has kept that many more packs, whoever is away meanwhile."""
    wanted = len(agent.kept()) + packs
    until(lambda: len(agent.kept()) >= wanted, what=f"{wanted} packs are kept")


def both_sensors(agent, period_s=0.2):
    agent.period_s, agent.reads = period_s, 3
    agent.sensors = [("front-bench", "fb-1", "bme280"), ("varnish-corner", "vc-1", "sht3x")]


def test_readings_survive_kills_of_the_embedded_broker_the_service_and_the_agent(
    make_agent, make_service
):
    service = make_service(board=False)
    agent = make_agent(f"mqtt://127.0.0.1:{service.broker_port}")
    both_sensors(agent)
    agent.start()  # before there is any broker
    agent.says("broker away")
    service.start()
    agent.says("broker connected")
    source = random.Random(20261125)
    for _ in range(2):
        keeps_more(agent, source.randint(4, 12))
        kill_broker_of(service)
        keeps_more(agent, source.randint(4, 20))
        agent.kill()
        agent.start()
    keeps_more(agent, 8)
    service.kill()
    keeps_more(agent, 8)
    service.start()
    keeps_more(agent, 8)
    check_every_reading_is_stored_once(service, agent, kills=2)


def test_readings_survive_a_mosquitto_that_goes_and_comes_back(
    make_agent, make_service, mosquitto
):
    service = make_service(broker_url=mosquitto.url, board=False)
    service.start()
    agent = make_agent(mosquitto.url)
    both_sensors(agent)
    agent.start()
    for packs_away in (1, 32):
        agent.says("broker connected")
        keeps_more(agent, 8)
        mosquitto.stop()
        keeps_more(agent, packs_away)
        mosquitto.start()
    keeps_more(agent, 8)
    check_every_reading_is_stored_once(service, agent)


def listener(port, topics, account=None):
    """What another client hears: topic, decoded payload, retained."""
    heard = []
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.on_message = lambda _, __, m: heard.append((m.topic, json.loads(m.payload), m.retain))
    if account:
        client.username_pw_set(*account)
    client.connect("127.0.0.1", port)
    for topic in topics:
        client.subscribe(topic, 1)
    client.loop_start()
    return client, heard


# RFC 8428, section 4.6 (resolved records): name bn+n, time bt+t, unit u or bu, value bv+v. A time of
# 2**28 or more is absolute, in seconds since 1970 (section 4.5.3). Section 4.3 for the labels.
def resolved(pack):
    base = {"bn": "", "bt": 0.0, "bu": "", "bv": 0.0}
    for record in pack:
        base |= {key: record[key] for key in base if key in record}
        yield (
            base["bn"] + record.get("n", ""),
            record.get("u", base["bu"]),
            base["bt"] + record.get("t", 0.0),
            base["bv"] + record["v"],
        )


def test_what_it_sends_is_senml_with_the_time_of_measuring(make_agent, mosquitto, board):
    board.battery("Battery", "83")
    client, heard = listener(mosquitto.port, ["benchweather/+/+"])
    agent = make_agent(mosquitto.url)
    both_sensors(agent)
    began = now_ms()
    agent.start()
    until(lambda: len(heard) >= 4)
    agent.stop()
    client.disconnect()
    client.loop_stop()
    by_topic = {topic: pack for topic, pack, _ in heard}
    assert not any(retained for *_, retained in heard)
    records = list(resolved(by_topic["benchweather/front-bench/fb-1"]))
    assert {(name, unit): value for name, unit, _, value in records} == {
        ("fb-1:temperature", "Cel"): 21.43,
        ("fb-1:humidity", "%RH"): 47.21,
        ("fb-1:pressure", "Pa"): 100_125.0,
        ("fb-1:battery", "%EL"): 83.0,
    }
    first, last = began - CLOCK_STEP_MS, now_ms() + CLOCK_STEP_MS
    assert all(2**28 <= first / 1000 <= t <= last / 1000 for _, _, t, _ in records)
    for topic, pack, _ in heard:  # and our own reader takes all of it
        decoded = Contract().decode(topic, json.dumps(pack).encode(), now_ms())
        assert decoded.timed
        assert not decoded.faults
        assert len(decoded.readings) == len(pack)


def test_its_state_is_told_at_birth_at_a_fault_at_the_end_and_by_its_will(
    make_agent, mosquitto, board
):
    board.wireless(" wlan0: 0000   54.  -56.  -256        0      0      0      0     12        0")
    client, heard = listener(mosquitto.port, [senml.STATE_TOPIC.format("+")])

    def last():
        return heard[-1][1] if heard else {"state": ""}

    agent = make_agent(mosquitto.url)
    both_sensors(agent)
    agent.start()
    until(lambda: last()["state"] == "here")
    assert last()["sensors"] == ["front-bench/fb-1", "varnish-corner/vc-1"]
    assert last()["signal_dbm"] == -56
    assert last()["trouble"] == []
    settle(board.root / "sys/class/hwmon/hwmon0/temp1_input", "NaN\n")
    until(lambda: last().get("trouble"))
    assert "varnish-corner/vc-1: temp1_input: 'NaN' is not a number" in last()["trouble"][0]
    assert agent.stop() == 0
    until(lambda: last()["state"] == "stopped")
    agent.start()
    until(lambda: last()["state"] == "here")
    agent.kill()
    until(lambda: last() == {"state": "gone", "agent": "board-1"})
    late, kept = listener(mosquitto.port, [senml.STATE_TOPIC.format("+")])
    until(lambda: kept)  # who comes later hears it too
    assert kept[0][1]["state"] == "gone"
    assert kept[0][2]
    for one in (client, late):
        one.disconnect()
        one.loop_stop()


def test_a_backlog_of_days_is_sent_in_order_with_its_own_times(make_agent, mosquitto):
    agent = make_agent(mosquitto.url)
    agent.folder.mkdir(exist_ok=True)
    backlog = Backlog(agent.data / "backlog.sqlite3", 100_000, "an earlier start")
    first = now_ms() - 3 * 86_400_000
    moments = [first + 60_000 * i for i in range(3 * 1440)]
    text = '[{"n":"temperature","u":"Cel","v":20}]'
    backlog.put(
        Pack("benchweather/front-bench/fb-1", "an earlier start", i, t, text)
        for i, t in enumerate(moments)
    )
    backlog.close()
    client, heard = listener(mosquitto.port, ["benchweather/+/+"])
    agent.start()
    until(lambda: len(heard) > len(moments))
    agent.stop()
    times = [round(pack[0]["bt"] * 1000) for _, pack, _ in heard]
    assert times[: len(moments)] == moments
    assert times == sorted(times)
    client.disconnect()
    client.loop_stop()


def test_a_disk_that_refuses_loses_nothing(make_agent, service):
    agent = make_agent(f"mqtt://127.0.0.1:{service.broker_port}")
    both_sensors(agent)
    agent.start()
    until(lambda: tallies(service)["readings"] > 0)
    # Files may not grow beyond what the agent's own log needs, and the backlog soon does.
    small = (40_000, resource.RLIM_INFINITY)
    unlimited = resource.prlimit(agent.pid, resource.RLIMIT_FSIZE, small)
    agent.says("readings stay in memory")
    kill_broker_of(service)
    until(lambda: "starting it again" in service.log.read_text())
    before = tallies(service)["readings"]
    until(lambda: tallies(service)["readings"] > before)
    resource.prlimit(agent.pid, resource.RLIMIT_FSIZE, unlimited)
    agent.says("on disk again")
    keeps_more(agent, 8)
    check_every_reading_is_stored_once(service, agent)


@pytest.fixture
def heard_times(guarded):
    """Times of the readings that another client hears at the guarded broker. [ms]"""
    client, heard = paho.Client(paho.CallbackAPIVersion.VERSION2), []
    client.username_pw_set("shop", "right")
    client.tls_set(str(guarded.folder / "cert.pem"))
    client.on_message = lambda _, __, m: heard.append(round(json.loads(m.payload)[0]["bt"] * 1000))
    client.on_connect = lambda *_: client.subscribe("benchweather/+/+", 1)
    subscribed = threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("localhost", guarded.port)
    client.loop_start()
    assert subscribed.wait(60)
    yield heard
    client.disconnect()
    client.loop_stop()


def test_an_agent_with_a_wrong_password_loses_nothing_until_it_has_the_right_one(
    make_agent, guarded, heard_times
):
    folder = guarded.folder
    agent = make_agent(
        f"mqtts://localhost:{guarded.port}",
        user="shop",
        password_file=str(folder / "wrong"),
        ca_file=str(folder / "cert.pem"),
    )
    agent.period_s = 0.5
    agent.start()
    agent.says("it rejected the sign-in, Not authorized: see broker.user")
    keeps_more(agent, 2)
    lines = [line for line in agent.log.read_text().splitlines() if "WARNING" in line]
    assert len(lines) == 1, lines
    assert "wrong" not in lines[0].replace(str(folder), "")
    assert not heard_times
    agent.stop()
    agent.broker |= {"password_file": str(folder / "right")}
    agent.start()
    until(lambda: {t for _, t in agent.kept()} <= set(heard_times))
    assert heard_times == sorted(heard_times)
    agent.stop()


@pytest.mark.filterwarnings(  # paho leaves the socket of a failed handshake to the collector
    "ignore:Exception ignored in.*SSLSocket:pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.parametrize(
    ("url", "ca", "password", "said"),
    [
        ("mqtts://localhost", "other.pem", "right", "its certificate is not accepted"),
        (
            "mqtts://127.0.0.1",
            "cert.pem",
            "right",
            "its certificate is not accepted, IP address mismatch",
        ),
        ("mqtts://localhost", "cert.pem", "wrong", "it rejected the sign-in, Not authorized"),
        ("mqtt://localhost", "cert.pem", "right", "does that port want TLS"),
        ("mqtts://localhost", "right", "right", "certificate files "),
        ("mqtts://no-such-host.invalid", "cert.pem", "right", "no such host"),
    ],
)
def test_a_wrong_door_is_told_once_tried_again_and_loses_nothing(
    tmp_path, monkeypatch, caplog, guarded, heard_times, url, ca, password, said
):
    tries = []

    class Counted(agent_sender.Link):
        def __init__(self, *more):
            tries.append(more)
            super().__init__(*more)

    monkeypatch.setattr(agent_sender, "Link", Counted)
    monkeypatch.setattr(agent_sender, "RETRY_FIRST_S", 0.05)
    measured_ms = now_ms()
    backlog = Backlog(tmp_path / "backlog.sqlite3", 1000, "s")
    backlog.put([Pack("benchweather/a/b", "s", 1, measured_ms, '[{"u":"Cel","v":20}]')])

    def sender(url, ca, password):
        address = Address("", 0, "shop", password, ca_file=guarded.folder / ca)
        made = BacklogSender(
            address.at(f"{url}:{guarded.port}", None, None),
            "x",
            backlog,
            lambda: {"trouble": [], "packs_given_up": 0},
        )
        made.start()
        return made

    wrong = sender(url, ca, password)
    until(lambda: said in wrong.trouble, what=said)
    until(lambda: len(tries) > 2)
    wrong.stop(60)
    lines = [one.getMessage() for one in caplog.records if one.levelname == "WARNING"]
    assert len(lines) == 1, lines  # however often it was tried
    assert backlog.waiting == 1
    assert not heard_times
    right = sender("mqtts://localhost", "cert.pem", "right")
    until(lambda: heard_times == [measured_ms] and not backlog.waiting)
    right.stop(60)
    backlog.close()


def odd_broker(answer):
    """Something that listens, takes what comes, and says `answer` once to each who connects."""
    server = socket.create_server(("127.0.0.1", 0))
    held = []

    def serve():
        while True:
            try:
                held.append(server.accept()[0])
                held[-1].recv(4096)
                held[-1].sendall(answer)
            except OSError:
                return

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    return server, held, thread


@pytest.mark.parametrize(
    ("answer", "said"),
    [
        (b"", "is not an MQTT broker"),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n", r"closed the connection|is not an MQTT"),
        # CONNACK, accepted (MQTT 3.1.1, section 3.2), and not a word more.
        (b"\x20\x02\x00\x00", "it acknowledged nothing for"),
    ],
)
def test_something_odd_at_the_port_is_told_and_left(tmp_path, monkeypatch, answer, said):
    import re

    monkeypatch.setattr(connection, "ANSWER_WAIT_S", 0.5)
    monkeypatch.setattr(agent_sender, "RETRY_FIRST_S", 0.05)
    monkeypatch.setattr(agent_sender, "ACKNOWLEDGED_WITHIN_S", 1.0)
    backlog = Backlog(tmp_path / "backlog.sqlite3", 1000, "s")
    backlog.put([Pack("benchweather/a/b", "s", 1, now_ms(), '[{"u":"Cel","v":20}]')])
    server, held, thread = odd_broker(answer)
    address = Address("127.0.0.1", server.getsockname()[1])
    sender = BacklogSender(address, "x", backlog, lambda: {"trouble": [], "packs_given_up": 0})
    sender.start()
    until(lambda: re.search(said, sender.trouble), what=said)
    assert backlog.waiting == 1
    until(lambda: len(held) > 1)  # and tried again
    sender.stop(60)
    assert not sender.is_alive()
    end_accepting(server, thread)
    for client in held:
        client.close()
    backlog.close()


def test_a_port_where_nothing_listens_is_told(tmp_path):
    backlog = Backlog(tmp_path / "backlog.sqlite3", 1000, "s")
    sender = BacklogSender(
        Address("127.0.0.1", free_port()),
        "x",
        backlog,
        lambda: {"trouble": [], "packs_given_up": 0},
    )
    sender.start()
    until(lambda: "Connection refused" in sender.trouble)
    sender.stop(60)
    backlog.close()
