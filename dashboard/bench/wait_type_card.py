"""Card of a kind to print: its ready times in steady air, and their limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from dash import html

from dashboard.ui import formats
from dashboard.ui.tables import wide_table
from monitor.science.waits.glue import GlueLaw, strict_and_additive_hours
from monitor.science.waits.parameters import parameters

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from monitor.domain.wait_types import WaitType


CARD_TEMPS_C = (10, 12, 14, 16, 18, 20, 22, 24, 26)
CARD_RHS_PCT = (30, 40, 50, 55, 60, 65, 70, 75, 80)
GOOD_THEN_DAMP = ((2.0, 20.0, 50.0), (1.0, 14.0, 72.0))
"""An evening that turns: hours, °C, % RH; the last air lasts."""


def card(kind: WaitType, unit: formats.Unit) -> list[Component]:
    """Speed in constant air relative to reference air, as a card, and where the card misleads."""
    temps, rhs = np.array(CARD_TEMPS_C, float), np.array(CARD_RHS_PCT, float)
    rates = kind.law.relative_rate(temps[:, None], rhs[None, :])
    rows = [
        [
            html.Th(formats.whole_temperature(t, unit), scope="row"),
            *(
                html.Td(
                    "hold" if r <= 0 else formats.figure(float(r), 2),
                    className="held" if r <= 0 else "",
                )
                for r in line
            ),
        ]
        for t, line in zip(
            CARD_TEMPS_C, np.broadcast_to(rates, (len(temps), len(rhs))), strict=True
        )
    ]
    caption = "Speed in constant air, relative to reference air: 0.5 takes twice the usual time."
    return [
        html.P(caption),
        wide_table(["Air", *(f"{rh} %" for rh in CARD_RHS_PCT)], rows, "Quick card", "card"),
        html.P(formats.in_reader_unit(card_limits(kind), unit), className="aside"),
    ]


def card_limits(kind: WaitType) -> str:
    """Describe where the card differs from the law."""
    law = kind.law
    if not isinstance(law, GlueLaw):
        return "Ready times use the same formula, moment by moment, with the air as it was."
    basis_h = kind.basis_s / 3600
    plain = GlueLaw(**{p.name: p.value for p in parameters(law)} | {"wood_memory_h": 0.0})
    good, damp = GOOD_THEN_DAMP
    pieces = ((basis_h / 2, *good[1:]), damp)
    strict, additive = strict_and_additive_hours(plain, basis_h, pieces)
    ends = "never gets ready" if math.isinf(strict) else f"takes {formats.hours(3600 * strict)}"
    card_h = "no end" if math.isinf(additive) else formats.hours(3600 * additive)
    return (
        "The card adds hours up. A glue line does not. An example: half the usual time in "
        f"{good[1]:g} °C, {good[2]:g} % and then {damp[1]:g} °C, {damp[2]:g} %. By the card this "
        f"takes {card_h}; by the formula it {ends}. With good air first, the card's time is too "
        "short; with bad air first, it is too long. Ready times use the formula."
    )
