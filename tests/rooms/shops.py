"""Rooms with slabs, drafts, doors, switching heaters and people, many stepped side by side."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from monitor.science.air import vapour_pressure
from monitor.science.saturation import saturation_vapour_pressure
from rooms.weather import HOUR_MS, START_MS, Weather

STEP_MIN = 10
K_AIR = 1000 / (461.52 * 293.15)
"""Water that one more pascal puts into 1 m³ of air. [g/(Pa m³)]"""
SLABS = 3
TANK_G = 4000.0
NODE_MM = np.array([0.3, 0.6, 1.2, 2.4, 4.8, 9.6])


@dataclass(kw_only=True)
class ShopSpec:
    """Construction and use of a room. Invented, in the usual range. Areas of surfaces [m²]."""

    volume_m3: float = 60.0
    leak_h: float = 0.15
    stack_h_k: float = 0.07  # 1/h per sqrt(K)
    wind_h: float = 0.06  # 1/h per m/s
    wood_m2: float = 40.0
    plaster_m2: float = 60.0
    paper_m2: float = 8.0
    loss_w_k: float = 60.0
    air_j_k: float = 2.0e6
    mass_j_k: float = 1.5e7
    mass_w_k: float = 220.0
    mass_loss_w_k: float = 25.0
    neighbour_w_k: float = 15.0
    neighbour_m3_h: float = 5.0
    heater_w: float = 3500.0
    on_off: float = 1.0
    day_c: float = 20.0
    night_c: float = 16.0
    weekend_c: float = 15.0
    sun_w: float = 600.0
    people: float = 1.4
    work_days: float = 5.5
    doors_h: float = 3.0  # openings an hour while open
    door_m3: float = 8.0
    glue_days: float = 0.5  # part of days with the glue pot on
    glue_g_h: float = 130.0
    humidifier_g_h: float = 0.0
    humidifier_pct: float = 45.0
    wick: float = 0.0  # 1: it gives in proportion to what the air lacks, all of it at 1 kPa
    window: float = 1.0  # opened when it is warm
    utc_offset_h: float = 1.0
    open_h: float = 9.0
    shut_h: float = 18.0
    rh_offset_pct: float = 0.0
    rh_noise_pct: float = 0.3
    rh_step_pct: float = 0.1


def simulate(specs: list[ShopSpec], weathers: list[Weather], seed: int) -> tuple[np.ndarray, ...]:
    """Simulates rooms: times [ms], readings of each room's sensor each 10 minutes, and the truth.

    (times, temp_c, rh_pct, filled_g, change_h, there): the last three are water put into the
    humidifier's tank, to the brim each time, the true air change with outdoors, and whether
    somebody is there.

    All but the times have shape (steps, rooms), after 40 days of settling that use the first days
    of the weather again.
    """
    p = {f.name: np.array([getattr(s, f.name) for s in specs]) for f in fields(ShopSpec)}
    rooms, hours = len(specs), len(weathers[0].temp_c)
    per_h = 60 // STEP_MIN
    settle = 40 * 24 * per_h
    n = hours * per_h
    at = np.arange(n) / per_h

    def fine(name: str) -> np.ndarray:
        columns = [np.interp(at, np.arange(hours), getattr(w, name)) for w in weathers]
        return np.stack(columns, axis=1)

    t_out, dew, wind, clear = (fine(c) for c in ("temp_c", "dew_point_c", "wind_m_s", "clear"))
    e_out = vapour_pressure(dew, 100.0)
    acts = _acts(p, n, seed, clear)
    order = np.concatenate([np.arange(settle), np.arange(n)])
    random = np.random.default_rng(seed + 1)

    area = np.stack([p["wood_m2"], p["plaster_m2"], p["paper_m2"]], axis=1)
    layers = len(NODE_MM)
    density = np.array([430.0, 900.0, 600.0])[None, :, None]
    slope = np.array([0.155, 0.015, 0.14])[None, :, None]
    delta = np.array([0.9e-12, 2.0e-11, 4.0e-12])[None, :, None]
    thick = NODE_MM[None, None, :] / 1000 * np.array([1.0, 6.0, 1.0])[None, :, None]
    capacity = density * slope * thick * 1000  # g/m² per unit humidity
    film = 2.2e-8  # kg/(m² s Pa)
    step_s = 60.0 * STEP_MIN
    phi = np.full((rooms, SLABS, layers), 0.5)
    t = np.full(rooms, 18.0)
    mass = t.copy()
    e = 0.5 * saturation_vapour_pressure(t)
    heating = np.zeros(rooms, dtype=bool)
    open_window = np.zeros(rooms, dtype=bool)
    tank = np.zeros(rooms)
    out_t, out_rh, filled, change = (np.empty((n, rooms)) for _ in range(4))
    resist_mid = (thick[..., 1:] + thick[..., :-1]) / 2 / delta
    resist_top = thick[..., 0] / 2 / delta[..., 0] + 1 / film
    volume = p["volume_m3"]
    parts = 3
    h = step_s / parts
    conduct = (area / resist_top) * 1000  # g/(s Pa), (rooms, slabs)
    conduct_all = conduct.sum(1)
    k_v, k_n = K_AIR * volume / h, K_AIR * p["neighbour_m3_h"] / 3600
    e_next_door = 0.45 * 2480.0
    into = np.empty_like(phi)
    for k, i in enumerate(order.tolist()):
        gap = np.abs(t - t_out[i])
        n_h = p["leak_h"] + np.sqrt(p["stack_h_k"] ** 2 * gap + (p["wind_h"] * wind[i]) ** 2)
        there = acts["there"][i]
        open_window = (
            (there > 0)
            & (p["window"] > 0)
            & (t_out[i] > 10)
            & (t > np.where(open_window, 21.5, 24.0))
            & (t_out[i] < t + 1)
        )
        flow = n_h * volume + acts["doors"][i] + np.where(open_window, 2.5 * volume, 0.0)
        goal = acts["set"][i]
        band = np.where(heating, 0.4, -0.4)
        heating = t < goal + band
        power = np.where(
            p["on_off"] > 0,
            np.where(heating, p["heater_w"], 0.0),
            np.clip((goal + 0.5 - t) / 1.0, 0, 1) * p["heater_w"],
        )
        w_out = p["loss_w_k"] + 0.333 * flow
        cap = p["air_j_k"] / step_s
        pull = (
            cap * t
            + w_out * t_out[i]
            + p["mass_w_k"] * mass
            + p["neighbour_w_k"] * 21.0
            + power
            + acts["gain"][i]
        )
        t = pull / (cap + w_out + p["mass_w_k"] + p["neighbour_w_k"])
        mass = mass + step_s / p["mass_j_k"] * (
            p["mass_w_k"] * (t - mass) + p["mass_loss_w_k"] * (t_out[i] - mass)
        )
        e_sat = 611.2 * np.exp(17.62 * t / (243.12 + t))
        rh = 100 * e / e_sat
        to_the_brim = (acts["fill"][i] > 0) & (rh < p["humidifier_pct"])
        put_in = np.where(to_the_brim, TANK_G - tank, 0.0)
        tank = np.where(to_the_brim, TANK_G, tank)
        hygrostat = np.clip((p["humidifier_pct"] + 4 - rh) / 8, 0, 1)
        part = np.where(p["wick"] > 0, np.maximum(e_sat - e, 0) / 1000, hygrostat)
        wet = part * p["humidifier_g_h"]
        wet = np.minimum(wet, tank / (step_s / 3600))
        tank = tank - wet * step_s / 3600
        sources = acts["steam"][i] + wet
        k_f = K_AIR * flow / 3600
        es = e_sat[:, None, None]
        # Slabs: explicit inside, in parts of a step; the air implicit with the film.
        for _ in range(parts):
            bend = 1 + 6 * (phi - 0.45) ** 2  # the isotherm is steeper at both ends
            e = (
                k_v * e
                + k_f * e_out[i]
                + k_n * e_next_door
                + sources / 3600
                + (conduct * phi[..., 0]).sum(1) * e_sat
            ) / (k_v + k_f + k_n + conduct_all)
            between = es * (phi[..., :-1] - phi[..., 1:]) / resist_mid * 1000
            into[..., 1:] = between
            into[..., 0] = (e[:, None] - e_sat[:, None] * phi[..., 0]) / resist_top * 1000
            into[..., :-1] -= between
            phi = phi + h * into / (capacity * bend)
        j = k - settle
        if j >= 0:
            out_t[j], out_rh[j], filled[j], change[j] = t, 100 * e / e_sat, put_in, flow / volume
    sensed_t = out_t + 0.2 * random.normal(size=rooms) + random.normal(0, 0.05, out_t.shape)
    sensed_rh = out_rh + p["rh_offset_pct"] + random.normal(0, 1, out_rh.shape) * p["rh_noise_pct"]
    step = p["rh_step_pct"]
    sensed_rh = np.clip(np.round(sensed_rh / step) * step, 1, 100)
    ts_ms = START_MS + HOUR_MS // per_h * np.arange(n)
    return ts_ms, sensed_t.round(2), sensed_rh, filled, change, acts["there"] > 0


def _acts(p: dict[str, np.ndarray], n: int, seed: int, clear: np.ndarray) -> dict[str, np.ndarray]:
    """Actions of the people, by step and room."""
    per_h = 60 // STEP_MIN
    rooms = len(p["volume_m3"])
    names = ("there", "doors", "set", "gain", "steam", "fill")
    acts = {name: np.zeros((n, rooms)) for name in names}
    for r in range(rooms):
        random = np.random.default_rng((seed, r))
        local = np.arange(n) / per_h + p["utc_offset_h"][r]
        day, hour = (local // 24).astype(int), local % 24
        days = day.max() + 2
        come = p["open_h"][r] + random.normal(0, 0.4, days)
        go = p["shut_h"][r] + random.normal(0, 0.7, days)
        works = (random.random(days) > 0.06).astype(int)
        kind = (np.arange(days) + 2) % 7  # 2025-01-01 is a Wednesday
        whole = int(p["work_days"][r])
        works = works * (kind < whole)
        half = (kind == whole) & (p["work_days"][r] % 1 > 0)
        works = np.where(half, 1, works)
        go = np.where(half, come + 4, go)
        away = random.integers(30, 300)
        works[away : away + 9] = 0  # a holiday
        come, go, works = come[day], go[day], works[day] > 0
        there = works & (hour >= come) & (hour < go)
        heads = np.where(random.random(days)[day] < p["people"][r] - 1, 2.0, 1.0)
        heads = there * np.minimum(heads, max(p["people"][r], 1))
        acts["there"][:, r] = there
        opened = random.poisson(p["doors_h"][r] / per_h, n) * there
        acts["doors"][:, r] = opened * p["door_m3"][r] * per_h
        warm = works & (hour > p["open_h"][r] - 1.5) & (hour < go - 0.3)
        night = np.where(works | (kind[day] < whole), p["night_c"][r], p["weekend_c"][r])
        acts["set"][:, r] = np.where(warm, p["day_c"][r], night)
        season = -np.cos(2 * np.pi * (local / 24 - 10) / 365.25)
        height = np.clip(np.cos(np.pi * (hour - 12.5) / (12 + 3 * season)), 0, 1)
        sun = p["sun_w"][r] * height * (0.65 + 0.35 * season) * clear[:, r]
        acts["gain"][:, r] = 90 + heads * 80 + there * 200 + sun
        steam = heads * random.uniform(45, 85)
        pot = random.random(days) < p["glue_days"][r]
        from_h = p["open_h"][r] + random.uniform(0.5, 6, days)
        long_h = random.uniform(1, 3, days)
        on = there & pot[day] & (hour > from_h[day]) & (hour < (from_h + long_h)[day])
        steam = steam + on * p["glue_g_h"][r]
        mop = (random.random(days) < 0.1)[day] & there & (hour > go - 0.7)
        acts["steam"][:, r] = steam + mop * 6.0 * p["volume_m3"][r]
        careful = (random.random(days // 7 + 2) < 0.75)[day // 7]
        acts["fill"][:, r] = there & (hour < come + 0.3) & careful
    return acts
