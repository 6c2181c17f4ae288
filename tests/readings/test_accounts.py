"""Accounts at the broker: made by the command, kept as hashes, and held by mosquitto too."""

from __future__ import annotations

from contextlib import closing

import pytest
from conftest import Mosquitto, benchweather, needs, until
from numbered_load import connected

from monitor.core.errors import BrokerFault, Rejected
from monitor.mqtt.accounts import (
    May,
    add_account,
    make_session_keys,
    read_accounts,
    read_session_keys,
)
from monitor.store import Reader

STATE = "benchweather/agent/attic/state"
COMMAND, READING = "benchweather/bench/wait/do", "benchweather/bench/a1"
PACK = b'[{"u":"Cel","v":20}]'


def account(tmp_path, *words, **environment):
    where = {"BENCHWEATHER_DATA": str(tmp_path / "shop")} | environment
    return benchweather("sensor", "account", *words, environment=where)


def test_an_account_is_made_listed_changed_and_removed_and_its_password_is_kept_nowhere(tmp_path):
    done = account(tmp_path, "add", "attic")
    assert done.returncode == 0, done.stderr
    password = done.stdout.splitlines()[-1]
    assert len(password) >= 24
    file = tmp_path / "shop" / "broker-accounts.json"
    assert file.stat().st_mode & 0o077 == 0
    assert password not in file.read_text()
    to = tmp_path / "button.password"
    done = account(tmp_path, "add", "button", "--commands", "--to", str(to))
    kept = to.read_text().strip()
    assert kept not in done.stdout
    assert to.stat().st_mode & 0o077 == 0
    listed = account(tmp_path, "list").stdout
    assert "attic" in listed
    assert "commands" in listed
    before = read_accounts(file)
    assert account(tmp_path, "password", "attic").stdout.splitlines()[-1] != password
    assert read_accounts(file)["attic"].bcrypt != before["attic"].bcrypt
    assert read_accounts(file)["button"] == before["button"]
    assert account(tmp_path, "remove", "attic").returncode == 0
    assert set(read_accounts(file)) == {"button"}


@pytest.mark.parametrize(
    ("name", "password", "why"),
    [
        ("benchweather-x", "", "not beginning with benchweather"),
        ("a:b", "", "name = 'a:b': must be 1 to 40 letters"),
        ("", "", "name = '': must be"),
        ("ok", "short", "password = '5 characters': must be 12 printable characters to 72 bytes"),
        ("ok", "é" * 40, "72 bytes"),
        ("ok", "twelve\tlong!", "printable"),
        ("there", "", "not taken"),
    ],
)
def test_a_bad_account_is_refused_with_what_is_allowed(tmp_path, name, password, why):
    path = tmp_path / "accounts.json"
    add_account(path, "there", May.READINGS, "long enough password")
    with pytest.raises(Rejected, match=why):
        add_account(path, name, May.READINGS, password)
    assert set(read_accounts(path)) == {"there"}


@pytest.mark.parametrize("text", ["", "[1]", '{"a": 1}', '{"a": {"may": "all"}}', "[" * 9000])
def test_a_damaged_file_of_accounts_is_told_and_not_taken_for_an_empty_one(tmp_path, text):
    path = tmp_path / "accounts.json"
    path.write_text(text)
    with pytest.raises(BrokerFault, match="not a file of broker accounts"):
        read_accounts(path)


def test_the_client_id_is_made_once_is_private_and_cannot_be_guessed(tmp_path):
    path = tmp_path / "broker-keys.json"
    keys = make_session_keys(path)
    assert make_session_keys(path) == keys == read_session_keys(path)
    assert path.stat().st_mode & 0o077 == 0
    other = make_session_keys(tmp_path / "other.json")
    assert len({keys.client_id, other.client_id}) == 2
    assert len(keys.client_id) >= 32


@pytest.fixture
def guarded_by_us(tmp_path):
    """A mosquitto with the files that the command writes, and who may sign in there."""
    needs("mosquitto", "mosquitto")
    folder = tmp_path / "mosquitto"
    folder.mkdir()
    own = {
        "BENCHWEATHER_BROKER__URL": "mqtt://127.0.0.1:1",
        "BENCHWEATHER_BROKER__USER": "shop",
        "BENCHWEATHER_BROKER__PASSWORD": "the service's own",
    }
    passwords = {"shop": own["BENCHWEATHER_BROKER__PASSWORD"]}
    for name, *more in (("attic",), ("button", "--commands")):
        passwords[name] = account(tmp_path, "add", name, *more, **own).stdout.splitlines()[-1]
    done = account(tmp_path, "files", "--to", str(folder), **own)
    assert done.returncode == 0, done.stderr
    for file in folder.iterdir():
        assert file.stat().st_mode & 0o077 == 0
        assert not any(password in file.read_text() for password in passwords.values())
    lines = (folder / "benchweather.conf").read_text().splitlines()
    wanted = [line for line in lines if not line.startswith(("#", "persistence", "max_"))]
    broker = Mosquitto(folder, *wanted)
    broker.start()
    yield broker, own | {"BENCHWEATHER_BROKER__URL": broker.url}, passwords
    broker.stop()


@pytest.mark.slow
@pytest.mark.broker
def test_mosquitto_with_our_files_lets_a_sensor_publish_readings_and_nothing_else(
    guarded_by_us, make_service
):
    broker, own, passwords = guarded_by_us
    service = make_service(broker_url=broker.url, board=False)
    service.environment |= own
    service.start()
    clients, heard = {}, []
    for name in ("attic", "button"):
        clients[name] = connected(broker.port, user=name, password=passwords[name])
        clients[name].on_message = lambda c, u, m, name=name: heard.append((name, m.topic))
        until(clients[name].is_connected)
        clients[name].subscribe([("benchweather/#", 1), (STATE, 1)])
    for name in ("attic", "button"):
        press = {"attic": b'{"do": "forged"}', "button": b'{"do": "pressed"}'}[name]
        clients[name].publish(COMMAND, press, qos=1).wait_for_publish(60)
        clients[name].publish(READING, PACK, qos=1).wait_for_publish(60)

    def payloads():
        with closing(Reader(service.store)) as reader:
            return [item.payload for item in reader.refused(9)], reader.tallies()["messages"]

    until(lambda: payloads()[1] == 3, what="two readings and one command have come")
    assert payloads()[0] == [b'{"do": "pressed"}']  # it came to the commands, which know no such
    clients["attic"].publish(STATE, b"{}", qos=1).wait_for_publish(60)
    until(lambda: ("button", STATE) in heard)
    assert {name for name, _ in heard} == {"button"}
    assert READING not in {
        topic for _, topic in heard
    }  # an account for commands reads states only
    anonymous = connected(broker.port)
    until(lambda: not anonymous.is_connected())
    anonymous.loop_stop()
    for one in clients.values():
        one.disconnect()
        one.loop_stop()
