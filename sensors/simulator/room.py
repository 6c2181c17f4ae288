"""Heat and water of simulated shops: two coupled rooms each, stepped on the absolute time grid.

Arithmetic only. The bench room and the varnish corner each hold air at one temperature and one
vapour pressure, bare wood (and paper, and plaster) at one equilibrium humidity, and below that
skin what takes water slowly, at another. One shop goes in plain floats, many at once in arrays of
shape (shops,): a `Value` is either, and the same lines work out both.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias, TypeVar

import numpy as np

from monitor.science.air import R_VAPOUR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Value: TypeAlias = float | Floats

T = TypeVar("T")
Pair: TypeAlias = tuple[T, T]
"""The same thing of the bench room and of the varnish corner."""

G_PER_PA_M3 = 1000 / (R_VAPOUR * 293.15)
"""Water that one more pascal of vapour pressure puts into 1 m³ of 20 °C air. [g/(Pa m³)]

A room's dry air is counted as if it were at 20 °C: warming then leaves the vapour pressure as it
is, and the water balance closes exactly. Against air at its own temperature G/(nV) is off by the
ratio of absolute temperatures, under 4 % from 10 to 32 °C.
"""

AIR_J_M3_K = 1200.0
"""Heat that 1 m³ of air takes per kelvin. [J/(m³ K)]  Common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class SimulatedRoom:
    """Construction of a room. All numbers are invented for the demo, in the usual range."""

    volume_m3: Value
    buffer_g_pct: Value
    """Water the room's materials take up per 1 % of RH. [g/%]"""
    buffer_rate_g_h_pct: Value
    """Flow into them per 1 % between the air and the wood. [g/(h %)]"""
    loss_w_k: Value
    """Heat lost outdoors through glass and thin walls. [W/K]"""
    air_j_k: Value
    """Air, furniture and the skin of the walls. [J/K]"""
    mass_j_k: Value
    """The thickness of the walls. [J/K]"""
    mass_w_k: Value
    """Between skin and wall. [W/K]"""
    mass_loss_w_k: Value
    """Between wall and outdoors. [W/K]"""
    deep_g_pct: Value = 1.0
    """Water that thick wood and plaster take up below their skin per 1 %. [g/%]"""
    deep_rate_g_h_pct: Value = 0.0
    """Flow into it per 1 % between skin and depth; none in the demo. [g/(h %)]"""


BENCH_ROOM = SimulatedRoom(
    volume_m3=60.0,
    buffer_g_pct=90.0,
    buffer_rate_g_h_pct=24.0,
    loss_w_k=50.0,
    air_j_k=2.2e6,
    mass_j_k=16.0e6,
    mass_w_k=240.0,
    mass_loss_w_k=26.0,
)
VARNISH_CORNER = SimulatedRoom(
    volume_m3=15.0,
    buffer_g_pct=10.0,
    buffer_rate_g_h_pct=4.0,
    loss_w_k=8.0,
    air_j_k=0.5e6,
    mass_j_k=2.5e6,
    mass_w_k=55.0,
    mass_loss_w_k=5.0,
)

HEATER_W = 3600.0
"""While it is on. [W]"""
HEATER_BAND_K = 0.35
"""The thermostat switches this far below and above what it is set to. [K]"""
CORNER_SHARE = 0.17
"""Part of the heater's power that its radiator behind the curtain gives. [-]"""
HUMIDIFIER_G_H = 260.0
"""At its most. [g/h]"""
HUMIDIFIER_STOPS_PCT = 48.0
"""Where the humidifier gives nothing more; all it can, 8 % below. [%]"""
FILL_BELOW_PCT = 41.0
"""Its tank is filled only when the hygrometer on the wall reads less. [%]"""
TANK_G = 3500.0
"""How much its tank holds. [g]"""
WINDOW_M3_H = 190.0
"""Through an open window: about three room volumes an hour. [m³/h]"""
MIXING_M3_H = 55.0
"""Both ways past the curtain of the varnish corner. [m³/h]"""
CURTAIN_W_K = 14.0
"""Through the curtain, beside what that air carries. [W/K]"""
NEIGHBOUR_C, NEIGHBOUR_W_K = 22.0, 18.0
"""The flat above the bench room, lived in all year. [°C], [W/K]"""


@dataclass(frozen=True, kw_only=True)
class Fittings:
    """Equipment of the rooms, and their leakage; by default as above, in the demo's shop.

    Air change through leaks, of the bench room and of the corner: `leak_h` at rest [1/h],
    `leak_h_k` more for each kelvin between in and out [1/(h K)], `leak_h_m_s` for each m/s of wind
    [1/(h m/s)].
    """

    heater_w: Value = HEATER_W
    corner_share: Value = CORNER_SHARE
    humidifier_g_h: Value = HUMIDIFIER_G_H
    humidifier_stops_pct: Value = HUMIDIFIER_STOPS_PCT
    fill_below_pct: Value = FILL_BELOW_PCT
    tank_g: Value = TANK_G
    window_m3_h: Value = WINDOW_M3_H
    mixing_m3_h: Value = MIXING_M3_H
    curtain_w_k: Value = CURTAIN_W_K
    neighbour_w_k: Value = NEIGHBOUR_W_K
    leak_h: Pair[Value] = (0.10, 0.25)
    leak_h_k: Pair[Value] = (0.007, 0.010)
    leak_h_m_s: Pair[Value] = (0.030, 0.050)


class Arithmetic(NamedTuple):
    """The functions that differ between one shop, in plain floats, ten times faster than an array
    of one, and many."""

    exp: Callable[[Any], Any]
    log: Callable[[Any], Any]
    least: Callable[[Any, Any], Any]
    most: Callable[[Any, Any], Any]


ONE = Arithmetic(math.exp, math.log, min, max)
MANY = Arithmetic(np.exp, np.log, np.minimum, np.maximum)


def saturation_pa(temp_c: Value, by: Arithmetic = ONE) -> Any:
    """Vapour pressure of saturated air over water, −45 to 60 °C. [Pa]

    Sonntag 1990, ten times faster for a plain float than `monitor.science`; the two agree within
    0.03 % (tested).
    """
    t = temp_c + 273.15
    return 100 * by.exp(
        -6096.9385 / t + 16.635794 - 2.711193e-2 * t + 1.673952e-5 * t * t + 2.433502 * by.log(t)
    )


def water_step(
    step_h: float,
    rooms: Pair[SimulatedRoom],
    pressures: Pair[Value],
    woods: Pair[Value],
    saturations: Pair[Value],
    outdoor_pa: Value,
    fresh_m3_h: Pair[Value],
    across_m3_h: Pair[Value],
    sources_g_h: Pair[Value],
) -> tuple[Pair[Value], Pair[Value]]:
    """Vapour pressures [Pa] and wood humidities [%] of both rooms, one step on.

    `fresh_m3_h` is the outdoor air each room takes in, `across_m3_h` what it takes in from the
    other; what comes in and does not go to the other room leaves outdoors. In each room

        k V de/dt = k q (e_o − e) + k x (e_other − e) + G − B,   B = K (RH − b),   C db/dt = B

    with k = `G_PER_PA_M3` and RH = 100 e/e_s: the balance with one buffer node, taken implicitly,
    so that any step is stable and what one account loses another gains.
    """
    own, given = [], []
    for i in (0, 1):
        room, per_h = rooms[i], G_PER_PA_M3 * rooms[i].volume_m3 / step_h
        rate = room.buffer_rate_g_h_pct
        taken = rate / (1 + rate * step_h / room.buffer_g_pct)
        fresh = G_PER_PA_M3 * fresh_m3_h[i]
        own.append(per_h + fresh + G_PER_PA_M3 * across_m3_h[i] + 100 * taken / saturations[i])
        given.append(per_h * pressures[i] + fresh * outdoor_pa + sources_g_h[i] + taken * woods[i])
    into_a, into_b = G_PER_PA_M3 * across_m3_h[0], G_PER_PA_M3 * across_m3_h[1]
    det = own[0] * own[1] - into_a * into_b
    new_a = (given[0] * own[1] + into_a * given[1]) / det
    new_b = (given[1] * own[0] + into_b * given[0]) / det
    wood_a = _wood(step_h, rooms[0], woods[0], 100 * new_a / saturations[0])
    wood_b = _wood(step_h, rooms[1], woods[1], 100 * new_b / saturations[1])
    return (new_a, new_b), (wood_a, wood_b)


def _wood(step_h: float, room: SimulatedRoom, wood_pct: Value, rh_pct: Value) -> Value:
    share = room.buffer_rate_g_h_pct * step_h / room.buffer_g_pct
    return (wood_pct + share * rh_pct) / (1 + share)


def deep_step(step_h: float, room: SimulatedRoom, wood_pct: Value, deep_pct: Value) -> Pair[Value]:
    """Humidities of a room's wood at its skin and below, one step on; what one loses the other
    gains. [%]  Explicit: slow against a step."""
    sunk_g = room.deep_rate_g_h_pct * step_h * (wood_pct - deep_pct)
    return wood_pct - sunk_g / room.buffer_g_pct, deep_pct + sunk_g / room.deep_g_pct


def heat_step(
    step_s: float,
    room: SimulatedRoom,
    air_c: Value,
    mass_c: Value,
    outdoor_c: Value,
    other_c: Value,
    fresh_m3_h: Value,
    other_w_k: Value,
    gains_w: Value,
) -> Pair[Value]:
    """Temperatures of a room's air and walls, one step on. [°C]

    `other_w_k` joins the air to a neighbour at `other_c`. [W/K]  The air is taken implicitly, the
    walls, slow, explicitly.
    """
    out_w_k = room.loss_w_k + AIR_J_M3_K / 3600 * fresh_m3_h
    per_s = room.air_j_k / step_s
    pull = per_s * air_c + out_w_k * outdoor_c + room.mass_w_k * mass_c + other_w_k * other_c
    new_c = (pull + gains_w) / (per_s + out_w_k + room.mass_w_k + other_w_k)
    wall_w = room.mass_w_k * (new_c - mass_c) + room.mass_loss_w_k * (outdoor_c - mass_c)
    return new_c, mass_c + step_s / room.mass_j_k * wall_w


class RoomDrive(NamedTuple):
    """Boundary conditions of the rooms in each step; every field has shape (n,), or (n, shops).

    Outdoor air is that at the end of the step. `gains_w` [W] and `sources_g_h` [g/h] are without
    heater and humidifier; `may_open`: someone is there to open a window; `fill`: the humidifier's
    tank is filled if the air is dry.
    """

    outdoor_c: Floats
    outdoor_pa: Floats
    wind_m_s: Floats
    set_c: Floats
    gains_w: Floats
    corner_gains_w: Floats
    sources_g_h: Floats
    airing_m3_h: Floats
    extraction_m3_h: Floats
    may_open: Floats
    fill: Floats


class RoomState(NamedTuple):
    """State of the rooms between two steps.

    Temperature of air and walls [°C], vapour pressure [Pa], humidity of wood at its skin and below
    [%], whether heater and window are on and open, and the water in the humidifier's tank [g].
    """

    air_c: Pair[Value]
    mass_c: Pair[Value]
    pressures_pa: Pair[Value]
    woods_pct: Pair[Value]
    deeps_pct: Pair[Value]
    heating: Any
    window: Any
    tank_g: Value


class Run(NamedTuple):
    """Course of both rooms.

    State at the n + 1 ends of n steps, shape (n + 1, 2), and the flows in each step, shape (n, 2);
    column 0 is the bench room, 1 the varnish corner. Of many shops, (…, 2, shops).
    """

    temp_c: Floats
    vapour_pressure_pa: Floats
    wood_pct: Floats
    deep_pct: Floats
    fresh_m3_h: Floats
    across_m3_h: Floats
    sources_g_h: Floats


def at_rest(drive: RoomDrive) -> RoomState:
    """Initial state of rooms of which nothing is known."""
    by = MANY if drive.outdoor_c.ndim > 1 else ONE
    air = by.most(drive.outdoor_c[0].tolist(), 16.0)
    wood = 45.0 + 0.0 * air
    pressure = 0.45 * saturation_pa(air, by)
    off = air < -math.inf
    return RoomState(
        (air, air),
        (air, air),
        (pressure, pressure),
        (wood, wood),
        (wood, wood),
        off,
        off,
        0.0 * air,
    )


def run(
    drive: RoomDrive,
    step_s: float,
    rooms: Pair[SimulatedRoom] = (BENCH_ROOM, VARNISH_CORNER),
    fittings: Fittings = Fittings(),
) -> Run:
    """The rooms under `drive`, from a start in rest at its first step."""
    return stepped(drive, step_s, at_rest(drive), rooms, fittings)[0]


def stepped(
    drive: RoomDrive,
    step_s: float,
    start: RoomState,
    rooms: Pair[SimulatedRoom],
    fittings: Fittings,
) -> tuple[Run, RoomState]:
    """Course of the rooms under `drive` from `start`, and their state at the end."""
    many = drive.outdoor_c.ndim > 1
    by, f, step_h = MANY if many else ONE, fittings, step_s / 3600
    bench, corner = rooms
    (air_a, air_b), (mass_a, mass_b), pressures, woods, deeps, heating, window, tank_g = start
    still, warm, windy = f.leak_h, f.leak_h_k, f.leak_h_m_s
    curtain_w_k = f.curtain_w_k + AIR_J_M3_K / 3600 * f.mixing_m3_h
    saturations = (saturation_pa(air_a, by), saturation_pa(air_b, by))
    states: list[tuple[Value, ...]] = [(air_a, air_b, *pressures, *woods, *deeps)]
    flows: list[tuple[Value, ...]] = []
    columns: Any = drive if many else (column.tolist() for column in drive)
    for out_c, out_pa, wind, set_c, gain_a, gain_b, wet, airing, extract, there, fill in zip(
        *columns, strict=True
    ):
        # Heater: on and off with a band. Window: opened against warmth while it helps.
        heating = air_a < set_c + HEATER_BAND_K * (2 * heating - 1)
        heater_w = heating * f.heater_w
        drier = (there > 0) & (out_pa < pressures[0] + 100)
        stays = window & (air_a > 21.0) & (out_c < air_a)
        opens = (air_a > 23.0) & (out_c > 11) & (out_c < air_a - 1)
        window = drier & (stays | opens)
        # Humidifier: a wick in a tank, which gives less the damper the air.
        rh_a = 100 * pressures[0] / saturations[0]
        filled = (fill > 0) & (rh_a < f.fill_below_pct)
        tank_g = filled * f.tank_g + (1 - filled) * tank_g
        wick_g_h = f.humidifier_g_h * by.least(
            by.most((f.humidifier_stops_pct - rh_a) / 8, 0.0), 1.0
        )
        humidifier_g_h = by.least(wick_g_h, tank_g / step_h)
        tank_g = tank_g - humidifier_g_h * step_h
        # Air change: leaks grow with the temperature difference and the wind. What the varnish
        # corner's extraction draws comes in at the bench and passes the curtain.
        apart = abs(air_a - out_c)
        leaks_a = bench.volume_m3 * (still[0] + warm[0] * apart + windy[0] * wind)
        leaks_b = corner.volume_m3 * (still[1] + warm[1] * apart + windy[1] * wind)
        fresh = (leaks_a + airing + extract + window * f.window_m3_h, leaks_b)
        across = (f.mixing_m3_h + 0.0 * extract, f.mixing_m3_h + extract)
        sources = (wet + humidifier_g_h, 0.0 * extract)

        was_a = air_a
        air_a, mass_a = heat_step(
            step_s,
            bench,
            air_a,
            mass_a,
            out_c,
            air_b,
            fresh[0],
            curtain_w_k,
            gain_a + (1 - f.corner_share) * heater_w + f.neighbour_w_k * (NEIGHBOUR_C - air_a),
        )
        air_b, mass_b = heat_step(
            step_s,
            corner,
            air_b,
            mass_b,
            out_c,
            was_a,
            fresh[1],
            curtain_w_k + AIR_J_M3_K / 3600 * extract,
            gain_b + f.corner_share * heater_w,
        )
        saturations = (saturation_pa(air_a, by), saturation_pa(air_b, by))
        pressures, woods = water_step(
            step_h, rooms, pressures, woods, saturations, out_pa, fresh, across, sources
        )
        wood_a, deep_a = deep_step(step_h, bench, woods[0], deeps[0])
        wood_b, deep_b = deep_step(step_h, corner, woods[1], deeps[1])
        woods, deeps = (wood_a, wood_b), (deep_a, deep_b)
        states.append((air_a, air_b, *pressures, *woods, *deeps))
        flows.append((*fresh, *across, *sources))
    state, flow = np.array(states), np.array(flows)
    end = RoomState(
        (air_a, air_b), (mass_a, mass_b), pressures, woods, deeps, heating, window, tank_g
    )
    ran = (*(state[:, i : i + 2] for i in (0, 2, 4, 6)), *(flow[:, i : i + 2] for i in (0, 2, 4)))
    return Run(*ran), end
