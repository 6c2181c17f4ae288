"""Listening to every topic in the running service: heard, not stored, and no way in for commands."""

from __future__ import annotations

import time
from contextlib import closing
from dataclasses import replace

import pytest
from conftest import free_port, until
from numbered_load import connected

from monitor.commands import ipc
from monitor.commands.listening import DecideListening
from monitor.commands.request import Command
from monitor.core.errors import Rejected
from monitor.domain.listening import StartListening
from monitor.mqtt.broker_log import broker_refusals, log_size
from monitor.mqtt.embedded_broker import ingest_account
from monitor.readings import heard_topics
from monitor.readings.payload import Contract
from monitor.service import live_discovery
from monitor.service.broker_access import access_rules
from monitor.settings import load
from monitor.settings.shop_broker import broker_address, embedded_broker
from monitor.store import Reader
from monitor.store.documents import FolderDocuments

OWN, COMMAND = "attic/climate", "benchweather/bench/wait/do"


@pytest.mark.slow
@pytest.mark.broker
def test_any_topic_is_heard_while_listening_but_no_command_of_a_stranger(service):
    home = FolderDocuments(service.data)
    stranger = connected(service.port)
    until(stranger.is_connected)
    ipc.ask(
        service.data / "command-link.json", {"about": "listening", "do": "start", "by": "Anna"}
    )

    def sent():
        for topic in (COMMAND, OWN):
            stranger.publish(topic, b'{"temp": 20.5, "hum": 47}', qos=1).wait_for_publish(60)
        return heard_topics.read(home).topics

    until(sent, what="the topic is heard")
    heard = heard_topics.read(home)
    assert [one.topic for one in heard.topics] == [OWN]
    (one,) = heard.topics
    assert (one.topic, one.rule["quantities"]["humidity"]["unit"]) == (OWN, "%RH")
    with closing(Reader(service.store)) as reader:
        assert reader.series() == {}
        assert reader.refused(9) == []  # the command came to nobody
    stranger.disconnect()
    stranger.loop_stop()


def test_a_damaged_file_of_heard_topics_is_as_none(tmp_path):
    path, home = tmp_path / heard_topics.NAME, FolderDocuments(tmp_path)
    assert heard_topics.read(home) is heard_topics.NOTHING
    for text in ("", "[]", "{", '{"until_ms": "soon"}', "[" * 9000):
        path.write_text(text)
        assert heard_topics.read(home) is heard_topics.NOTHING


def test_a_broker_that_cannot_be_opened_says_what_to_do_instead():
    with pytest.raises(Rejected, match="sensor listen"):
        DecideListening()(Command(StartListening(), "", 1, None))


@pytest.mark.slow
@pytest.mark.broker
def test_the_broker_takes_only_known_topics_again_when_the_time_is_over(tmp_path):
    ports = {"BENCHWEATHER_BROKER__PORT": str(free_port())}
    settings = load(data=tmp_path, environ=ports)
    door = ingest_account()
    broker = embedded_broker(settings, door, access_rules(Contract()))
    address = replace(broker_address(settings), user=door.user, password=door.password)
    broker.start()
    discovery = live_discovery.LiveDiscovery(settings, address, broker)
    try:
        stranger = connected(settings.broker.port)
        until(stranger.is_connected)

        def sent(topic):
            stranger.publish(topic, b'{"temp": 20.5, "hum": 47}', qos=1).wait_for_publish(60)
            return heard_topics.read(FolderDocuments(settings.data)).topics

        discovery.start()
        until(lambda: sent(OWN), what="the topic is heard")
        assert discovery.listening()
        discovery._until = time.monotonic()
        until(lambda: not discovery.listening(), what="the time is over")
        before = log_size(settings.broker_log_path)

        def refused():
            sent(OWN)
            return broker_refusals(settings.broker_log_path, before)

        until(refused, what="the topic is refused again")
        stranger.disconnect()
        stranger.loop_stop()
    finally:
        discovery.stop()
        broker.stop()


@pytest.mark.slow
@pytest.mark.broker
def test_a_broker_that_cannot_be_closed_is_closed_as_soon_as_it_can(tmp_path, monkeypatch):
    monkeypatch.setattr(live_discovery, "CLOSE_AGAIN_S", 0.1)
    settings = load(data=tmp_path, environ={"BENCHWEATHER_BROKER__PORT": str(free_port())})
    broker = embedded_broker(settings, ingest_account(), access_rules(Contract()))
    discovery = live_discovery.LiveDiscovery(settings, broker_address(settings), broker)
    configuration = broker.folder / "broker.conf"
    try:
        broker.start()
        discovery.start()
        until(lambda: '">"' in configuration.read_text(), what="it is open")
        settings.broker_accounts_path.write_text("damaged")
        discovery._until = time.monotonic()
        until(lambda: time.monotonic() > discovery._until + 0.5, what="the time is over")
        assert discovery.listening()  # and tries
        settings.broker_accounts_path.unlink()
        until(lambda: not discovery.listening(), what="it is closed")
        assert '"allow": [">"' not in configuration.read_text()
    finally:
        discovery.stop()
        broker.stop()
