"""Verification of the outlook by its own record: the weights and the widths that follow."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.outlook.hourly_log import LEADS_H
from monitor.science.outlook.residual_correction import SCALE, usual_error
from monitor.science.outlook.ridge import ridge
from monitor.science.ranges import Floats

KEPT_DAYS = 60
"""So much of its own record an outlook is judged by. [d]  Ours."""

BLEND_DAYS, BLEND_INFORMATION = 12.0, 1.0
"""Shares of plainer forecasts rest on about so many recent days, each moment counting for this
part of what its spacing says. [d], [-]  Ours."""

BLEND_SD = np.array([0.5, 0.5, 1.0])
BLEND_MEAN = np.repeat([[0.3], [0.03], [0.0]], len(LEADS_H), axis=1)
"""Shares (3, leads) before there is a record, and their spread. [-]  Ours: a room just learned is
not trusted alone, so that it is seldom worse than "as it is now"; it costs 1 to 3 % of the error
later."""

BLEND_FADES_DAYS, BLEND_SETTLES_DAYS = 10.0, 60.0
"""The shares before a record fade by this e-fold of its length; their spread halves in the second.
[d], [d]  Ours."""

MOMENTS_A_DAY = np.clip(24.0 / LEADS_H, 1, 8)
"""How many forecasts of a day are wrong each in its own way, by lead. [-]  Ours."""

WIDTH_DAYS, FIRST_WIDTH, RECENT_DAYS = 6.0, 0.9, 20.0
"""The first width counts like so many days of record; older days count less by the e-fold. [d],
[-], [d]  Ours."""

NEW_WIDTH, NEW_FROM_DAYS, NEW_DAYS = np.interp(LEADS_H, [1, 24, 72], [1.0, 1.6, 2.2]), 5.0, 10.0
"""The first width, by lead, with so many days of log, and the e-fold of further days by which it goes
to `FIRST_WIDTH`. [-], [d], [d]  Ours: a few days do not show how wrong a fit can be three days ahead."""

INSIDE = 0.8
"""Part of outcomes that the range from 10 to 90 % should hold. [-]"""


class Trust(NamedTuple):
    """Weights and widths from the record.

    `shares` (2, 3, leads): weights of "as it is now", "as at this hour" and a bias; `widths` (2,
    leads): factors of the spread; of temperature and RH at `LEADS_H`.
    """

    shares: Floats
    widths: Floats


UNTRIED = Trust(np.stack([BLEND_MEAN, BLEND_MEAN]), np.full((2, len(LEADS_H)), FIRST_WIDTH))
"""Before there is a record, with a long log."""


def first_widths(log_days: float) -> Floats:
    """Widths (leads,) before there is a record, by the length of the log. [d]"""
    new = np.exp(-max(log_days - NEW_FROM_DAYS, 0.0) / NEW_DAYS)
    return np.asarray(FIRST_WIDTH + new * (NEW_WIDTH - FIRST_WIDTH))


def untried(log_days: float) -> Trust:
    """Weights and widths before there is a record, by the length of the log. [d]"""
    return UNTRIED._replace(widths=np.stack([first_widths(log_days)] * 2))


def reference_forecasts(values: Floats, ends: np.ndarray, steps: int) -> Floats:
    """Reference forecasts (2, steps, moments): "as it is now" and "as at this hour of the last
    day".

    `values` (n,) by the hour, without gaps; `ends` the hours now.
    """
    lead = np.arange(1, steps + 1)[:, None]
    now = np.broadcast_to(values[ends], (steps, len(ends)))
    same = values[np.maximum(ends + lead - 24 * -(-lead // 24), 0)]
    return np.stack([now, same])


def blended(share: Floats, which: int, ours: Floats, others: Floats) -> Floats:
    """Ours (steps, moments) with the `share` (3, leads) of the others (2, steps, moments)."""
    steps = np.arange(1, len(ours) + 1)
    now, same, bias = (np.interp(steps, LEADS_H, s)[:, None] for s in share)
    return ours + now * (others[0] - ours) + same * (others[1] - ours) + bias * SCALE[which]


class RecordEntry(NamedTuple):
    """Forecasts made at the hours `ends` (moments,), of temperature and RH at `LEADS_H`:
    `fitted` and `given` (the blend that was issued) (2, leads, moments), `others` (2, 2, leads,
    moments), `half` of the 80 % range before it was widened (2, leads, moments)."""

    ends: np.ndarray
    fitted: Floats
    given: Floats
    others: Floats
    half: Floats

    def shifted(self, by: int) -> RecordEntry:
        """The same, its hours counted otherwise."""
        return self._replace(ends=self.ends + by)

    def since(self, end: int) -> RecordEntry:
        """Forecasts made at or after an hour."""
        late = self.ends >= end
        return RecordEntry(self.ends[late], *(field[..., late] for field in self[1:]))


class ForecastRecord:
    """Record of past forecasts, entry by entry, oldest first."""

    def __init__(self) -> None:
        self._entries: list[RecordEntry] = []

    def add(self, entry: RecordEntry) -> None:
        """Keeps one more; those past `KEPT_DAYS` before it go."""
        if not len(entry.ends):
            return
        oldest = int(entry.ends[-1]) - 24 * KEPT_DAYS
        kept = [e.since(oldest) for e in self._entries if e.ends[-1] >= oldest]
        self._entries = [*kept, entry]

    def joined(self) -> RecordEntry | None:
        """All entries as one; None if there are none."""
        if not self._entries:
            return None
        columns = zip(*self._entries, strict=True)
        return RecordEntry(*(np.concatenate(column, axis=-1) for column in columns))

    def judged(self, observed: tuple[Floats, Floats], stop: int) -> Trust:
        """Trust after hour number `stop`; temperature and RH (n,) as read, NaN where not read."""
        entries = self.joined()
        log_days = (stop + 1) / 24
        if entries is None:
            return untried(log_days)
        ends, fitted, given, others, half = entries
        age_d = (stop - ends) / 24
        spacing_d = float(np.median(np.diff(ends))) / 24 if len(ends) > 1 else 1.0
        end = ends + LEADS_H[:, None]
        shares, widths = [], []
        for j in range(2):
            truth = np.where(end <= stop, observed[j][np.minimum(end, stop)], np.nan)
            shares.append(_shares(truth, j, fitted[j], others[j], age_d, spacing_d))
            widths.append(_widths(np.abs(truth - given[j]) / half[j], age_d, spacing_d, log_days))
        return Trust(np.stack(shares), np.stack(widths))


def _shares(
    truth: Floats, which: int, ours: Floats, others: Floats, age_d: Floats, spacing_d: float
) -> Floats:
    """Weights (3, leads): the first two from 0 to 1, together at most 1."""
    leads = len(truth)
    result = np.empty((3, leads))
    weight = BLEND_INFORMATION * spacing_d * np.exp(-age_d / BLEND_DAYS)
    usual = usual_error(which, LEADS_H)
    record_d = float(age_d.max())
    mean = BLEND_MEAN * np.exp(-record_d / BLEND_FADES_DAYS)
    sd = BLEND_SD / (1 + record_d / BLEND_SETTLES_DAYS)
    for i in range(leads):
        near = slice(max(i - 1, 0), i + 2)
        rows = truth[near] - ours[near]
        bias = np.full(rows.shape, SCALE[which])
        x = np.concatenate([others[:, near] - ours[near], bias[None]]).reshape(3, -1)
        noise = np.repeat(usual[near], rows.shape[1])
        information = np.tile(weight, len(rows)) / len(rows)
        information = information * MOMENTS_A_DAY[i]
        fit = ridge(x, rows.ravel(), noise, mean[:, i], sd, information)
        result[:, i] = fit.weight
    part = np.maximum(result[:2], 0)
    part /= np.maximum(part.sum(0), 1)
    return np.concatenate([part, result[2:]])


def _widths(ratio: Floats, age_d: Floats, spacing_d: float, log_days: float) -> Floats:
    """Factors (leads,) by which the range must be wider to have held `INSIDE` of the outcomes."""
    first = first_widths(log_days)
    out = first.copy()
    recent = np.exp(-age_d / RECENT_DAYS)
    for i in range(len(ratio)):
        near = ratio[max(i - 1, 0) : i + 2]
        weight = np.where(np.isnan(near), 0.0, recent)
        days = float(weight.sum()) * spacing_d / len(near)
        if days >= 1:
            order = np.argsort(near, axis=None)
            part = np.cumsum(weight.ravel()[order])
            held = float(near.ravel()[order][np.searchsorted(part, INSIDE * part[-1])])
            out[i] = (days * held + WIDTH_DAYS * first[i]) / (days + WIDTH_DAYS)
    return out
