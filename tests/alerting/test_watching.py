"""What rules see of the air and of sensors."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.alerting.air_quantities import WatchedAir, concerns, values_of
from monitor.alerting.observations import furthest
from monitor.domain.alerts.rule import OUTLOOK, WATCHABLE, Of, Rule, Test
from monitor.domain.alerts.rule_state import Seen
from monitor.domain.places import Place
from monitor.science.sensor_health import saturated_s, standstill_s

PLACES = [name for name, one in WATCHABLE.items() if one.of is Of.PLACE]


def rows(low, high, first=0):
    table = np.zeros(len(low), [("ts_ms", "i8"), ("low", "f8"), ("high", "f8")])
    table["ts_ms"] = first + 600_000 * np.arange(len(low))
    table["low"], table["high"] = low, high
    return table


@pytest.mark.parametrize("quantity", PLACES)
def test_every_quantity_of_a_place_has_a_value_and_none_where_air_is_unknown(quantity):
    air = WatchedAir(
        [20.0, np.nan], [50.0, np.nan], [12.0, np.nan], [101_325.0, np.nan], [45.0, np.nan]
    )
    value, unknown = values_of(quantity, air)
    if quantity == "frost_point" or quantity in OUTLOOK:  # none above the triple point; no trace
        assert np.isnan(value)
    else:
        assert np.isfinite(value)
    assert np.isnan(unknown)


def test_the_coldest_surface_counts_if_one_is_measured():
    # Source: WMO-No. 8, saturation at 20 °C / 50 % RH: dew point 9.27 °C (as in test_science_air).
    warm, cold = (
        float(values_of("dew_margin", WatchedAir(20.0, 50.0, t))) for t in (np.nan, 11.0)
    )
    assert warm == pytest.approx(20 - 9.27, abs=0.01)
    assert cold == pytest.approx(11 - 9.27, abs=0.01)


def test_no_mould_grows_where_it_is_too_cold_or_too_hot_for_it():
    margin = values_of("mould_margin", WatchedAir([-5.0, 20.0, 55.0], [99.0, 85.0, 90.0]))
    assert list(margin > 0) == [False, True, False]
    assert margin[1] == pytest.approx(5.0, abs=0.1)  # 80 % there, to the rounding of the cubic


def test_a_rule_is_for_the_places_and_kinds_it_names_and_else_for_all_indoors():
    def rule(*only):
        return Rule(id="r", name="R", quantity="humidity", test=Test.BELOW, low=30.0, only=only)

    bench, corner, out = (
        Place(id="b"),
        Place(id="c", kind="varnish"),
        Place(id="o", kind="outdoors"),
    )
    assert [concerns(rule(), p) for p in (bench, corner, out)] == [True, True, False]
    assert [concerns(rule("varnish"), p) for p in (bench, corner, out)] == [False, True, False]
    assert [concerns(rule("o", "b"), p) for p in (bench, corner, out)] == [True, False, True]


def test_places_together_are_the_one_furthest_out():
    rule = Rule(
        id="r", name="R", quantity="temperature", test=Test.ABOVE, high=30.0, together=True
    )
    seen = [Seen("a", "A", 29.0), Seen("b", "B", 31.0), Seen("c", "C", np.nan)]
    (one,) = furthest(rule, seen)
    assert (one.subject, one.label, one.value) == ("shop", "B", 31.0)
    assert np.isnan(furthest(rule, seen[2:])[0].value)
    assert furthest(rule, []) == []


@pytest.mark.parametrize(
    ("low", "high", "hours"),
    [
        ([50, 50, 50], [50, 50, 50], 0.5),
        ([49, 50, 50], [50, 50, 50], 1 / 3),
        ([50, 50, 49], [50, 50, 50], 0),
        ([50, 50, 51], [50, 50, 51], 1 / 6),
    ],
)
def test_a_standstill_is_counted_back_to_the_last_move(low, high, hours):
    assert standstill_s(rows(low, high)) == pytest.approx(3600 * hours)


def test_saturation_is_counted_back_to_the_last_dry_value():
    assert saturated_s(rows([95, 99, 100, 99.5], [99, 100, 100, 100])) == 1800
    assert saturated_s(rows([99, 99, 98], [99, 100, 100])) == 0
    assert np.isnan(saturated_s(rows([], [])))
    assert np.isnan(standstill_s(rows([], [])))
