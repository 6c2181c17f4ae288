"""Regularised least squares for models that are simulated, by damped Gauss-Newton steps."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats

DIFFERENCE = 1e-3
"""Step of the numerical derivative, in standard deviations of the prior. [-]"""


class ParameterPrior(NamedTuple):
    """Normal prior of each parameter; shape (parameters,)."""

    mean: Floats
    sd: Floats


class Estimate(NamedTuple):
    """Most probable parameters, and what the data left of each one's prior.

    `mean` (parameters,); `cov` (parameters, parameters); `determined` the part of the prior's variance
    that the data took away, 0 (nothing known beyond the prior) to 1; `misfit` the weighted mean
    square of the residuals.
    """

    mean: Floats
    cov: Floats
    determined: Floats
    misfit: float


def estimate(
    residuals: Callable[[Floats], Floats],
    prior: ParameterPrior,
    start: Floats,
    information: Floats,
    steps: int = 12,
) -> Estimate:
    """Parameters that make the residuals small without straying far from the prior.

    Parameters
    ----------
    residuals : callable
        From parameters of shape (b, parameters) to residuals of shape (b, n), in units of the
        noise. No NaN.
    start : ndarray (parameters,)
    information : ndarray (n,)
        How many independent values each residual stands for: those of one run hang together.
    steps : int
        Most steps.

    Notes
    -----
    Minimises sum(information rho(r)) + sum(((p − mean) / sd)²) with Huber's rho from 2 on.
    """
    mean, sd = prior
    z = (start - mean) / sd
    damp = 1e-2
    size = len(mean)
    probe = np.concatenate([np.zeros((1, size)), DIFFERENCE * np.eye(size)])

    def cost(r: Floats, at: Floats) -> float:
        a = np.abs(r)
        rho = np.where(a < 2, r**2, 4 * a - 4)
        return float(information @ rho + at @ at)

    hessian = np.eye(size)
    best = np.inf
    for _ in range(steps):
        runs = residuals(mean + sd * (z + probe))
        r = runs[0]
        best = cost(r, z)
        slope = (runs[1:] - r) / DIFFERENCE
        weight = information * np.minimum(1, 2 / np.maximum(np.abs(r), 1e-9))
        weighted = slope * weight
        hessian = weighted @ slope.T + np.eye(size)
        gradient = weighted @ r + z
        tries = damp * np.array([1e-2, 1.0, 30.0, 1e3])
        moves = np.stack(
            [-np.linalg.solve(hessian + d * np.diag(np.diag(hessian)), gradient) for d in tries]
        )
        moves = np.clip(moves, -2, 2)
        costs = [
            cost(r, z + m) for r, m in zip(residuals(mean + sd * (z + moves)), moves, strict=True)
        ]
        k = int(np.argmin(costs))
        if not costs[k] < best:
            break
        z = z + moves[k]
        damp = float(np.clip(tries[k], 1e-6, 1e3))
        if best - costs[k] < 1e-3 * best + 1e-2:
            break
    cov = np.linalg.inv(hessian)
    r = residuals((mean + sd * z)[None])[0]
    return Estimate(mean + sd * z, cov * np.outer(sd, sd), 1 - np.diag(cov), float(np.mean(r**2)))


def prior_estimate(prior: ParameterPrior) -> Estimate:
    """The prior itself as an estimate, without data."""
    return Estimate(prior.mean, np.diag(prior.sd**2), np.zeros(len(prior.mean)), np.inf)
