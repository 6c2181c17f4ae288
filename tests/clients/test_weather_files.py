"""Weather files: TMY3 as packaged with pvlib, and the same year written as EPW."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from client_fixtures import GREENSBORO, SAND_POINT, packaged

from monitor.clients.weather_files import WeatherFault, read
from monitor.science.case.home import home_of, home_year

TMY3_WITHOUT_DEW = (
    b'1,"TOWN",XX,-5.0,36.1,-79.9,273\nDate (MM/DD/YYYY),Time (HH:MM),Dry-bulb (C)\n'
    b"01/01/1988,01:00,5.0\n"
)


def as_epw(tmy3: bytes, *, fahrenheit: bool = False) -> bytes:
    """The year of a TMY3 file in the columns of EPW.

    Source of the columns: EnergyPlus, Auxiliary Programs, "EPW CSV Format". Second-hand: as quoted
    in pvlib's `read_epw`.
    """
    lines = tmy3.decode().splitlines()
    names = lines[1].split(",")
    at = [names.index(n) for n in ("Dry-bulb (C)", "Dew-point (C)", "RHum (%)", "Pressure (mbar)")]
    out = ["LOCATION,Wrensfield,-,USA,TMY3,723170,36.1,-79.95,-5.0,273.0"]
    out += [f"HEADER {i}" for i in range(7)]
    for line in lines[2:]:
        cells = line.split(",")
        month, day, _ = cells[0].split("/")
        hour = int(cells[1][:2])
        t, td, rh, p = (float(cells[i]) for i in at)
        if fahrenheit:
            t, td = 1.8 * t + 32, 1.8 * td + 32
        rest = ",".join("0" for _ in range(25))
        out.append(
            f"2001,{int(month)},{int(day)},{hour},0,?,{t:.1f},{td:.1f},{rh:g},{100 * p:g},{rest}"
        )
    return "\n".join(out).encode()


def test_a_packaged_tmy3_file_is_read():
    year = read(packaged(GREENSBORO), GREENSBORO)
    assert year.name == "GREENSBORO PIEDMONT TRIAD INT, NC"
    assert (year.latitude, year.longitude, year.altitude_m) == (36.1, -79.95, 273.0)
    t, vapour = year.outdoors.monthly()
    assert year.outdoors.temp_c.mean() == pytest.approx(14.42, abs=0.01)
    assert (year.outdoors.temp_c.min(), year.outdoors.temp_c.max()) == (-16.7, 35.6)
    assert t.argmin() == 0
    assert 2.5 < vapour[6] / vapour[0] < 6  # a damp summer


def test_epw_gives_the_same_year_as_the_tmy3_it_was_written_from():
    tmy3, epw = read(packaged(GREENSBORO)), read(as_epw(packaged(GREENSBORO)))
    assert epw.name == "Wrensfield, USA"
    assert np.array_equal(tmy3.outdoors.temp_c, epw.outdoors.temp_c)
    assert np.allclose(tmy3.outdoors.vapour_pa, epw.outdoors.vapour_pa)


def test_a_home_by_a_cold_sea_is_damper_in_winter_than_one_inland():
    homes = {
        name: home_year(home_of("normal"), read(packaged(name)).outdoors, members=8).monthly()
        for name in (GREENSBORO, SAND_POINT)
    }
    assert homes[SAND_POINT][0].median > homes[GREENSBORO][0].median - 2
    assert homes[SAND_POINT][6].median < homes[GREENSBORO][6].median


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"time,temp\n2020-01-01,3\n", "must be EPW .* or TMY3"),
        (b"", "must be EPW"),
        (as_epw(packaged(GREENSBORO), fahrenheit=True), "Is the file in Fahrenheit"),
        (as_epw(packaged(SAND_POINT), fahrenheit=True), "Is the file in Fahrenheit"),
        (as_epw(packaged(GREENSBORO))[:300_000], "hours: must be a year of 8760|cannot be read"),
        (b"LOCATION,x\n" * 12, "cannot be read as EPW"),
        (b"x" * 9_000_000, "at most 8000000"),
        (TMY3_WITHOUT_DEW, "cannot be read as TMY3: .*temp_dew"),
    ],
)
def test_what_cannot_be_a_weather_file_is_told(content, said):
    with pytest.raises(WeatherFault, match=said):
        read(content, "sky.epw")


def test_short_gaps_are_bridged_and_long_ones_told_with_their_line():
    lines = as_epw(packaged(GREENSBORO)).decode().splitlines()

    def without(first: int, hours: int) -> bytes:
        cut = list(lines)
        for i in range(first, first + hours):
            cells = cut[i].split(",")
            cells[6] = "99.9"
            cut[i] = ",".join(cells)
        return "\n".join(cut).encode()

    year = read(without(1000, 6))
    assert np.isfinite(year.outdoors.temp_c).all()
    with pytest.raises(WeatherFault, match="line 1007: temperature is missing for more than 6 h"):
        read(without(1000, 7))


def test_without_the_reader_it_is_said_how_to_install_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "pvlib.iotools", None)
    with pytest.raises(WeatherFault, match=r"pip install .*\[weather-files\]"):
        read(packaged(GREENSBORO), "their.epw")
