"""Linear corrections that are trusted only as far as the record proves them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from monitor.science.ranges import Floats


class Ridge(NamedTuple):
    """Coefficients (features,), and the part of each that the record determines, 0 to 1."""

    weight: Floats
    determined: Floats

    def apply(self, features: Floats) -> Floats:
        """The correction for features of shape (features, ...); NaN features count as 0."""
        return np.tensordot(self.weight, np.nan_to_num(features), axes=1)


def ridge(
    features: Floats,
    target: Floats,
    noise: Floats,
    prior_mean: Floats,
    prior_sd: Floats,
    information: Floats,
    rounds: int = 3,
    robust: float = 1.5,
) -> Ridge:
    """The correction most probable after a record.

    Parameters
    ----------
    features : ndarray (features, rows)
        NaN counts as 0.
    target, noise : ndarray (rows,)
        What should have been added, NaN where unknown, and its standard deviation.
    prior_mean, prior_sd : ndarray (features,)
    information : ndarray (rows,)
        How many independent values each row stands for.
    rounds : int
        Rows off by more than `robust` sd are given less weight in all rounds but the first.
    """
    known = ~np.isnan(target)
    x = np.nan_to_num(features[:, known])
    y, sd = target[known], noise[known]
    size = len(prior_mean)
    weight: Floats = prior_mean
    cov: Floats = np.diag(prior_sd**2)
    for k in range(rounds):
        w = information[known] / sd**2
        if k:
            off = np.abs(y - weight @ x) / sd
            w = w * np.minimum(1, robust / np.maximum(off, 1e-9))
        scaled = x * w
        hessian = (prior_sd[:, None] * (scaled @ x.T) * prior_sd) + np.eye(size)
        right = prior_sd * (scaled @ (y - prior_mean @ x))
        cov = np.asarray(np.linalg.inv(hessian))
        weight = prior_mean + prior_sd * (cov @ right)
    return Ridge(weight, 1 - np.diag(cov))


def unseen(fitted: Ridge, information: float) -> float:
    """Factor from the errors of a fit to those in later hours.

    √((n + p) / (n − p)) with p coefficients that n independent errors determine (Akaike's final
    prediction error, from memory).
    """
    n = max(information, 1.0)
    p = min(float(fitted.determined.sum()), n / 2)
    return float(np.sqrt((n + p) / (n - p)))
