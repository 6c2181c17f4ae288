"""Shares of a ready time's variance by cause."""

from __future__ import annotations

import numpy as np

from monitor.science.ranges import Floats
from monitor.science.waits.monte_carlo import WaitDraws

FEWEST_DRAWS = 60
"""Fewest draws for the fit of 14 terms. [-]  Ours."""


def shares_of_variance(draws: WaitDraws, ready_s: Floats, members: int) -> list[dict[str, float]]:
    """Shares of the variance of each wait's ready time among those draws that get ready.

    Parameters
    ----------
    draws : Draws
    ready_s : ndarray of shape (w, j)
        Infinite where not within the horizon: left out.
    members : int
        Of the outlook. With one, nothing is left to it.

    Returns
    -------
    list of dict
        "basis", "law", "sensor", "outlook". [-]  Empty where there is no spread, or too few draws
        to tell.

    Notes
    -----
    A least-squares fit of second degree to what was drawn; a term of two causes counts half to
    each. What the fit leaves is the outlook's.
    """
    scores = [draws.basis, draws.law, draws.temp_k, draws.rh_pct]
    used = [k for k in range(4) if np.ptp(scores[k]) > 0]
    columns, causes = [], []
    for n, a in enumerate(used):
        columns.append(scores[a])
        causes.append((a, a))
        for b in used[n:]:
            columns.append(scores[a] * scores[b])
            causes.append((a, b))
    matrix = np.stack(columns, axis=1) if columns else np.zeros((len(draws.basis), 0))
    spread = matrix.std(axis=0)
    matrix = (matrix - matrix.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
    result: list[dict[str, float]] = []
    for row in ready_s:
        inside = np.isfinite(row)
        if inside.sum() < FEWEST_DRAWS or not row[inside].std() > 1e-3:
            result.append({})
            continue
        away = row[inside] - row[inside].mean()
        m = matrix[inside] - matrix[inside].mean(axis=0)
        fit = np.linalg.lstsq(m, away, rcond=None)[0]
        # Covariance shares: each term's part of the fit, together the fit's whole variance.
        part = fit * (m * (m @ fit)[:, None]).mean(axis=0)
        cause = np.zeros(4)
        for (a, b), value in zip(causes, part.tolist(), strict=True):
            cause[a] += value / 2
            cause[b] += value / 2
        cause = np.maximum(cause, 0.0)
        left = max(float((away**2).mean()) - cause.sum(), 0.0) if members > 1 else 0.0
        total = cause.sum() + left
        shares = [cause[0], cause[1], cause[2] + cause[3], left]
        names = ("basis", "law", "sensor", "outlook")
        result.append({n: float(s / total) for n, s in zip(names, shares, strict=True)})
    return result
