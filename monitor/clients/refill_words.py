"""Texts on refilling for the sheet's calendar and the reminders."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from monitor.clients.measure_words import rhythm
from monitor.clients.reminders import days_of
from monitor.core import formats
from monitor.science.case.devices import Buffer

if TYPE_CHECKING:
    from datetime import date

    from monitor.clients.calculation import SheetCalculation


def fills_of(worked: SheetCalculation, made: date) -> tuple[str, ...]:
    """A mark for each month; none where nothing is refilled, or every day."""
    refills, say = worked.refills, worked.request.language
    if refills is None or worked.advised.room is not None:
        return ()
    times = Counter(day.month for day in days_of(refills, made))
    return tuple(say.number(times[m]) if times[m] else "–" for m in range(1, 13))


def fills_words(worked: SheetCalculation, made: date) -> str:
    """Sentence on the months and the number of refills."""
    refills, say = worked.refills, worked.request.language
    if refills is None:
        return ""
    months = say.listed(refills.months)
    if worked.advised.room is not None:
        return say.text("Empty, clean and fill it every day ({months}).", months=months)
    count = len(days_of(refills, made))
    visits = say.many("{n} refill in the next year", "{n} refills in the next year", count)
    return f"{formats.first_upper(months)}: {rhythm(refills.every_d, say)}, {visits}."


def summary_of(worked: SheetCalculation) -> str:
    """Title of a reminder."""
    say, advised = worked.request.language, worked.advised
    if advised.room is not None:
        return say.text("Clean and fill the room humidifier")
    if isinstance(advised.device, Buffer):
        return say.text("Renew the humidity buffer in the case")
    return say.text("Fill the humidifier in the case")
