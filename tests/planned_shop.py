"""A small invented shop to plan: Monday 30 November 2026, open 09:00 to 17:00 UTC on weekdays."""

from __future__ import annotations

from datetime import UTC, datetime

from monitor.planning.problem import Problem, RepairToPlan, Seconds, StepToPlan, steady_wait

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
MONDAY_MS = round(datetime(2026, 11, 30, tzinfo=UTC).timestamp() * 1000)
NOW_MS = MONDAY_MS + 9 * HOUR_MS
STOCK = {"crack clamps": 8, "spool clamps": 32, "drying cupboard": 1}


def weekdays(weeks=6, opens=9, closes=17):
    """Opening hours of whole weeks."""
    days = (MONDAY_MS + (7 * week + day) * DAY_MS for week in range(weeks) for day in range(5))
    return tuple((at + opens * HOUR_MS, at + closes * HOUR_MS) for at in days)


def at(day, hour):
    """Time of a day, counted from Monday, 0. [ms]"""
    return MONDAY_MS + day * DAY_MS + round(hour * HOUR_MS)


def step(id_, minutes=30, wait_h=0.0, **more):
    """A step whose wait takes 0.8 to 1.25 of its usual time."""
    wait = steady_wait(wait_h * 2880, wait_h * 3600, wait_h * 4500, wait_h * 1800)
    work = Seconds(minutes * 48, minutes * 60, minutes * 84)
    return StepToPlan(
        id=id_, name=id_.capitalize(), hands_on=work, wait=wait if wait_h else None, **more
    )


def repair(id_, *steps, **more):
    """A repair with its steps."""
    return RepairToPlan(id=id_, name=id_.capitalize(), steps=steps, **more)


def problem(*repairs, **more):
    """The shop with repairs."""
    fields = {"now_ms": NOW_MS, "open": weekdays(), "people": 1, "stock": STOCK}
    return Problem(repairs=repairs, **(fields | more))
