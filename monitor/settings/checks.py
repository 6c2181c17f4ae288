"""Checks of settings that are each valid: do they fit together, is the board well kept?"""

from __future__ import annotations

from monitor.core.errors import Fault
from monitor.domain.places import band
from monitor.mqtt.client import client_id_fault
from monitor.settings.addresses import LOOPBACK
from monitor.settings.fields import Fields
from monitor.settings.network_groups import Board

PASSWORD_MIN = 12
"""Length below which the shop's password is warned of on a network. [characters]"""


def cross_faults(found: Fields) -> list[Fault]:
    """Faults between settings that are each valid."""
    broker, faults = found.broker, _forecast_faults(found)
    for i, place in enumerate(found.places):
        low, high = band(place, found.limits)
        if low >= high:
            faults.append(
                Fault(
                    f"({place.id}): its band would be {low:g} to {high:g}%: set both rh_low_pct "
                    "and rh_high_pct, or make one fit the shop's other limit",
                    f"places.{i}",
                )
            )
    if found.store.read_url.get_secret_value() and not found.store.url.get_secret_value():
        faults.append(Fault("needs store.url: set both or none", "store.read_url"))
    if (n := found.outlook.processes) != 1 and not found.store.url.get_secret_value():
        faults.append(Fault("needs a database (store.url): use 1", "outlook.processes", n))
    if broker.group and not (broker.url and found.store.url.get_secret_value()):
        faults.append(
            Fault(
                "needs an outside broker (broker.url) and a database (store.url)", "broker.group"
            )
        )
    password = broker.password.get_secret_value()
    for name, group in (("broker", broker), ("board", found.board)):
        if bool(group.cert_file) != bool(group.key_file):
            faults.append(
                Fault(
                    f"and {name}.key_file belong together: set both or none", f"{name}.cert_file"
                )
            )
    if broker.url:
        return faults
    if fault := client_id_fault(broker.client_id):
        faults.append(Fault(f"{fault}, or be empty", "broker.client_id", broker.client_id))
    if (
        broker.host not in LOOPBACK
        and broker.anonymous_sensors == "auto"
        and not (broker.user and password)
    ):
        faults.append(
            Fault(
                "opens the broker to the network: "
                "set broker.user and broker.password for the sensors, or set "
                'broker.anonymous_sensors to "no" and make accounts with '
                '`benchweather sensor account`, or to "yes" to accept readings from everybody '
                "there, or keep 127.0.0.1",
                "broker.host",
                broker.host,
            )
        )
    elif bool(broker.user) != bool(password):
        faults.append(
            Fault("and broker.password belong together: set both or none", "broker.user")
        )
    if broker.port == found.board.port:
        faults.append(
            Fault(f"and board.port are both {broker.port}: they must differ", "broker.port")
        )
    return faults


def open_to_network(board: Board, *, people: bool = False) -> list[str]:
    """Warnings about a board that others on the network can reach; empty if it is well kept.

    `people`: there are people who sign in by a password of their own.
    """
    found = open_without_password(board, people=people)
    if lacks_certificate(board):
        found.append(
            f"board.host = {board.host} opens the board to the network without TLS: others on the "
            "network can read what is sent. Set board.cert_file and board.key_file"
        )
    return found


def lacks_certificate(board: Board) -> bool:
    """True if others on the network can read what the board sends."""
    unsealed = board.cert_file is None and board.trusted_proxy in ("", *LOOPBACK)
    return unsealed and board.host not in LOOPBACK


def open_without_password(board: Board, *, people: bool = False) -> list[str]:
    """The warnings among them about what lets a stranger in."""
    if board.host in LOOPBACK:
        return []
    found = []
    password = board.password.get_secret_value()
    if not password and not people:
        found.append(
            f"board.host = {board.host} opens the board to the network without a password: set "
            "board.password, or add people with `benchweather people add`"
        )
    if 0 < len(password) < PASSWORD_MIN:
        found.append(
            f"board.password has {len(password)} characters: use at least {PASSWORD_MIN}, or "
            "people with passwords of their own"
        )
    return found


def _forecast_faults(found: Fields) -> list[Fault]:
    """Faults of the further settings that a polled forecast source needs."""
    weather = found.weather
    asked = [source for source in found.forecasts if source.asked]
    placed = [s for s in asked if s.service or "{latitude}" in s.url or "{longitude}" in s.url]
    faults = []
    if asked and not weather.contact:
        text = f"is empty: {asked[0].id} needs an address for questions"
        faults.append(Fault(text, "weather.contact"))
    if (weather.latitude is None) != (weather.longitude is None):
        text = "and weather.longitude belong together: set both or none"
        faults.append(Fault(text, "weather.latitude"))
    elif placed and weather.latitude is None:
        text = f"and weather.longitude: {placed[0].id} needs them"
        faults.append(Fault(text, "weather.latitude"))
    return faults
