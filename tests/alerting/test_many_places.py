"""Many places looked at together give the same as each one looked at alone."""

from __future__ import annotations

import contextlib
import dataclasses
import math

import numpy as np
import pytest

from monitor.air.current import air_now
from monitor.air.latest_air import recent
from monitor.alerting import observations
from monitor.alerting.observations import ServiceTroubles
from monitor.commands import Commands, Journal
from monitor.core.measurements import BY_HAND, Quantity, Reading, Series
from monitor.domain.alerts import rule_registry
from monitor.domain.alerts.rule import Of
from monitor.science import air, uncertainty, wood
from monitor.sensor_care.calibration import JarWatch
from monitor.settings import load
from monitor.store import Reader, Writer

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
NOW = 1_780_000_000_000 // HOUR * HOUR + 7 * MINUTE
T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
SURFACE, BATTERY, PRESSURE = (Quantity.SURFACE_TEMPERATURE, Quantity.BATTERY, Quantity.PRESSURE)
CONFIG = """
[shop]
time_zone = "Europe/Paris"
[[places]]
id = "{}"
{}
[[places]]
id = "outside"
kind = "outdoors"
"""
KINDS = {
    "varnish": 'kind = "varnish"\nglass = "single"',
    "never": "",
    "cold": "wall_factor = 0.5\nrh_high_pct = 55",
}
FROM = NOW - 26 * HOUR


def sent(place, sensor, quantity, value, start=FROM, end=NOW, every=20 * MINUTE):
    """Readings of one series; a value or a function of the time in hours."""
    at = np.arange(start, end + 1, every)
    values = value((at - NOW) / HOUR) if callable(value) else np.full(len(at), float(value))
    series = Series(place, sensor, quantity)
    return [Reading(series, t, round(v, 3)) for t, v in zip(at.tolist(), values, strict=True)]


def wave(middle, by, offset=0.0):
    return lambda h: middle + by * np.sin(h / 3 + offset)


def pair(place, sensor, temp, rh, **times):
    return sent(place, sensor, T, temp, **times) + sent(place, sensor, RH, rh, **times)


OUTSIDE = pair("outside", "o1", wave(-6, 4), wave(80, 5))
READINGS = {
    "plain": pair("plain", "a", wave(21, 1), wave(48, 6))
    + sent("plain", "a", BATTERY, 12)
    + sent("plain", "b", PRESSURE, 96_500),
    "dry": pair("dry", "a", wave(20, 1), lambda h: 29 + h / 4),
    "varnish": pair("varnish", "a", wave(17, 2), wave(66, 3)),
    "never": [],
    "half": sent("half", "a", RH, wave(50, 2)),
    "split": sent("split", "t", T, 20) + sent("split", "h", RH, wave(70, 2)),
    "stuck": pair("stuck", "a", wave(20, 1), 44),
    "beside": pair("beside", "a", wave(20, 1), 44) + pair("beside", "b", 19.5, wave(47, 1)),
    "wet": pair("wet", "a", 12, 99.5) + sent("wet", "a", SURFACE, wave(6, 2)),
    "cold": pair("cold", "a", wave(-28, 3), wave(70, 3)),
    "hot": pair("hot", "a", wave(58, 5), wave(3, 2)),
    "hand": pair("hand", BY_HAND, 20, 38, start=NOW - 3 * HOUR, every=HOUR),
    "old": pair("old", "a", 20, wave(35, 2), end=NOW - 5 * HOUR),
    "long-ago": pair("long-ago", "a", 20, 40, start=NOW - 20 * DAY, end=NOW - 19 * DAY),
    "uneven": sent("uneven", "a", T, wave(20, 1), every=35 * MINUTE)
    + sent("uneven", "a", RH, wave(55, 3), start=FROM + HOUR, every=25 * MINUTE)
    + pair("uneven", "a", 20.5, 54.5, start=NOW),
    "slow-clock": pair("slow-clock", "a", 20, wave(50, 2))
    + pair("slow-clock", "b", 21, wave(51, 2)),
    "calibrated": pair("calibrated", "a", wave(20, 1), wave(45, 2)),
}
LATENESS = {("slow-clock", "a", h * HOUR + NOW // HOUR * HOUR): 300_000 for h in range(-9, 1)}


def snapshot_of(folder, wanted):
    """The places of a store that holds those only, and what the rules see there."""
    folder.mkdir()
    own = "".join(f'[[places]]\nid = "{one}"\n{KINDS[one]}\n' for one in wanted if one in KINDS)
    text = (
        f'[shop]\ntime_zone = "Europe/Paris"\n{own}[[places]]\nid = "outside"\nkind = "outdoors"\n'
    )
    (folder / "c.toml").write_text(text, encoding="utf-8")
    settings = load(data=folder, config=folder / "c.toml", environ={})
    with contextlib.closing(Writer(settings.store_path)) as writer:
        every = [one for place in wanted for one in READINGS[place]]
        late = {key: by for key, by in LATENESS.items() if key[0] in wanted}
        writer.write([*OUTSIDE, *every], lateness=late)
        with contextlib.closing(Reader(settings.store_path)) as reader:
            commands = Commands(writer, look=JarWatch(reader, settings))
            if "calibrated" in wanted:
                ask = {"about": "sensor", "do": "compare", "sensor": "calibrated/a"}
                ask |= {"quantity": "temperature", "value": 20.6, "u": 0.2, "at_ms": NOW - HOUR}
                commands.carry_out(ask, NOW)
                ask = {"about": "sensor", "do": "fit", "sensor": "calibrated/a"}
                commands.carry_out({**ask, "quantity": "temperature", "line": False}, NOW)
            latest = recent(reader, settings, NOW)
            journal = Journal(reader)
            sight = observations.snapshot(
                reader, settings, journal, [], [], ServiceTroubles(), NOW
            )
            rules = rule_registry.in_use(settings.limits, journal.rules)
            rules = {i: one for i, one in rules.items() if not one.together}
            return latest, sight, observations.observe(rules.values(), sight), rules


@pytest.fixture(scope="module")
def together(tmp_path_factory):
    return snapshot_of(tmp_path_factory.mktemp("many") / "all", list(READINGS))


def same(one, other, path=""):
    """Compare two values field by field, numbers to 1e-12."""
    if dataclasses.is_dataclass(one):
        for field in dataclasses.fields(one):
            if not field.name.startswith("heated"):  # of the mean of all places
                same(getattr(one, field.name), getattr(other, field.name), f"{path}.{field.name}")
    elif isinstance(one, dict):
        assert one.keys() == other.keys(), path
        for key, value in one.items():
            same(value, other[key], f"{path}.{key}")
    elif isinstance(one, tuple | list):
        assert len(one) == len(other), path
        for i, (a, b) in enumerate(zip(one, other, strict=True)):
            same(a, b, f"{path}[{i}]")
    elif isinstance(one, float | np.ndarray):
        np.testing.assert_allclose(one, other, rtol=1e-12, atol=1e-12, err_msg=path)
    else:
        assert one == other, path


@pytest.mark.parametrize("place", list(READINGS))
def test_a_place_among_many_is_as_it_is_alone(place, together, tmp_path):
    many_latest, many, many_seen, _ = together
    latest, alone, seen, rules = snapshot_of(tmp_path / "one", [place])

    def here(airs):
        return [one for one in airs if one.place.id == place]

    same(here(latest), here(many_latest), "latest")
    same(here(alone.airs), here(many.airs), "air")
    same(here(alone.sensors), here(many.sensors), "sensors")
    for rule_id, rule in rules.items():
        if rule.of in (Of.PLACE, Of.SENSOR):
            own = [one for one in seen[rule_id] if one.subject.split("/")[0] == place]
            among = [one for one in many_seen[rule_id] if one.subject.split("/")[0] == place]
            same(own, among, rule_id)


def test_the_made_shop_is_as_awkward_as_it_is_meant_to_be(together):
    latest, sight, _, _ = together
    at = {one.place.id: one for one in latest}
    airs = {one.place.id: one for one in sight.airs}
    assert (at["never"].sensor, at["half"].sensor, at["split"].sensor) == ("", "", "")
    assert (at["beside"].sensor, at["slow-clock"].sensor) == ("b", "b")
    assert [place for place, one in at.items() if one.in_doubt] == ["stuck", "wet"]
    assert {place for place, one in airs.items() if one.old} == {"old", "long-ago"}
    assert airs["hand"].by_hand
    assert math.isnan(airs["cold"].moisture_pct)
    assert len(at["uneven"].at_ms) < min(len(READINGS["uneven"]), 144) / 2
    assert at["calibrated"].u_calibrated.keys() == {T}
    assert airs["wet"].safe is not None
    assert airs["wet"].safe.surface == "measured"
    assert {one.place.id for one in sight.sensors}.isdisjoint({"never", "long-ago"})


def test_derived_values_of_many_are_those_of_the_formulas_for_one(together):
    latest, sight, _, _ = together
    known = 0
    for one, found in zip(latest, sight.airs, strict=True):
        if not one.sensor or one.place.id in ("cold", "hand", "calibrated"):
            continue
        temp, rh = one.newest[T][1], min(one.newest[RH][1], 100.0)
        known += 1
        wanted = (
            air.dew_point(temp, rh),
            air.frost_point(temp, rh),
            wood.equilibrium_moisture_content(temp, rh),
            uncertainty.dew_point_uncertainty(temp, rh, 0.3, 2.0),
            uncertainty.moisture_content_uncertainty(temp, rh, 0.3, 2.0),
            math.nan
            if one.place.kind != "outdoors" or temp >= found.heated_to_c
            else air.relative_humidity_at(temp, rh, found.heated_to_c),
        )
        same(
            tuple(float(value) for value in wanted),
            (
                found.dew_point_c,
                found.frost_point_c,
                found.moisture_pct,
                found.u_dew_point_k,
                found.u_moisture_pct,
                found.heated_rh_pct,
            ),
            one.place.id,
        )
    assert known > 8


def test_no_place_at_all_is_no_fault(tmp_path):
    settings = load(data=tmp_path, config=None, environ={})
    settings = dataclasses.replace(settings, places=())
    with (
        contextlib.closing(Writer(settings.store_path)),
        contextlib.closing(Reader(settings.store_path)) as reader,
    ):
        assert air_now(recent(reader, settings, NOW), settings, NOW) == []
