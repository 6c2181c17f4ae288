"""Bluetooth sensors through the real library, against a D-Bus with a made-up Bluetooth service on it.

No radio was at hand: what a real one does beyond that is not tested.
"""

from __future__ import annotations

import asyncio
import itertools
import subprocess
import sys
import threading
import time

import pytest
from agent_fixtures import Board
from bluetooth_fixtures import Radio
from conftest import ROOT, free_port, until

from monitor.core.measurements import Quantity
from monitor.mqtt.client import Address
from sensors.agent import __main__, bluetooth, discovery
from sensors.agent.agent import Agent
from sensors.agent.bluetooth import BluetoothFault, Receiver, nearby_sensors, read
from sensors.agent.settings import AgentSensor, AgentSettings

pytestmark = pytest.mark.slow

WELL, MUTE, PLAIN, OTHER = (f"A0:B1:C2:D3:E4:F{n}" for n in range(4))
# Source of the numbers, types and scales: as in test_agent_environmental.py.
AIR = {
    0x2A6E: bytes.fromhex("0cfe"),  # −500, −5.00 °C
    0x2A6F: bytes.fromhex("8813"),  # 5000, 50.00 %
    0x2A6D: bytes.fromhex("ca740f00"),  # 1,012,938, 101,293.8 Pa
}
T, RH, P = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.PRESSURE


@pytest.fixture(scope="module")
def bus(tmp_path_factory):
    sensors = [
        {"address": WELL, "called": "air\x1b[2J1", "values": dict(AIR), "rssi": -71},
        {"address": MUTE, "called": "air 2", "values": dict(AIR), "rssi": -50},
        {"address": PLAIN, "called": "lamp", "values": {0x2A00: b"lamp"}},
        {"address": OTHER, "called": "scale", "values": {}, "services": (0x181D,)},
    ]
    made = Radio(tmp_path_factory.mktemp("bus"), sensors)
    yield made
    made.stop()


@pytest.fixture
def radio(bus, monkeypatch):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
    monkeypatch.setattr(bluetooth, "FIND_S", 0.5)
    monkeypatch.setattr(bluetooth, "WITHIN_S", 1.0)
    monkeypatch.setattr(bluetooth, "LOOK_S", 0.5)
    for address in (WELL, MUTE):
        bus.set(address, values=dict(AIR), connects="well", awake=True, connected=False)
    return bus


def now_ms():
    return time.monotonic_ns() // 1_000_000


def test_those_in_reach_that_offer_the_service_are_listed_strongest_first(radio, tmp_path):
    found = nearby_sensors(0.3)
    assert [one.address for one in found] == [MUTE, PLAIN, WELL]
    assert [one.signal_dbm for one in found] == [-50, -60, -71]
    text, any_there = discovery.discovery_text(tmp_path, tmp_path / "sensor.toml", bluetooth=True)
    assert any_there
    assert f'bluetooth = "{WELL}"' in text
    assert "\x1b" not in text
    assert OTHER not in text


def test_its_values_come_with_the_time_of_reading(radio):
    before = now_ms()
    said = asyncio.run(read(WELL, now_ms))
    assert said.values == {T: -5.0, RH: 50.0, P: 101_293.8}
    assert before <= said.at_ms <= now_ms()
    assert said.trouble == ""
    until(lambda: not radio.sensors[WELL].connected)  # and it is let go


@pytest.mark.parametrize(
    ("number", "told", "said"),
    [
        (0x2A6E, b"\x0c", r"temperature \(0x2A6E\) has 1 bytes: must be 2"),
        (0x2A6E, b"\x00\x80", "the sensor says that it is not known"),
        (0x2A6F, b"\x00\xf0", "humidity .* = 614.4 %: must be 0 to 105 %"),
        (0x2A6D, b"", "pressure .* has 0 bytes: must be 4"),
    ],
)
def test_what_is_garbled_is_told_and_the_rest_is_taken(radio, number, told, said):
    radio.set(WELL, values=AIR | {number: told})
    found = asyncio.run(read(WELL, now_ms))
    assert len(found.values) == 2
    with pytest.raises(AssertionError, match=said):
        raise AssertionError(found.trouble)


@pytest.mark.parametrize(
    ("address", "how", "said"),
    [
        (WELL, {"connects": "hangs"}, "no answer within 1 s"),
        (WELL, {"connects": "refuses"}, "the connection failed, .*le-connection-abort"),
        (WELL, {"awake": False}, "not in reach, or asleep"),
        (WELL, {"values": AIR | {0x2A6F: "goes away"}}, "the connection failed|no answer within"),
        (PLAIN, {}, r"it offers none of pressure \(0x2A6D\), temperature"),
    ],
)
def test_what_can_go_wrong_is_told_in_words(radio, address, how, said):
    radio.set(address, **how)
    with pytest.raises(BluetoothFault, match=f"^{address}: {said}"):
        asyncio.run(read(address, now_ms))


def test_a_machine_without_bluetooth_says_so(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/no-bus")
    said = "Bluetooth cannot be used on this machine: No such file or directory; is there a radio"
    with pytest.raises(BluetoothFault, match=said):
        asyncio.run(read(WELL, now_ms))
    assert __main__.main(["find", "--bluetooth", "--root", str(tmp_path)]) == 1
    assert said in capsys.readouterr().err


def test_without_the_extra_it_is_named(monkeypatch):
    monkeypatch.setitem(sys.modules, "bleak", None)
    with pytest.raises(BluetoothFault, match=r"pip install 'benchweather\[bluetooth\]'"):
        nearby_sensors(0.1)


def test_a_sensor_that_fails_is_tried_again_ever_more_rarely(radio, monkeypatch):
    monkeypatch.setattr(bluetooth, "RETRY_FIRST_S", 0.1)
    radio.set(MUTE, connects="refuses", times=0)
    kept = []
    sensors = [AgentSensor("a", "well", bluetooth=WELL), AgentSensor("a", "mute", bluetooth=MUTE)]
    receiver = Receiver(sensors, 0.4, lambda *one: kept.append(one), now_ms)
    began = time.monotonic()
    receiver.start()
    until(lambda: receiver.sources[1].trouble and len(kept) > 4)
    assert {sensor.name for sensor, _, _ in kept} == {"well"}
    took_s = time.monotonic() - began
    assert 2 <= radio.sensors[MUTE].times <= 4 + took_s / 0.4  # at 0.1, 0.3, 0.7, 1.1 … s
    radio.set(MUTE, connects="well")
    until(lambda: not receiver.sources[1].trouble)
    receiver.stop(60)
    assert not receiver.is_alive()
    assert {sensor.name for sensor, _, _ in kept} == {"well", "mute"}
    assert all(values == {T: -5.0, RH: 50.0, P: 101_293.8} for _, _, values in kept)


def test_chips_are_read_on_time_whatever_bluetooth_does(radio, tmp_path):
    board = Board(tmp_path / "root")
    board.iio(name="bme280", in_temp_input="21430")
    radio.set(MUTE, connects="hangs")
    sensors = (
        AgentSensor("a", "chip", "bme280"),
        AgentSensor("a", "well", bluetooth=WELL),
        AgentSensor("a", "mute", bluetooth=MUTE),
    )
    settings = AgentSettings(
        "board-1", 0.2, 1, 1000, Address("127.0.0.1", free_port()), sensors, 0.5
    )
    agent = Agent(settings, tmp_path / "state", board.root)
    stop = threading.Event()
    running = threading.Thread(target=agent.run, args=(stop,))
    running.start()

    def packs():
        return [pack for _, pack in agent.backlog.after(-1, 1000)]

    try:
        until(
            lambda: sum("well" in pack.topic for pack in packs()) > 2 and agent.report()["trouble"]
        )
        found, told = packs(), agent.report()["trouble"]
    finally:
        stop.set()
        running.join(60)
    assert not running.is_alive()
    chip = [pack.measured_ms for pack in found if pack.topic.endswith("/chip")]
    late = [b - a for a, b in itertools.pairwise(chip)]
    assert (
        sorted(late)[len(late) // 2] < 900
    )  # the median; each that waited for Bluetooth would take 1 s
    assert [text for text in told if text.startswith(f"a/mute: {MUTE}: no answer within 1 s")]


def test_no_bluetooth_is_loaded_where_none_is_set():
    code = (
        "import sys, sensors.agent.__main__\n"
        "print(sys.modules.keys() & {'bleak', 'dbus_fast', 'sensors.agent.bluetooth'})"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert done.stdout.strip() == "set()", done.stderr
