"""Members and quantiles of forecasts: read by each edge, validated, kept, written back the same."""

from __future__ import annotations

import io
import json
import tracemalloc

import numpy as np
import pytest
from forecast_fixtures import GOOD_JSON, HEAD, ISSUED, Shop, csv_of
from weather_server import HOUR, NOW, met, stamp

from monitor.core.errors import BadPayload
from monitor.domain.forecast import members_at_moments, position
from monitor.domain.forecast_source import Element, ForecastSource, source_faults
from monitor.domain.topic_rules import Pick, TimePick
from monitor.outlook.weather import json_pointer
from monitor.outlook.weather.drop_folder import read
from monitor.outlook.weather.formats import from_csv, from_json, write_csv
from monitor.outlook.weather.members import RawMembers, members_of
from monitor.outlook.weather.providers import READY
from monitor.outlook.weather.validation import validated
from monitor.science.air import dew_point
from monitor.store import forecasts

HOURS = 9
TIMES = [{"valid_at": one["valid_at"]} for one in GOOD_JSON["hours"]]
SIX = [{"temp_c": [4.0 + 0.5 * i] * HOURS, "rh_pct": [78.0 + i] * HOURS} for i in range(6)]


def take(**more):
    (found,) = from_json(json.dumps(GOOD_JSON | more).encode(), "roof", NOW)
    return found


def refused(**more):
    with pytest.raises(BadPayload) as caught:
        take(**more)
    return str(caught.value)


def changed(number, **more):
    return [one | more if i == number else one for i, one in enumerate(SIX)]


def test_members_are_taken_beside_the_forecast_itself():
    found = take(members=SIX)
    assert found.temp_c.tolist() == [5.0] * HOURS
    assert found.members.temp_c.shape == (6, HOURS)
    assert found.members.temp_c[:, 3].tolist() == [4.0, 4.5, 5.0, 5.5, 6.0, 6.5]
    assert np.isnan(found.members.wind_m_s).all()


def test_without_a_forecast_of_its_own_it_is_the_mean_of_the_members():
    found = take(members=SIX, hours=TIMES)
    assert found.temp_c == pytest.approx(np.full(HOURS, 5.25))
    dew = dew_point(found.members.temp_c, found.members.rh_pct).mean(axis=0)
    assert found.dew_point_c == pytest.approx(dew)


def test_members_may_end_early_have_gaps_or_tell_a_dew_point():
    some = changed(0, temp_c=[4.0, None, 4.0], rh_pct=[80, 80, 80, 80])
    some[1] = {"temp_c": [5.0] * HOURS, "dew_point_c": [2.0] * HOURS, "wind_m_s": [3.0] * HOURS}
    some[2] = {}
    found = take(members=some)
    assert len(found.members.temp_c) == 5
    assert "1 of 6 members have no value: left out" in found.notes
    assert np.isnan(found.members.temp_c[0]).tolist() == [False, True, False, *[True] * 6]
    assert found.members.dew_point_c[1] == pytest.approx(np.full(HOURS, 2.0))
    assert found.members.wind_m_s[1, 0] == 3.0


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"members": SIX[:1]}, "1 members: must be 2 to 100"),
        ({"members": SIX * 17}, "102 members: must be 2 to 100"),
        ({"members": {"1": []}}, "members must be a list of objects"),
        ({"members": [*SIX, 5]}, "member 7: must be an object of temp_c"),
        ({"members": SIX, "quantiles": SIX}, "has members and quantiles"),
        ({"members": changed(2, pressure_hpa=[1000])}, "member 3: 'pressure_hpa' is not known"),
        ({"members": changed(2, level=0.5)}, "member 3: level belongs to quantiles"),
        ({"members": changed(2, temp_c=5)}, "member 3: temp_c must be a list of at most 9"),
        ({"members": changed(2, temp_c=[5] * 10)}, "member 3: temp_c must be a list of at most 9"),
        ({"members": changed(2, temp_c=[5, "warm"])}, "member 3, hour 2: temp_c"),
        ({"members": [{"rh_pct": [80] * HOURS}] * 3}, "the members have no temp_c"),
        ({"members": changed(2, rh_pct=[140] * HOURS)}, "9 of 108 values"),
        (
            {"members": [*SIX[:5], {"temp_c": [140] * HOURS, "rh_pct": [140] * HOURS}]},
            "18 of 108 values of members are not plausible: member 6, hour 1: temperature = 140 °C, "
            "must be -45 to 60 °C",
        ),
        (
            {"members": [{"temp_c": [41] * HOURS, "rh_pct": [80] * HOURS}] * 3},
            "the members' mean of temp_c is 36.0 K above the forecast's own in half of the hours: must "
            "be within 5 K",
        ),
        (
            {"members": [{"temp_c": [5] * HOURS, "rh_pct": [40] * HOURS}] * 3},
            "the members' mean of the dew point is 9",
        ),
        ({"quantiles": [{"temp_c": [5]}, {"temp_c": [5]}]}, "quantile 1: level"),
        (
            {"quantiles": [{"level": 10, "temp_c": [5]}, {"level": 90, "temp_c": [5]}]},
            "level = 10: must be 0.01 to 0.99",
        ),
        (
            {"quantiles": [{"level": 0.9, "temp_c": [5]}, {"level": 0.1, "temp_c": [5]}]},
            "levels of quantiles must rise",
        ),
        (
            {"quantiles": [{"level": 0.5, "temp_c": [5]}, {"level": 0.5001, "temp_c": [6]}]},
            "each must be at least 0.01 above",
        ),
        (
            {"quantiles": [{"level": 0.1, "temp_c": [5]}, {"level": 0.9, "temp_c": [4]}]},
            "quantile 2, hour 1: temperature = 4 at level 0.9 is below 5 at level 0.1: must rise",
        ),
    ],
)
def test_wrong_members_are_refused_with_what_where_and_what_is_allowed(more, why):
    if why == "9 of 108 values":  # a twelfth: left out, and said
        found = take(**more)
        assert "left out (9): member 3, hour 1: humidity = 140 %, must be 0.5 to 105 %" in str(
            found.notes
        )
        assert np.isnan(found.members.rh_pct[2]).all()
    else:
        assert why in refused(**more)


def test_a_name_of_any_length_makes_a_short_reason():
    assert len(refused(members=changed(2, **{"x" * 5000: [5]}))) < 200


@pytest.mark.slow
def test_too_many_hours_are_refused_before_a_table_is_made_of_them():
    hour = {"valid_at": "2026-01-05T14:00:00Z", "temp_c": 5, "rh_pct": 80}
    many = [{"temp_c": []}] * 100
    tracemalloc.start()
    try:
        reason = refused(hours=[hour] * 40_000, members=many)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert "40000 hours: at most 3000 are accepted" in reason
    assert most < 50e6  # [bytes]  the table of the members alone would have 32 MB for each element


def test_quantiles_become_members_with_just_these_quantiles_at_each_hour():
    levels = {0.1: 3.0, 0.5: 5.0, 0.9: 9.0}
    told = [
        {"level": p, "temp_c": [v + 0.1 * i for i in range(HOURS)], "dew_point_c": [v / 2] * HOURS}
        for p, v in levels.items()
    ]
    found = take(quantiles=told)
    temp = found.members.temp_c
    assert len(temp) == 20
    for p, v in levels.items():
        # Ranks (i + 0.5) / 20: the levels lie between two members each, or on the middle.
        share = (temp <= v + 0.1 * np.arange(HOURS) + 1e-9).mean(axis=0)
        assert share == pytest.approx(np.full(HOURS, p), abs=0.026)
    # A member goes on from hour to hour: it does not jump about within the range.
    ranks = np.argsort(np.argsort(temp, axis=0), axis=0)
    assert np.abs(np.diff(ranks, axis=1)).mean() < 4
    assert "20 members are drawn through its quantiles 10 %, 50 %, 90 %" in found.notes


def test_warm_members_drawn_through_quantiles_are_the_damp_ones_more_often_than_not():
    ends = np.array([[0.0], [1.0]]) * np.ones(2_000)
    for element, share in ((Element.DEW_POINT, 0.4), (Element.HUMIDITY, -0.4)):
        raw = RawMembers({Element.TEMPERATURE: ends + 20, element: ends + 9}, (0.1, 0.9))
        found = members_of(raw, [])
        damp = found.rh_pct if element is Element.HUMIDITY else found.dew_point_c
        together = np.corrcoef(found.temp_c.ravel(), damp.ravel())[0, 1]
        assert together == pytest.approx(share, abs=0.15)


def test_a_csv_with_members_comes_back_as_it_was():
    first = take(members=[*SIX, {"temp_c": [4.25, None, 4.5], "rh_pct": [80, 80, 80]}])
    second = take(issued_at=stamp(ISSUED - HOUR))
    out = io.StringIO()
    assert write_csv([first, second], out) == 2 * HOURS
    again = from_csv(out.getvalue().encode(), "roof", NOW)
    assert again[1].members is None
    for one, other in zip(first.members, again[0].members, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-6)


def csv_members(*rows, header="issued_at,valid_at,temp_c,rh_pct,member"):
    own = csv_of(HOURS, rh="80,", header=header)
    return own + "".join(
        f"{stamp(ISSUED)},{stamp(ISSUED + h * HOUR)},{rest}\n" for h, rest in rows
    )


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (csv_members((0, "5,80,one"), (0, "5,80,2")), "line 11: member 'one' must be a whole"),
        (
            csv_members((0, "5,80,1"), (0, "5,80,1"), (0, "5,80,2")),
            "line 12: member 1 has this time",
        ),
        (
            csv_members((0, "5,80,1"), (30, "5,80,2")),
            "line 12: member 2 has a time that the forecast",
        ),
        (csv_members((0, "5,80,1")), "1 members: must be 2 to 100"),
        (
            csv_of(3001, rh="80,", header="issued_at,valid_at,temp_c,rh_pct,member")
            + f"{stamp(ISSUED)},{stamp(ISSUED)},5,80,1\n",
            "3001 hours: at most 3000",
        ),
        (
            csv_of(HOURS, rh="80,,", header="issued_at,valid_at,temp_c,rh_pct,member,quantile"),
            "its header has member and quantile",
        ),
        (
            csv_members(
                (0, "5,80,0.9"),
                (0, "6,80,0.1"),
                header="issued_at,valid_at,temp_c,rh_pct,quantile",
            ),
            "quantile 0.9, hour 1: temperature = 5 at level 0.9 is below 6 at level 0.1",
        ),
    ],
)
def test_a_csv_with_wrong_members_is_refused_by_its_line(text, why):
    with pytest.raises(BadPayload, match=why):
        from_csv(text.encode(), "f", NOW)


def test_a_dropped_csv_of_members_alone_is_a_forecast_of_their_mean():
    rows = [
        f"{stamp(ISSUED)},{stamp(ISSUED + h * HOUR)},{4 + m},80,{m}"
        for m in (1, 2)
        for h in range(HOURS)
    ]
    text = "\n".join(["issued_at,valid_at,temp_c,rh_pct,member", *rows])
    (found,) = read("some.csv", text.encode(), "folder", NOW)
    assert found.temp_c == pytest.approx(np.full(HOURS, 5.5))
    assert found.members.temp_c[:, 0].tolist() == [5.0, 6.0]


def test_the_service_that_gives_percentiles_is_read_with_them():
    document = met()
    for i, hour in enumerate(document["properties"]["timeseries"]):
        details = hour["data"]["instant"]["details"]
        low, high = details["air_temperature"] - 1, details["air_temperature"] + 3
        if i == 5:
            low, high = high, low  # what cannot be: this hour has none
        details |= {"air_temperature_percentile_10": low, "air_temperature_percentile_90": high}
    place = position(60.1, 10.0)
    told = READY["met-norway"].read(json.dumps(document).encode(), place, 100)
    found = validated("met", told, NOW)
    above = (found.members.temp_c > found.temp_c + 3).mean(axis=0)
    assert above[[0, 4, 6]] == pytest.approx([0.1] * 3)
    assert np.isnan(found.members.temp_c[:, 5]).all()
    assert np.isnan(found.members.rh_pct).all()  # it gives none of humidity


POINTED = ForecastSource(
    id="wide",
    url="https://weather.example/",
    time=TimePick(pointer="/hourly/time", unit="iso"),
    elements={
        Element.TEMPERATURE: Pick(pointer="/hourly/t", unit="Cel"),
        Element.DEW_POINT: Pick(pointer="/hourly/d", unit="Cel"),
    },
    members=3,
    member_elements={
        Element.TEMPERATURE: Pick(pointer="/hourly/t_{member:02}", unit="F"),
        Element.DEW_POINT: Pick(pointer="/runs/{index}/d", unit="Cel"),
    },
)


def test_members_are_found_by_pointers_in_any_json():
    assert source_faults(POINTED) == []
    times = [one["valid_at"] for one in TIMES]
    hourly = {"time": times, "t": [5] * HOURS, "d": [1] * HOURS}
    hourly |= {f"t_0{i}": [39.2 + 1.8 * i] * HOURS for i in (1, 2, 3)}
    document = {"hourly": hourly, "runs": [{"d": [i] * HOURS} for i in range(3)]}
    raw = json_pointer.read(POINTED, json.dumps(document).encode(), ISSUED)
    found = validated("wide", raw, NOW)
    assert found.members.temp_c[:, 0] == pytest.approx([5.0, 6.0, 7.0])
    assert found.members.dew_point_c[:, 0] == pytest.approx([0.0, 1.0, 2.0])
    del hourly["t_03"]
    with pytest.raises(BadPayload, match="t_03"):
        json_pointer.read(POINTED, json.dumps(document).encode(), ISSUED)


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"members": 1}, "members must be 2 to 100"),
        ({"member_elements": {}}, "members and member_elements belong together"),
        (
            {"member_elements": {Element.TEMPERATURE: Pick(pointer="/t", unit="Cel")}},
            "pointer '/t' of member_elements must have",
        ),
        (
            {"member_elements": {Element.DEW_POINT: Pick(pointer="/d{member}", unit="Cel")}},
            "member_elements has no temperature",
        ),
    ],
)
def test_settings_of_members_that_cannot_be_are_told(more, why):
    fields = {name: getattr(POINTED, name) for name in POINTED.__dataclass_fields__}
    assert why in "; ".join(source_faults(ForecastSource(**fields | more)))


def test_members_are_kept_by_the_store_and_drawn_between_their_hours(tmp_path):
    shop = Shop(tmp_path, HEAD)
    found = take(members=[*SIX, {"temp_c": [4.0, None, 6.0], "rh_pct": [80, 80, 80]}])
    shop.intake.keep([found], NOW)
    kept = forecasts.last_of(shop.reader, "roof")
    np.testing.assert_allclose(kept.members.temp_c, found.members.temp_c, rtol=1e-7)
    assert forecasts.recent(shop.reader, 1)[0].members == 7
    halves = members_at_moments(kept, ISSUED + HOUR // 2 * np.array([1, 3, 5, 6]))
    assert halves.temp_c[0].tolist() == [4.0] * 4
    assert np.isnan(halves.temp_c[6]).tolist() == [True, True, True, True]
    at_hours = members_at_moments(kept, ISSUED + HOUR * np.array([0, 2]))
    assert at_hours.temp_c[6].tolist() == [4.0, 6.0]
    shop.writer.close()
    shop.reader.close()
