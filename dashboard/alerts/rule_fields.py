"""The figures of a rule as they are shown and typed: in the reader's units, minutes and hours."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from dashboard.ui import formats
from monitor.domain.alerts.rule import HOLD_MAX_S, NO_TRACE, OVER_MAX_S, Of, Test

if TYPE_CHECKING:
    from dashboard.ui.formats import Unit
    from monitor.domain.alerts.rule import Rule


class FieldScale(NamedTuple):
    """shown = kept · `factor` + `offset`, in `unit`."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0

    def shown(self, kept: float) -> str:
        return f"{kept * self.factor + self.offset:.6g}".replace("-", "−")

    def kept(self, shown: float) -> float:
        return float(f"{(shown - self.offset) / self.factor:.9g}")


MINUTES, HOURS = FieldScale("min", 1 / 60), FieldScale("h", 1 / 3600)
TIMES = {
    "hold_min": ("hold_s", MINUTES, f"0 to {HOLD_MAX_S // 86400} days"),
    "calm_h": ("calm_s", HOURS, f"0 to {HOLD_MAX_S // 86400} days"),
    "over_h": ("over_s", HOURS, f"0 to {OVER_MAX_S // 3600} h"),
    "repeat_h": ("repeat_s", HOURS, f"0 to {HOLD_MAX_S // 86400} days"),
}
"""Fields that are lengths of time: the rule's own name, how it is shown, and what is allowed."""
TEXTS = ("name", "why", "source", "do", "caution")
LABELS = {
    "amount": "Water added",
    "name": "Name",
    "low": "Lower limit",
    "high": "Upper limit",
    "back": "Margin to end",
    "over_h": "Change over",
    "hold_min": "Lasting",
    "calm_h": "Ends after",
    "repeat_h": "Reminder every",
    "urgency": "Urgency",
    "breaks_quiet": "Also in quiet hours",
    "only": "Only at",
    "do": "What to do now",
    "why": "Why",
    "source": "Source",
    "caution": "Caution",
    "like": "Like",
    "note": "Note",
}
"""Label of each field on the page."""


def scale(rule: Rule, unit: Unit, *, difference: bool = False) -> FieldScale:
    """Scale for a value of a rule's quantity, or for a difference, such as a change or margin."""
    degrees = formats.scale("temperature", unit)
    match rule.unit:
        case "°C" if not difference:
            return FieldScale(degrees.unit, degrees.factor, degrees.offset)
        case "°C" | "K":
            return FieldScale(formats.degree_difference(unit), degrees.factor)
        case "Pa":
            return FieldScale("hPa", 0.01)
        case "s":
            return MINUTES
    return FieldScale(rule.unit)


def scales(rule: Rule, unit: Unit) -> dict[str, FieldScale]:
    """Scales of the figures of a rule that can be changed, by the name of their field."""
    limit = scale(rule, unit, difference=rule.over_s > 0)
    found = {}
    if rule.test is not Test.ABOVE:
        found["low"] = limit
    if rule.test is not Test.BELOW:
        found["high"] = limit
    found["back"] = scale(rule, unit, difference=True)
    if rule.of is Of.PLACE and rule.quantity not in NO_TRACE:
        found["over_h"] = HOURS
    return found | {"hold_min": MINUTES, "calm_h": HOURS, "repeat_h": HOURS}


def form_of(rule: Rule, unit: Unit) -> dict[str, str]:
    """Everything that can be changed of a rule, as its page shows it, by the names of its fields."""
    shown = {}
    for field, how in scales(rule, unit).items():
        value = getattr(rule, TIMES[field][0] if field in TIMES else field)
        shown[field] = "" if value is None else how.shown(value)
    shown |= {"urgency": str(rule.urgency), "breaks_quiet": "yes" if rule.breaks_quiet else "no"}
    if rule.of is Of.PLACE:
        shown["only"] = ", ".join(rule.only)
    return shown | {name: getattr(rule, name) for name in TEXTS}
