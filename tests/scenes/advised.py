"""Bridge from the product's sheets to the scenes: asks as a client would, and carries the advice out.

The only file of the package that knows the product.
"""

from __future__ import annotations

import re
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.clients.calculation import SheetCalculation, calculate_sheet
from monitor.clients.home_climate import HomeSources
from monitor.clients.request import read_sheet_request
from monitor.clients.sheet import Sheet, sheet_of
from monitor.science.case.devices import Buffer, Humidifier
from monitor.science.case.measures import HomeMeasure
from monitor.science.case.outdoors import from_hours, from_normals
from monitor.science.case.rooms import COOLEST_C, SMALL_ROOM_M3, WARMEST_C, RoomChange
from scenes.cases import InCase, Measures, Packs
from scenes.climates import weather_of
from scenes.homes import Home, RoomDevice, normals, typed

PARIS = ZoneInfo("Europe/Paris")
MADE_MS = 1_793_455_200_000
"""31 October 2026."""
READINGS = {
    "one January": (1,),
    "one July": (7,),
    "four seasons": (1, 4, 7, 10),
    "twelve months": tuple(range(1, 13)),
}
TAKE_OUT = re.compile(
    r"take (?:it|the humidifier) out while (?:it|the hygrometer) reads above (\d+)", re.IGNORECASE
)


class Asked(NamedTuple):
    """A client's question and the sheet that answers it. `weather`: none, normals or hourly."""

    home: Home
    readings: str
    weather: str
    worked: SheetCalculation
    sheet: Sheet

    @property
    def page(self) -> str:
        """All sentences of the page."""
        s = self.sheet
        sections = (s.to_do, s.avoid, s.journeys, s.holds, s.signs)
        lines = [line for section in sections for line in section.lines]
        return " ".join((s.lead, *lines, s.plot_words, s.fills_words, *s.small))

    @property
    def name(self) -> str:
        return f"{self.home.name}; {self.readings}; {self.weather}"


def ask(home: Home, readings: str, weather: str = "none", *, members: int = 12, **more) -> Asked:
    """The sheet for what a client would type: the readings, the home's size, people and tightness."""
    leak = home.changes_h
    request: dict = {
        "people": home.people,
        "volume_m3": float(home.volume_m3),
        "tightness": "leaky" if leak > 0.8 else "tight" if leak < 0.35 else "normal",
        **more,
    }
    if home.heat_c is not None:
        request["set_point_c"] = home.heat_c
    outdoors = None
    if weather == "normals":
        outdoors = from_normals(*normals(home))
    elif weather == "hourly":
        air = weather_of(home.climate, home.seed)
        outdoors = from_hours(air.temp_c, air.rh_pct)
    if readings == "weather alone":
        request["source"] = "weather"
    else:
        for month, (temp, rh) in typed(home, READINGS[readings]).items():
            request[f"temp.{month}"], request[f"rh.{month}"] = temp, rh
    worked = calculate_sheet(
        read_sheet_request(request), HomeSources(outdoors=outdoors), members=members
    )
    sheet = sheet_of(worked, "Kestrel Row", MADE_MS, PARIS)
    return Asked(home, readings, weather, worked, sheet)


def measures_of(asked: Asked) -> Measures:
    """The advised device in the case, and what the page says on taking it out; no change of room."""
    advised = asked.worked.advised
    found = TAKE_OUT.search(asked.page)
    limit = float(found[1]) if found else None
    device = None
    if isinstance(advised.device, Humidifier):
        d = advised.device
        device = InCase(d.water_ml, d.release_g_day_pct, d.every_d, d.months, d.release_times)
    elif isinstance(advised.device, Buffer):
        d = advised.device
        device = Packs(
            d.capacity_g_pct, d.set_pct, d.every_d, d.months, d.settles_d, d.release_times
        )
    return Measures(device, None, limit)


def carried_out(asked: Asked, obedient: bool = True) -> tuple[Home, Measures] | None:
    """The home and what is done in its case and room, where the advised measure is carried out.

    None for a humidifier beside a buffer: the scenes have one device in the case. A small room is
    taken as the whole home with an appliance as strong for it. The lazy set a humidifier once, and
    look at no pane.
    """
    advised, home = asked.worked.advised, asked.home
    if advised.kind is HomeMeasure.BOTH:
        return None
    room = None
    change = advised.room
    if change is not None:
        times = (
            1.0 if advised.kind is HomeMeasure.ROOM else max(home.volume_m3 / SMALL_ROOM_M3, 1.0)
        )
        if advised.kind in (HomeMeasure.COOLER_ROOM, HomeMeasure.WARMER_ROOM):
            usual_c = home.heat_c or 18.0
            least_k = min(max(COOLEST_C - usual_c, change.warmer_k), 0.0)
            kelvin = least_k if change.warmer_k < 0 else min(change.warmer_k, WARMEST_C - usual_c)
            home = home._replace(heat_c=usual_c, warmer=(kelvin, change.months))
        elif advised.kind is HomeMeasure.AIR_CONDITIONED:
            home = home._replace(cool_c=25.0, windows_shut=True)
        elif advised.kind is HomeMeasure.DEHUMIDIFIER:
            home = home._replace(windows_shut=change.months)
            room = _dries(change, times)
        else:
            room = RoomDevice(
                change.litres_day * times,
                change.set_pct,
                change.months,
                asked.worked.cold_steps if obedient else (),
                watched=obedient and "Turn it down when water shows on windows" in asked.page,
            )
            if change.also is not None:
                home = home._replace(windows_shut=change.also.months)
                room = room._replace(also=_dries(change.also, times))
    return home, measures_of(asked)._replace(room=room)


def _dries(change: RoomChange, times: float) -> RoomDevice:
    return RoomDevice(-max(change.litres_day, 10.0) * times, change.set_pct, change.months)
