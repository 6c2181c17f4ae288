"""The form of a client's sheet in the units of those who read °F."""

from __future__ import annotations

import pytest

from dashboard.clients import forms, view
from monitor.clients.request import ClientFault, read_sheet_request

# Source: NIST Handbook 44, appendix C, from memory: 1 gal = 3.78541 L, 1 ft³ = 0.0283168 m³,
# 1 fl oz = 29.5735 mL, 1 oz = 28.3495 g.
TYPED = {
    "set_point_c": ("68", 20.0),
    "volume_m3": ("5300", 150.08),
    "humidified_l_day": ("2", 7.5708),
    "device_water_ml": ("0.68", 20.11),
    "device_lost_g": ("0.35", 9.922),
    "device_mass_g": ("4.2", 119.07),
    "temp.12": ("−4", -20.0),
    "out.12": ("0", -17.778),
}


def test_what_is_typed_in_the_readers_units_is_read_in_ours():
    """Rung: published table, from memory."""
    form = forms.form_of({}, "F") | {name: text for name, (text, _) in TYPED.items()}
    request, faults = forms.request_of(form | {"device": "humidifier"}, "F")
    assert not faults
    for name, (_, value) in TYPED.items():
        assert request[name] == pytest.approx(value, rel=1e-3)
    metric, _ = forms.request_of(form | {"device": "humidifier"}, "C")
    assert metric["humidified_l_day"] == 2.0
    assert metric["volume_m3"] == 5300.0


def test_a_request_is_shown_again_as_it_was_typed():
    request = {name: value for name, (_, value) in TYPED.items()}
    assert {n: forms.form_of(request, "F")[n] for n in TYPED} == {
        name: text for name, (text, _) in TYPED.items()
    }


def test_usual_homes_stay_guesses_in_any_unit():
    for unit in ("C", "F"):
        form = forms.form_of({}, unit)
        assert "volume_m3" in forms.guessed_fields(form, unit)
        for home in forms.HOMES:
            preset = dict(zip(forms.PRESET_FIELDS, forms.preset_form(home, unit), strict=True))
            assert {"volume_m3", "set_point_c"} <= {*forms.guessed_fields(form | preset, unit)}


def test_every_label_has_the_readers_unit_and_no_other():
    fields = (*forms.HOME, *forms.OWN, *forms.OWN_BUFFER)
    in_c, in_f = (str([view._field(one, unit) for one in fields]) for unit in ("C", "F"))
    for ours, theirs in (
        ("[L a day]", "[gal a day]"),
        ("[m³]", "[ft³]"),
        ("[mL]", "[fl oz]"),
        ("[g]", "[oz]"),
        ("[°C]", "[°F]"),
    ):
        assert theirs in in_f
        assert ours not in in_f
        assert ours in in_c


def test_a_fault_is_said_in_the_units_in_which_the_value_was_typed():
    form = forms.form_of({}, "F") | {"rh.1": "40", "temp.1": "150", "device": "humidifier"}
    form |= {
        "volume_m3": "10",
        "humidified_l_day": "50",
        "set_point_c": "150",
        "device_lost_g": "-3",
    }
    request, faults = forms.request_of(form, "F")
    assert not faults
    with pytest.raises(ClientFault) as caught:
        read_sheet_request(request)
    found = forms.faults_in(caught.value.fields, "F")
    assert found["volume_m3"] == "10: must be 530 to 177000 ft³"
    assert found["humidified_l_day"] == "50: must be 0 to 26.4 gal a day"
    assert found["set_point_c"] == "150: must be 41 to 86 °F"
    assert found["temp.1"] == "150: must be 14 to 113 °F"
    assert found["device_lost_g"] == "-3: must be above 0 oz"
    assert forms.faults_in(caught.value.fields, "C") == caught.value.fields
