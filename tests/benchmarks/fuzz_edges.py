"""Edges of the product for `bench_fuzz.py`: by which ways bytes come in, with inputs to begin with."""

from __future__ import annotations

import contextlib
import json
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import parse_qsl

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

NOW = 1_780_000_000_000
LENGTH_MAX = 4096
"""Longest input of most edges. [bytes]"""


class Refused(Exception):
    """The input was refused as the edge refuses."""


Run = Callable[[bytes], object]


class Edge(NamedTuple):
    """Way by which bytes come in. `make` gets a folder and returns what is called with each input
    and the seeds; `inputs` is the number at a share of 1."""

    name: str
    inputs: int
    make: Callable[[Path], tuple[Run, list[bytes]]]
    length_max: int = LENGTH_MAX


def _json(document: object) -> bytes:
    return json.dumps(document).encode()


SENML = [
    _json([{"bn": "a:", "bt": NOW / 1000, "n": "temperature", "u": "Cel", "v": 20.5}]),
    _json(
        [{"n": "humidity", "u": "%RH", "v": 45}, {"n": "temperature", "u": "Cel", "v": 1, "t": -5}]
    ),
    _json([{"bver": 10, "bu": "Cel", "bv": 20}, {"n": "x", "vs": "text"}, {"n": "y", "vb": True}]),
    _json([{"n": "a", "u": "hPa", "v": 1013.25, "s": 1, "ut": 3, "must_": 1}]),
    b'[{"n":"t","u":"Cel","v":1e308,"bv":1e308,"bt":1e23}]',
    b'[{"n":"\\ud800","u":"Cel","v":-0.0}]',
    b"[" * 200,
]


def _readings(decoded: Any) -> None:
    """Look at what was taken: believable values at believable times."""
    from monitor.core.clock import AHEAD_MAX_MS
    from monitor.core.measurements import MEASURES

    if not decoded.readings:
        raise Refused
    for series, ts_ms, value in decoded.readings:
        measure = MEASURES[series.quantity]
        assert measure.low <= value <= measure.high, value
        assert 0 < ts_ms <= NOW + AHEAD_MAX_MS, ts_ms


def _contract(rules: list[Any], topic: str) -> Run:
    from monitor.core.errors import BadPayload
    from monitor.readings.payload import Contract

    contract = Contract(rules)

    def run(data: bytes) -> None:
        try:
            _readings(contract.decode(topic, data, NOW))
        except BadPayload as exc:
            raise Refused from exc

    return run


def senml_json(_: Path) -> tuple[Run, list[bytes]]:
    return _contract([], "benchweather/bench/a"), SENML


def senml_cbor(_: Path) -> tuple[Run, list[bytes]]:
    import cbor2

    packs: list[Any] = [
        [{-2: "a:", -3: NOW / 1000, 0: "temperature", 1: "Cel", 2: 20.5}],
        [{0: "humidity", 1: "%RH", 2: 45, "2": 46, "v": 47, 99: 1, "99": 2}],
        [{0: "t", 1: "Cel", 2: cbor2.CBORTag(4, [-1, 205])}, {2: 2**80, 3: "x", 8: b"y"}],
    ]
    raw = [
        "9fbf006b74656d70657261747572650163436565026102ffff",
        "9b7fffffffffffffff",
        "81bf00a0ff",
        "81d81ca100d81d00",
        "81a1d9010280f6",
        "81" * 300,
    ]
    return (
        _contract([], "benchweather/bench/a"),
        [*map(cbor2.dumps, packs), *map(bytes.fromhex, raw)],
    )


def _rules() -> list[Any]:
    from monitor.core.measurements import Quantity
    from monitor.domain.topic_rules import Pick, TimePick, TopicRule

    picks = {
        Quantity.TEMPERATURE: Pick(pointer="/climate/temp", unit="F"),
        Quantity.HUMIDITY: Pick(pointer="/0", unit="%RH"),
    }
    return [
        TopicRule(
            filter="home/+/#",
            place="{2}",
            sensor="{3}-{9}",
            format="json",
            quantities=picks,
            time=TimePick(pointer="/at", unit="iso"),
        ),
        TopicRule(filter="any/+", place="{2}", sensor="x", format="json", quantities=picks),
        TopicRule(
            filter="n/+", place="p", sensor="{2}", format="number", quantity="humidity", unit="%RH"
        ),
    ]


def topics(_: Path) -> tuple[Run, list[bytes]]:
    """A topic and its payload, by rules of a shop."""
    from monitor.core.errors import BadPayload
    from monitor.readings.payload import Contract

    contract = Contract(_rules())

    def run(data: bytes) -> None:
        topic, _, payload = data.partition(b"\n")
        try:
            _readings(contract.decode(topic.decode("utf-8", "replace"), payload, NOW))
        except BadPayload as exc:
            raise Refused from exc

    document = {"at": "2026-01-05T14:30:00Z", "climate": {"temp": 68.5}}
    return run, [
        b"home/bench/a/b\n" + _json(document),
        b"any/bench\n" + _json(document | {"0": 45}),
        b"any/bench\n[45, 1e400, null]",
        b"n/a\n45.2",
        b"n/\xff\n-.5e3",
        b"benchweather/bench/a\n" + SENML[0],
        b"$SYS/x\n1",
    ]


def discovery(_: Path) -> tuple[Run, list[bytes]]:
    """Messages of unknown senders as `listen` shows them; it refuses none."""
    from monitor.mqtt.client import Arrival
    from monitor.readings.topic_discovery import TopicListener

    def run(data: bytes) -> None:
        topic, _, payload = data.partition(b"\n")
        listener = TopicListener(())
        name = topic.decode("utf-8", "replace")
        listener.hear(_arrival(Arrival, name, payload))
        for report in listener.heard.values():
            _ = (report.kind, report.every_s, report.proposed)

    sent = {"temp": 21.5, "rh": "45 %", "battery": 90, "time": "2026-01-05T14:30:00Z"}
    return run, [b"a/b\n" + _json(sent), b"a/temperature\n21.5", b"a\n" + SENML[0], b"x\n\x81\xa1"]


def _arrival(kind: Any, topic: str, payload: bytes) -> Any:
    given = {"topic": topic, "payload": payload, "received_ms": NOW}
    fill: dict[str, Any] = {"packet_id": 1, "qos": 1, "retained": False, "repeat": False}
    fields = getattr(kind, "_fields", None) or list(kind.__annotations__)
    return kind(**{name: given.get(name, fill.get(name, 0)) for name in fields})


def topic_rules(_: Path) -> tuple[Run, list[bytes]]:
    from monitor.core.measurements import Quantity
    from monitor.domain.topic_rules import TopicRule, matches, rule_faults

    def run(data: bytes) -> None:
        parts = data.decode("utf-8", "surrogateescape").split("\n")
        parts += [""] * 6
        rule = TopicRule(
            filter=parts[0],
            place=parts[1],
            sensor=parts[2],
            format="number",
            unit=parts[3],
            quantity=Quantity.HUMIDITY,
        )
        matches(parts[0], parts[4])
        if rule_faults(rule):
            raise Refused

    return run, [b"home/+/#\n{2}\nx\n%RH\nhome/a/b", b"a/b\nbench\na\nCel\na/b", b"+/#/a\n\n\n\n"]


TOML = [
    (ROOT / "data/demo/settings.toml").read_bytes(),
    b'[broker]\nport = 1884\nhost = "127.0.0.1"\n[board]\nport = 8051\n',
    b'[[topics]]\nfilter="a/+"\nplace="{2}"\nsensor="x"\nformat="number"\nquantity="humidity"\nunit="%RH"\n',
    b'[[places]]\nid="bench"\nrh_low_pct=40\nrh_high_pct=60.5\n[hours]\nmonday="09:00-17:00"\n',
    b'[[channels]]\nid="me"\nurl="json://x"\nleast=2\n[[reservoirs]]\nid="t"\nplace="bench"\n',
    b'[alerts]\nquiet="22:00-07:00"\n[shop]\ntime_zone="Europe/Paris"\naltitude_m=nan\n',
    b"a = [[[[[[1979-05-27T07:32:00Z]]]]]]\nb = {c.d.e = 1e23}\nf = 0xffffffffffffffffffff\n",
]


def settings_toml(folder: Path) -> tuple[Run, list[bytes]]:
    from monitor.core.errors import SettingsFault
    from monitor.settings import load

    path = folder / "fuzz.toml"

    def run(data: bytes) -> None:
        path.write_bytes(data)
        try:
            load(data=folder, config=path, environ={})
        except SettingsFault as exc:
            raise Refused from exc

    return run, TOML


def agent_toml(folder: Path) -> tuple[Run, list[bytes]]:
    from monitor.core.errors import SettingsFault
    from sensors.agent.settings import load

    path = folder / "agent.toml"

    def run(data: bytes) -> None:
        path.write_bytes(data)
        try:
            load(path, {})
        except SettingsFault as exc:
            raise Refused from exc

    return run, [
        b'[agent]\nname="b1"\nperiod_s=60\n[broker]\nurl="mqtt://127.0.0.1"\n'
        b'[[sensors]]\nplace="bench"\nname="a"\nchip="bme280@1-0076"\n',
        b'[[sensors]]\nplace="bench"\nname="a"\nbluetooth="A0:B1:C2:D3:E4:F5"\n',
        *TOML[3:],
    ]


COMMANDS: list[dict[str, Any]] = [
    {
        "do": "open",
        "kind": "closing",
        "place": "bench",
        "start_ms": NOW - 60_000,
        "instrument": "V",
    },
    {"do": "open", "kind": "cleat", "place": "bench", "count": 2, "clamps": 4, "what": "cleat"},
    {"do": "release", "wait": "1", "at_ms": NOW, "feel": "soft"},
    {"do": "pause", "wait": "1", "at_ms": 1e23},
    {"about": "kind", "do": "kind", "kind": "x", "like": "cleat", "name": "X", "basis_s": 7200},
    {
        "about": "instrument",
        "do": "register",
        "reference": "VN-31",
        "kind": "violin",
        "place": "bench",
    },
    {"about": "instrument", "do": "open", "instrument": "vn-31", "at_ms": NOW},
    {"about": "alert", "do": "snooze", "alert": "1", "minutes": 60},
    {"about": "rule", "do": "rule", "rule": "very-dry", "low": 30, "hold_s": 600, "on": True},
    {
        "about": "rule",
        "do": "rule",
        "rule": "x",
        "like": "very-dry",
        "only": ["bench", {"a": None}],
    },
    {"about": "sensor", "do": "move", "sensor": "bench/a", "place": "loft", "at_ms": NOW},
    {"about": "sensor", "do": "void-readings", "sensor": "bench/a", "from_ms": 0, "until_ms": NOW},
    {"about": "sensor", "do": "seal", "sensor": "bench/a", "salt": "sodium-chloride"},
    {"about": "sensor", "do": "fit", "sensor": "bench/a", "quantity": "humidity"},
    {"about": "sensor", "do": "note", "sensor": "bench/a", "text": "by the door"},
    {"about": "glue", "do": "mix", "kind": "hide", "name": "pot", "mixed_ms": NOW},
    {"about": "glue", "do": "pot on", "glue": "1", "at_ms": NOW},
    {"about": "proof", "do": "start", "kind": "laps", "place": "bench", "wait_kind": "cleat"},
    {"about": "aside", "do": "dismiss", "sensor": "bench/a"},
    {"about": "caution", "do": "put away", "caution": "x", "where": "y", "by": "\ud800"},
    {"about": "reservoir", "do": "filled", "reservoir": "t", "amount": -(10**30), "id": "1" * 100},
]


def _requests() -> list[bytes]:
    """A command for each request there is, with every field."""
    from monitor.commands import REQUESTS

    seeds = [_json(command) for command in COMMANDS]
    for about, actions in REQUESTS.items():
        for do, kind in actions.items():
            fields = {name: 1 if "ms" in name else "bench" for name in kind.__struct_fields__}
            seeds.append(_json({"about": about, "do": do, **fields}))
    return seeds


def requests(_: Path) -> tuple[Run, list[bytes]]:
    """Commands as a button sends them over MQTT, up to the checked request."""
    from monitor.commands import read_request
    from monitor.core.errors import MonitorError
    from monitor.readings.payload import json_object

    def run(data: bytes) -> None:
        try:
            read_request(json_object(data), NOW)
        except MonitorError as exc:
            raise Refused from exc

    return run, _requests()


def commands(folder: Path) -> tuple[Run, list[bytes]]:
    """Commands carried out on a real store, which is renewed as it grows."""
    from monitor.commands import Commands
    from monitor.core.errors import MonitorError
    from monitor.readings.payload import json_object
    from monitor.store import Writer

    shops: list[tuple[Any, Any]] = []
    taken = 0

    def renew() -> None:
        if shops:
            shops.pop()[0].close()
        for old in folder.glob("shop.sqlite3*"):
            old.unlink()
        writer = Writer(folder / "shop.sqlite3")
        shops.append((writer, Commands(writer)))

    renew()

    def run(data: bytes) -> None:
        nonlocal taken
        try:
            command = {"by": "mqtt"} | json_object(data)
            answer = shops[0][1].carry_out(command, NOW)
            json.dumps(answer)
        except MonitorError as exc:
            raise Refused from exc
        taken += 1
        if taken % 200 == 0:
            renew()

    return run, _requests()


def command_link(_: Path) -> tuple[Run, list[bytes]]:
    """Lines on the command link, with and without its token."""
    from monitor.commands import ipc, read_request

    def handle(command: Any) -> Any:
        read_request(command, NOW)
        return {}

    def run(data: bytes) -> None:
        answer = ipc._answer(data, "token", handle)
        text = json.dumps(answer)
        assert "could not be carried out" not in text, text
        if "done" not in answer:
            raise Refused

    return run, [
        *(_json({"token": "token", "command": command}) for command in COMMANDS),
        b'{"token":"\\ud800","command":{}}',
        b'{"token":NaN,"command":[]}',
        b"[" * 3000,
    ]


def link_file(folder: Path) -> tuple[Run, list[bytes]]:
    """Files by which our processes find each other: link, heartbeat, secrets."""
    from monitor.commands import ipc
    from monitor.core.errors import MonitorError
    from monitor.people.board_keys import read_board_keys
    from monitor.runtime import heartbeat
    from monitor.store.secret_files import BOARD_KEYS, FolderFiles

    path, files = folder / BOARD_KEYS, FolderFiles(folder)

    def run(data: bytes) -> None:
        path.write_bytes(data)
        beat, keys = heartbeat.read(path), read_board_keys(files)
        try:
            ipc.ask(path, {"do": "nothing"})
        except MonitorError as exc:
            if beat is None and keys is None:
                raise Refused from exc

    return run, [
        b'{"port": 1, "token": "x"}',
        b'{"port": 99999999999, "token": 1}',
        b'{"beat_ms": 1, "started_ms": 1, "pid": 1, "broker": "x"}',
        b'{"session_key": "a", "local_key": "b", "port": "1", "token": null}',
        b"[" * 3000,
    ]


LOG = (
    b"Date;Time;Temp;Hum\n05.01.2026;00:00;16,1;44,5\n05.01.2026;01:00;16,2;-\n"
    b'29.03.2026;02:30;"1";2\n25.10.2026;02:30;1;2\n25.10.2026;02:30;1;2\n'
)
PLANS = [
    {"delimiter": ";", "decimal": ",", "time_format": "%d.%m.%Y %H:%M", "zone": "Europe/Paris"},
    {"delimiter": ",", "decimal": ".", "time_format": "iso", "zone": None},
    {"delimiter": "\t", "decimal": ".", "time_format": "s", "zone": None},
    {"delimiter": ";", "decimal": ",", "time_format": "ms", "zone": "UTC"},
    {"delimiter": ",", "decimal": ".", "time_format": "%Y-%m-%d %H:%M:%S%z", "zone": None},
]


def csv_import(_: Path) -> tuple[Run, list[bytes]]:
    """A logger's file; its first byte chooses how it is read."""
    from zoneinfo import ZoneInfo

    import numpy as np

    from monitor.core.errors import ImportFault
    from monitor.core.measurements import MEASURES, Quantity
    from monitor.readings.csv_import import Column, ImportPlan, read_csv

    plans = []
    for given in PLANS:
        text: dict[str, Any] = dict(given)
        zone = text.pop("zone")
        times = ("Date", "Time") if text["delimiter"] == ";" else ("Time",)
        plans.append(
            ImportPlan(
                place="bench",
                sensor="a",
                columns=(
                    Column(Quantity.TEMPERATURE, "F", "Temp"),
                    Column(Quantity.HUMIDITY, "%RH", "Hum"),
                ),
                time_columns=times,
                zone=ZoneInfo(zone) if zone else None,
                **text,
            )
        )

    def run(data: bytes) -> None:
        plan = plans[data[0] % len(plans)] if data else plans[0]
        try:
            found = read_csv(Path("log"), plan, now_ms=NOW, content=data[1:])
        except ImportFault as exc:
            raise Refused from exc
        for series, (ts_ms, values) in found.values.items():
            measure = MEASURES[series.quantity]
            assert np.all((values >= measure.low) & (values <= measure.high)), values
            assert np.all(ts_ms <= NOW + 300_000), ts_ms
        if not found.total:
            raise Refused

    return run, [
        b"\0" + LOG,
        b"\1Time,Temp,Hum\n2026-01-05T10:00:00Z,16.1,44.5\n2026-01-05 10:00,1,2\n",
        b"\2Time\tTemp\tHum\n1767600000\t16.1\t4e1\n1e23\t0x10\tnan\n",
        b"\3Date;Time;Temp;Hum\n17676;00000;inf;\n",
        b"\4Time,Temp,Hum\n2026-01-05 10:00:00+0100,16.1,44.5\n",
        b'\1Time,Temp,Hum\r"2026\n-01",1,2\r\n\0,\xff',
    ]


def _forecast(name: str, seeds: list[bytes]) -> tuple[Run, list[bytes]]:
    from monitor.core.errors import BadPayload
    from monitor.outlook.weather.drop_folder import read

    def run(data: bytes) -> None:
        try:
            found = read(name, data, "s", NOW, archive=data[:1] == b" ")
        except BadPayload as exc:
            raise Refused from exc
        _looked_at(found)

    return run, seeds


def _looked_at(found: list[Any]) -> None:
    import numpy as np

    for one in found:
        assert len(one.valid_ms), one
        assert np.all(np.isfinite(one.temp_c)), one
        assert np.all((one.rh_pct >= 0) & (one.rh_pct <= 100)), one


def forecast_csv(_: Path) -> tuple[Run, list[bytes]]:
    from forecast_fixtures import csv_of
    from weather_server import NOW as THEN

    good = csv_of(issued=NOW - NOW % 3_600_000)
    seeds = [
        good.encode(),
        (ROOT / "data/samples/score_forecasts.csv").read_bytes()[:1500].rpartition(b"\n")[0],
    ]
    assert THEN < NOW
    return _forecast("a.csv", [*seeds, b" " + seeds[1], b"\xef\xbb\xbf" + seeds[0]])


def forecast_json(_: Path) -> tuple[Run, list[bytes]]:
    from forecast_fixtures import GOOD_JSON
    from weather_server import stamp

    hour = NOW - NOW % 3_600_000
    hours = [
        {"valid_at": stamp(hour + i * 3_600_000), "temp_c": 5, "rh_pct": 80} for i in range(30)
    ]
    good = GOOD_JSON | {"issued_at": stamp(hour), "hours": hours}
    return _forecast("a.json", [_json(good), b" " + _json(good), _json(good | {"hours": [{}]})])


def forecast_answers(_: Path) -> tuple[Run, list[bytes]]:
    """Answers of weather services; the first byte chooses the service."""
    import weather_server

    from monitor.core.errors import BadPayload
    from monitor.domain.forecast import position
    from monitor.domain.forecast_source import Element, ForecastSource
    from monitor.domain.topic_rules import Pick, TimePick
    from monitor.outlook.weather import json_pointer
    from monitor.outlook.weather.providers import READY
    from monitor.outlook.weather.validation import validated

    at = position(60.1, 10.0)
    elements = {
        Element.TEMPERATURE: Pick(pointer="/hourly/temp", unit="F"),
        Element.HUMIDITY: Pick(pointer="/hourly/rh", unit="%RH"),
    }
    lists = ForecastSource(
        id="flat",
        url="https://x.example/",
        time=TimePick(pointer="/hourly/time", unit="s"),
        issued=TimePick(pointer="/made", unit="s"),
        elements=elements,
    )
    names = sorted(READY)

    def run(data: bytes) -> None:
        which, body = (data[0] if data else 0) % (len(names) + 2), data[1:]
        try:
            if which < len(names):
                told = READY[names[which]].read(body, at, 120.0)
            elif which == len(names):
                told = json_pointer.read(lists, body, NOW)
            else:
                for service in READY.values():
                    if service.follow:
                        service.follow(body)
                raise Refused
            _looked_at([validated("s", told, NOW)])
        except BadPayload as exc:
            raise Refused from exc

    hour = NOW - NOW % 3_600_000
    answers = {
        "met-norway": weather_server.met(issued=NOW - 60_000, start=hour, temps=[1.0] * 16),
        "us-nws": weather_server.nws_grid(issued=NOW - 60_000, start=hour),
    }
    flat = {
        "made": NOW // 1000,
        "hourly": {
            "time": [hour // 1000 + 3600 * i for i in range(14)],
            "temp": [20.0] * 12 + [None, 3],
            "rh": [80.0] * 14,
        },
    }
    seeds = [bytes([names.index(name)]) + _json(answers[name]) for name in names]
    return run, [
        *seeds,
        bytes([len(names)]) + _json(flat),
        bytes([len(names) + 1]) + _json(weather_server.nws_points("https://x.example")),
    ]


def weather_file(_: Path) -> tuple[Run, list[bytes]]:
    from monitor.clients.weather_files import WeatherFault, read

    def run(data: bytes) -> None:
        try:
            read(data)
        except WeatherFault as exc:
            raise Refused from exc

    row = ",".join(["2001,1,1,{h},0,?", "5.0,1.0,80,101325", *["0"] * 25])
    epw = "LOCATION,Town,-,X,TMY3,1,36.1,-79.9,-5.0,273.0\n" + "HEADER\n" * 7
    epw += "\n".join(row.format(h=h) for h in range(1, 5))
    tmy3 = (
        '1,"TOWN",XX,-5.0,36.1,-79.9,273\nDate (MM/DD/YYYY),Time (HH:MM),Dry-bulb (C),'
        "Dew-point (C)\n01/01/1988,01:00,5.0,1.0\n01/01/1988,24:00,5.0,1.0\n"
    )
    return run, [epw.encode(), tmy3.encode(), b"LOCATION," + b"a," * 50, b"\nDate (MM/DD/YYYY)\n"]


def raw_export(folder: Path) -> tuple[Run, list[bytes]]:
    from monitor.core.errors import MonitorError
    from monitor.readings.export import read_raw

    path = folder / "raw.csv"

    def run(data: bytes) -> None:
        path.write_bytes(data)
        try:
            if not read_raw(path):
                raise Refused
        except MonitorError as exc:
            raise Refused from exc

    return run, [
        b"measured_at,place,sensor,raw_temp_c,raw_rh_pct\n2026-01-05T10:00:00.000Z,b,a,20.5,45\n",
        b"measured_at,place,sensor,raw_temp_c,voided\n2026-01-05T10:00:00Z,'=b,'@a,-1,why\n",
        b"measured_at,place,sensor\n",
    ]


def score_files(folder: Path) -> tuple[Run, list[bytes]]:
    """A log and archived forecasts of `score`, apart by a line of three dashes."""
    from monitor.core.errors import MonitorError
    from monitor.outlook.evaluation import files

    log, told = folder / "log.csv", folder / "told.csv"

    def run(data: bytes) -> None:
        first, _, second = data.partition(b"\n---\n")
        log.write_bytes(first)
        told.write_bytes(second)
        try:
            files.read(log, told)
        except MonitorError as exc:
            raise Refused from exc

    samples = [
        (ROOT / "data/samples" / name).read_bytes()[:16_000].rpartition(b"\n")[0]
        for name in ("score_log.csv", "score_forecasts.csv")
    ]
    return run, [b"\n---\n".join(samples), b"time,place,temp_c,rh_pct\n---\nissued_at\n"]


def sheet_request(_: Path) -> tuple[Run, list[bytes]]:
    """What the form of a client's sheet sends."""
    from monitor.clients.request import DEFAULTS, ClientFault, read_sheet_request

    def run(data: bytes) -> None:
        try:
            given = json.loads(data)
        except (ValueError, RecursionError) as exc:
            raise Refused from exc
        if not isinstance(given, dict):
            raise Refused
        try:
            read_sheet_request(given)
        except ClientFault as exc:
            raise Refused from exc

    months = {
        f"{name}.{m}": 20.0 if name == "temp" else 45.0 for m in (1, 7) for name in ("temp", "rh")
    }
    return run, [
        _json(DEFAULTS | months),
        _json({"temp.1": 20, "rh.1": 45, "out.1": -5, "people": 1e308, "device": "buffer"}),
        _json(
            {"source": "normals", **months, "volume_m3": -1, "played": "17-19", "language": "de"}
        ),
    ]


def glue_request(_: Path) -> tuple[Run, list[bytes]]:
    """Words and numbers that people type: hours, times of day, spans, columns, CSV cells."""
    from monitor.core.csv_text import defused, restored
    from monitor.core.errors import MonitorError
    from monitor.domain import opening_hours
    from monitor.readings.csv_import import Column

    ways: list[Callable[[str], object]] = [
        opening_hours.span,
        opening_hours.closed_dates,
        opening_hours.quiet_span,
        opening_hours.of_day,
        Column.parse,
    ]

    def run(data: bytes) -> None:
        text = data[1:].decode("utf-8", "replace")
        assert restored(defused(text)) == text
        try:
            ways[(data[0] if data else 0) % len(ways)](text)
        except (MonitorError, ValueError) as exc:
            raise Refused from exc

    return run, [
        b"\0" + b"09:00-17:00",
        b"\1" + b"2026-12-24/2027-01-02",
        b"\2" + b"22:00-07:00",
        b"\3" + b"08:30",
        b"\4" + b"temperature:Cel:Temp (C)",
        b"\0=1+2",
    ]


def bluetooth(_: Path) -> tuple[Run, list[bytes]]:
    """Values of a Bluetooth sensor."""
    from monitor.core.errors import BadPayload
    from monitor.core.measurements import MEASURES
    from sensors.agent.environmental import CHARACTERISTICS, decoded

    numbers = sorted(CHARACTERISTICS)

    def run(data: bytes) -> None:
        try:
            quantity, value = decoded(numbers[(data[0] if data else 0) % 3], data[1:])
        except BadPayload as exc:
            raise Refused from exc
        assert MEASURES[quantity].low <= value <= MEASURES[quantity].high

    return run, [b"\0\x00\x90\x0f\x00", b"\1\x34\x08", b"\2\x10\x27", b"\1\x00\x80"]


def _board(folder: Path) -> Any:
    import dashboard_fixtures as shop_air

    from monitor.core.clock import now_ms
    from monitor.store import Writer

    settings = shop_air.settings_in(folder / "board")
    now = now_ms()
    with contextlib.closing(Writer(settings.store_path)) as writer:
        for place in shop_air.PLACES:
            shop_air.fill(writer, place, now - 3 * 86_400_000, now, 1_200_000)
    client = shop_air.board_client(settings)
    client.application.config["PROPAGATE_EXCEPTIONS"] = True
    return client


def board_queries(folder: Path) -> tuple[Run, list[bytes]]:
    """Addresses with their query strings, asked of the whole board."""
    client = _board(folder)

    def run(data: bytes) -> None:
        path = "/" + data.decode("latin-1").lstrip("/")
        try:
            answer = client.get(path)
        except (UnicodeError, ValueError) as exc:
            if "werkzeug" in place_of(exc):  # an address that no client can send
                raise Refused from exc
            raise
        assert answer.status_code < 500, answer.status_code
        answer.get_data()
        if answer.status_code >= 400:
            raise Refused

    start = NOW - 3_600_000
    return run, [
        f"past.csv?places=front-bench&quantity=humidity&start={start}&end={NOW}".encode(),
        f"past/climate.csv?place=front-bench&end={NOW}".encode(),
        b"past?places=front-bench&span=week",
        b"sensors/front-bench/fb-1",
        b"probes/x",
        b"calendar/abc.ics",
        b"open/123-abc",
        b"help/start",
        b"bench/glue-now?place=%ff%00",
        b"here",
    ]


def client_files(folder: Path) -> tuple[Run, list[bytes]]:
    """Files sent to the page of clients, after a line with the query."""
    client = _board(folder)

    def run(data: bytes) -> None:
        query, _, body = data.partition(b"\n")
        what, _, rest = query.decode("latin-1").partition("?")
        answer = client.post(
            f"/clients/file/{'log' if what == 'log' else 'weather'}",
            query_string=dict(parse_qsl(rest)),
            data=body,
            headers={"Origin": "http://localhost", "X-Requested-With": "benchweather"},
        )
        assert answer.status_code < 500, answer.get_data(as_text=True)[:200]
        if answer.status_code >= 400:
            raise Refused

    log = b"time,temperature,humidity\n" + b"".join(
        b"2026-0%d-%02dT%02d:00:00Z,20.5,45\n" % (m, d, h)
        for m in (1, 2)
        for d in range(1, 4)
        for h in range(0, 24, 6)
    )
    told = b"log?time=time&format=iso&temperature=temperature&humidity=humidity&unit=Cel"
    return run, [
        told + b"&delimiter=,&decimal=.\n" + log,
        told + b"&delimiter=tab&decimal=,,\n" + log,
        b"log?time=a%2Bb&format=%25d%25Q&unit=F&delimiter=ab\n" + LOG,
        b"weather?name=x\nLOCATION,a,b\n",
    ]


def place_of(exc: BaseException) -> str:
    """Where an error arose."""
    frames = traceback.extract_tb(exc.__traceback__)
    return f" at {frames[-1].filename.removeprefix(str(ROOT))}:{frames[-1].lineno}"


EDGES = (
    Edge("SenML JSON", 300_000, senml_json),
    Edge("SenML CBOR", 250_000, senml_cbor),
    Edge("topic and payload by rules", 150_000, topics),
    Edge("messages that `listen` shows", 40_000, discovery),
    Edge("topic rules", 60_000, topic_rules),
    Edge("settings, TOML", 3_000, settings_toml),
    Edge("settings of an agent, TOML", 4_000, agent_toml),
    Edge("commands over MQTT: requests", 100_000, requests),
    Edge("commands carried out on a store", 2_000, commands),
    Edge("command link", 60_000, command_link),
    Edge("our own files: link, heartbeat, keys", 10_000, link_file),
    Edge("import of a logger's CSV", 4_000, csv_import),
    Edge("forecast file, CSV", 40_000, forecast_csv),
    Edge("forecast file and message, JSON", 40_000, forecast_json),
    Edge("answers of weather services", 40_000, forecast_answers),
    Edge("weather file, EPW and TMY3", 2_000, weather_file),
    Edge("raw export read again", 2_000, raw_export),
    Edge("log and forecasts of `score`", 1_000, score_files, 40_000),
    Edge("request for a client's sheet", 60_000, sheet_request),
    Edge("typed words, hours, CSV cells", 60_000, glue_request),
    Edge("values of a Bluetooth sensor", 30_000, bluetooth),
    Edge("board: addresses and queries", 2_000, board_queries),
    Edge("board: files on Clients", 2_000, client_files),
)
