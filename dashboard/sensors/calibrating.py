"""Calibration of a sensor on its page: guide, points, corrections and their plot."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html

from dashboard.sensors import text
from dashboard.ui import formats
from dashboard.ui.controls import action_button, folded, tap_row
from monitor.core.measurements import MEASURES, Quantity
from monitor.domain.sensor_requests import BOUNDS
from monitor.science.calibration.fit import BadFit, CalibrationFit, Point, fitted
from monitor.science.calibration.salts import SALTS
from monitor.science.calibration.settling import SettlingStage
from monitor.sensor_care.calibration import expects

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.sensors import SensorDetails


ADVISED = [name for name, salt in SALTS.items() if salt.advised]


def guide() -> Component:
    """Steps of a calibration, and the cautions."""
    return folded(
        "How to calibrate, and cautions",
        html.Ol([html.Li(step) for step in text.STEPS], className="how"),
        html.Ul([html.Li(c) for c in text.CAUTIONS], className="wood-cautions"),
        html.P(text.DEFERS, className="aside"),
        open=True,
    )


def taps(one: SensorDetails, *, writer: bool) -> list[Component]:
    """The points so far, and what can be done next."""
    history = one.history
    parts: list[Component] = []
    if history.taken:
        parts.append(html.H3("Points"))
        parts.append(
            html.Ul(
                [
                    html.Li(
                        f"{t.point.name}: it read {t.point.reading:.1f}, should be "
                        f"{t.point.reference:.1f} ± {2 * t.point.u_reference:.1f} "
                        f"{MEASURES[t.quantity].unit}"
                    )
                    for t in history.taken
                ],
                className="sensor-points",
            )
        )
    if not writer:
        return parts
    about = {"about": "sensor", "sensor": history.id}
    first: list[Component] = []
    if one.jar is not None and one.jar.rest is SettlingStage.STEADY:
        first.append(
            action_button("Take the point", "take", said="Point taken.", name="tap main", **about)
        )
    for quantity in BOUNDS:
        if history.points(quantity):
            first += _fits(quantity, history.points(quantity), about)
    if history.in_jar:
        first.append(
            action_button("Put the sensor back at its place", "back", said="Put back.", **about)
        )
    if history.taken or history.in_jar:
        first.append(
            action_button(
                "Stop calibrating",
                "abandon",
                sure="Tap again to discard the points",
                said="Calibration stopped.",
                **about,
            )
        )
    temp = one.latest.get(Quantity.TEMPERATURE, (0, 20.0))[1]
    others = [name for name in SALTS if name not in ADVISED]
    parts.append(tap_row(first))
    parts.append(html.H3("Seal it now over"))
    parts.append(tap_row([_salt(n, temp, about) for n in ADVISED]))
    parts.append(
        folded(
            "Another salt", tap_row([_salt(n, temp, about) for n in others]), unfold="other-salts"
        )
    )
    return parts


def _fits(quantity: Quantity, points: list[Point], about: dict[str, str]) -> list[Component]:
    try:
        word = (
            "slope and offset"
            if fitted(points, BOUNDS[quantity]).var_slope and _spans(quantity, points)
            else "offset alone"
        )
    except BadFit as exc:
        return [
            html.P(f"No correction of the {quantity} yet: {exc}.", className="fault", role="alert")
        ]
    return [
        action_button(
            f"Correct the {quantity}: {word}",
            "fit",
            quantity=str(quantity),
            form="fit-form",
            said="Corrected from now on.",
            name="tap main",
            **about,
        )
    ]


def _spans(quantity: Quantity, points: list[Point]) -> bool:
    reads = [point.reading for point in points]
    return len(points) > 1 and max(reads) - min(reads) >= BOUNDS[quantity].span


def _salt(name: str, temp_c: float, about: dict[str, str]) -> Component:
    salt, rh = SALTS[name], expects(name, temp_c)
    label = f"{salt.name.capitalize()}, {formats.figure(rh, 0)} %"
    return action_button(label, "seal", salt=name, said=f"In the jar over {salt.name}.", **about)


def shown_fit(one: SensorDetails) -> tuple[list[Point], CalibrationFit | None, str]:
    """The points under way and what they would make; else those of the correction that holds."""
    points = one.history.points(Quantity.HUMIDITY)
    if points:
        try:
            fit = fitted(points, BOUNDS[Quantity.HUMIDITY])
        except BadFit as exc:
            return points, None, f"These points do not give a correction: {exc}."
    else:
        held = one.history.in_force(Quantity.HUMIDITY)
        if not held:
            return [], None, ""
        points, fit = list(held[-1].points), held[-1].fit
    offsets = "; ".join(f"{p.name} off by {p.reference - p.reading:+.1f} %" for p in points)
    u = float(fit.uncertainty(50.0))
    return (
        points,
        fit,
        f"Humidity: {offsets}. At 50 % the correction is good to ±{u:.1f} % (k = 2).",
    )
