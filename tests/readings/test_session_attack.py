"""Nobody takes the ingest's session over: an attack by real clients, with each guessable id."""

from __future__ import annotations

import time

import pytest
from numbered_load import Load, check_nothing_lost_or_doubled, connected

pytestmark = [pytest.mark.slow, pytest.mark.broker]

GUESSES = (
    "benchweather-ingest",  # the default up to the first release
    "benchweather",
    "ingest",
    "benchweather-ingest-tells",
    "benchweather-tells",
)


@pytest.mark.parametrize("kind", ["embedded", "mosquitto"])
def test_no_connect_with_a_guessed_client_id_loses_an_acknowledged_reading(
    request, make_service, kind
):
    url = request.getfixturevalue("mosquitto").url if kind == "mosquitto" else ""
    service = make_service(broker_url=url, board=False)
    service.start()
    load = Load(service.port, count=2000, per_s=800)
    load.start()
    for guess in GUESSES:
        load.goes_on(200)
        attacker = connected(service.port, guess)
        time.sleep(0.3)
        attacker.disconnect()
        attacker.loop_stop()
    load.join()
    check_nothing_lost_or_doubled(service, load)
    assert "broker away" not in service.log.read_text()
