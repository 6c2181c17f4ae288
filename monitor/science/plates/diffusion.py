"""Moisture diffusion through plates, many at once, exactly in time.

∂u/∂t = ∂/∂x (D ∂u/∂x), at a face −D ∂u/∂n = S (u − u_eq), D and S constant across the plate. Both
grow with temperature by one factor a(T), so in the time τ = ∫ a dt nothing depends on temperature
and the plate is a sum of exponentials. S follows the vapour pressure and may grow a little faster
than D: by 2 kJ/mol, that is 3 % in S/D over 10 K, which is left out. So is the growth of D with
moisture, which differs between sources by more than it matters from 6 to 14 %.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from monitor.core.errors import OutOfRange
from monitor.science.ranges import Floats, checked
from monitor.science.saturation import KELVIN

DIFFUSIVITY_M2_S = 1.0e-10
"""D of spruce across the grain at 20 °C. [m²/s]  Source: Sánchez-Ferrer, Engelhardt, Scientific
Reports 2026: 0.94e-10 radial, 1.00e-10 tangential, by sorption steps. Other data lie between a
third and 3.5 times of it; no source was found for maple, and beech is 2 to 3 times slower."""

DIFFUSIVITY_FACTOR = 3.0
"""How far D may lie off, times or divided by. [-]  Ours, from the data above."""

ACTIVATION_KJ_MOL = 41.0
"""Activation energy of a(T). [kJ/mol]  From wood reaching balance twice as fast at 24 as at 12 °C;
other data: 36. Vapour pressure, to which S is proportional, has about 43."""

GAS = 8.314462e-3
"""Gas constant. [kJ/(mol K)]"""

TERMS = 20
"""Polynomials across a plate. [-]  Ours: 1e-4 of a step from Fourier number 0.001 on."""

NEGLIGIBLE = 1e-4
"""A mode of which less than this share of a step of the air is left after one step of the log
follows the air at once. [-]  Ours."""

CHUNK = 2048
"""Steps worked on at a time, so that intermediate results stay in cache. [-]"""


def speed(temp_c: ArrayLike, activation_kj_mol: float = ACTIVATION_KJ_MOL) -> Floats:
    """a(T) = exp[−(E/R)(1/T − 1/293.15 K)]: how much faster wood takes up water than at 20 °C. [-]

    >>> round(float(speed(10.0)), 2)
    0.55
    """
    t = checked("temp_c", temp_c, "°C", -60, 150)
    return np.asarray(np.exp(-activation_kj_mol / GAS * (1 / (t + KELVIN) - 1 / (20 + KELVIN))))[
        ()
    ]


class MoistureCourse(NamedTuple):
    """Moisture at the end of each step: mean, outer and inner face, each (plates, steps) [%], and
    the state of the plates at the end (plates, `TERMS`)."""

    mean: Floats
    outer: Floats
    inner: Floats
    state: Floats


def _basis() -> tuple[Floats, Floats, Floats]:
    """∫ p_j′ p_k′ dy, p_k(0), p_k(1) of the Legendre polynomials orthonormal on y = 0…1."""
    k = np.arange(TERMS)
    size = np.sqrt(2 * k + 1.0)
    least = np.minimum.outer(k, k)
    even = np.add.outer(k, k) % 2 == 0
    stiffness = np.where(even, 2 * least * (least + 1) * np.outer(size, size), 0.0)
    return stiffness, size * (-1.0) ** k, size


STIFFNESS, AT_OUTER, AT_INNER = _basis()


def uniform(moisture_pct: ArrayLike) -> Floats:
    """The state of plates of even moisture, one number for each. (…, `TERMS`)

    Raises
    ------
    OutOfRange
        If a moisture is below 0.
    """
    mean = checked("moisture_pct", moisture_pct, "%", 0)
    state = np.zeros((*mean.shape, TERMS))
    state[..., 0] = mean
    return state


def moisture(state: Floats) -> Floats:
    """Mean, outer and inner moisture of plates in a state. (3, …) [%]"""
    return np.stack([state[..., 0], state @ AT_OUTER, state @ AT_INNER])


class Plates:
    """Plates that share a log of air, each a sum of `TERMS` exponentials.

    Parameters
    ----------
    thickness_m : array_like
        Above 0. [m]
    outer_m_s, inner_m_s : array_like
        Surface coefficients S of the two faces at 20 °C, 0 (sealed) or more, infinite for no
        resistance; not both 0. [m/s]
    diffusivity_m2_s : array_like
        D at 20 °C, above 0. [m²/s]

    All broadcast to (plates,) or (draws, plates).

    Raises
    ------
    OutOfRange

    Notes
    -----
    Galerkin's method in Legendre polynomials: u = Σ c_k p_k(y), dc/dτ = −A c + B u_eq,
    A = D/L² ∫p′p′ + (S_o/L) p(0)p(0) + (S_i/L) p(1)p(1), exact in time by the eigenvalues of A.
    The mean is c_0 itself, so water is conserved to rounding. No resistance is taken as
    S L/D = 1e6.
    """

    def __init__(
        self,
        thickness_m: ArrayLike,
        outer_m_s: ArrayLike,
        inner_m_s: ArrayLike,
        diffusivity_m2_s: ArrayLike = DIFFUSIVITY_M2_S,
    ) -> None:
        length = checked("thickness_m", thickness_m, "m", 0, low_open=True)
        outer = checked("outer_m_s", outer_m_s, "m/s", 0)
        inner = checked("inner_m_s", inner_m_s, "m/s", 0)
        d = checked("diffusivity_m2_s", diffusivity_m2_s, "m²/s", 0, low_open=True)
        checked("outer_m_s + inner_m_s", outer + inner, "m/s", 0, low_open=True)
        length, outer, inner, d = np.broadcast_arrays(*np.atleast_1d(length, outer, inner, d))
        self.shape = length.shape
        most = 1e6 * d / length
        into = [np.minimum(s, most) / length for s in (outer, inner)]  # S/L [1/s]
        shapes = (AT_OUTER, AT_INNER)
        matrix = (d / length**2)[..., None, None] * STIFFNESS
        for s, p in zip(into, shapes, strict=True):
            matrix = matrix + s[..., None, None] * np.outer(p, p)
        self.rates, self._modes = np.linalg.eigh(matrix)  # [1/s], columns of (k, mode)
        drives = np.stack([s[..., None] * p for s, p in zip(into, shapes, strict=True)], axis=-1)
        self._gains = np.swapaxes(self._modes, -1, -2) @ drives / self.rates[..., None]
        rows = np.stack([np.eye(TERMS)[0], *shapes])
        self._weights = rows @ self._modes  # mean, outer, inner of each mode

    def course(
        self,
        tau_s: ArrayLike,
        outer_pct: ArrayLike,
        inner_pct: ArrayLike | None = None,
        *,
        state: Floats,
    ) -> MoistureCourse:
        """Moisture at the end of each step of constant air.

        Parameters
        ----------
        tau_s : array_like of shape (steps,)
            Length of each step times its `speed`, above 0. [s]
        outer_pct, inner_pct : array_like of shape (steps,)
            Equilibrium moisture content at the faces; at both, if only one is given. No NaN. [%]
        state : ndarray
            As `uniform` gives it or a course left it, one per plate.

        Raises
        ------
        OutOfRange
        """
        tau, air = _steps(tau_s, [outer_pct] if inner_pct is None else [outer_pct, inner_pct])
        if state.shape != (*self.shape, TERMS):
            plates = float(np.prod(self.shape))
            raise OutOfRange("plates of the state", state.size / TERMS, "", plates, plates)
        rates, modes = self.rates.reshape(-1, TERMS), self._modes.reshape(-1, TERMS, TERMS)
        plates = len(rates)
        gains = self._gains.reshape(plates, TERMS, 2)
        gains = gains.sum(axis=-1, keepdims=True) if inner_pct is None else gains
        weights = self._weights.reshape(plates, 3, TERMS)
        # In the deviation from the steady state, z = V'c − G u_eq, a step is z ← e^(−λτ) (z − G Δu_eq).
        z = np.einsum("pkm,pk->pm", modes, state.reshape(plates, TERMS)) - gains @ air[:, 0]
        share = np.abs(weights).max(axis=1) * np.abs(gains).max(axis=-1)
        slow = share * np.exp(-rates * tau.min()) > NEGLIGIBLE
        which = np.nonzero(slow)
        ends = np.append(0, slow.sum(axis=1).cumsum())
        kept = [weights[p][:, slow[p]] for p in range(plates)]
        steady = weights @ gains
        result = np.empty((3, plates, len(tau)))
        left = z[which]
        changes = np.diff(air, axis=1, prepend=air[:, :1])
        for start in range(0, len(tau), CHUNK):
            part = slice(start, start + CHUNK)
            z = _scan(rates[which], gains[which], tau[part], changes[:, part], left)
            steps, here = z.shape[1] * z.shape[2], result[:, :, part]
            for p, rows in enumerate(kept):
                mine = z[ends[p] : ends[p + 1]].reshape(rows.shape[1], steps)
                fading = (rows @ mine).reshape(3, *z.shape[1:]).swapaxes(1, 2).reshape(3, steps)
                np.add(steady[p] @ air[:, part], fading[:, : here.shape[2]], out=here[:, p])
            left = z[:, -1, -1]
        deviation = np.zeros_like(rates)
        deviation[which] = left
        end = np.einsum("pkm,pm->pk", modes, deviation + gains @ air[:, -1])
        mean, outer, inner = result.reshape(3, *self.shape, -1)
        return MoistureCourse(mean, outer, inner, end.reshape(*self.shape, TERMS))

    def ahead(self, tau_s: ArrayLike, air_pct: Floats, *, state: Floats) -> Floats:
        """Mean moisture at times ahead if the air stays as it is. (…, times) [%]

        `tau_s` is of shape (times,); `air_pct` the equilibrium moisture content at both faces, of
        a shape that broadcasts to that of the plates.
        """
        z = np.einsum("...km,...k->...m", self._modes, state)
        z = z - self._gains.sum(axis=-1) * np.asarray(air_pct)[..., None]
        left = np.exp(-self.rates[..., None] * checked("tau_s", tau_s, "s", 0))
        fading = ((self._weights[..., 0, :] * z)[..., None, :] @ left)[..., 0, :]
        return np.asarray(np.asarray(air_pct)[..., None] + fading)

    def after(self, tau_s: ArrayLike, air_pct: ArrayLike, *, state: Floats) -> Floats:
        """The state at the end of a log only, for draws that each had air of their own.

        As `course`, but plates of shape (draws, plates), and `air_pct` of shape (draws, steps),
        at both faces.
        """
        tau = checked("tau_s", tau_s, "s", 0)
        to_go = tau[::-1].cumsum()[::-1]
        result = np.empty((*self.shape, TERMS))
        for j, air in enumerate(checked("air_pct", air_pct, "%", 0)):
            gains = self._gains[j].sum(axis=-1)
            z = np.einsum("pkm,pk->pm", self._modes[j], state[j]) - gains * air[0]
            rates = self.rates[j]
            changes = np.diff(air)
            z = np.exp(-rates * to_go[0]) * z - gains * (
                np.exp(-rates[..., None] * to_go[1:]) @ changes
            )
            result[j] = np.einsum("pkm,pm->pk", self._modes[j], z + gains * air[-1])
        return result


def _steps(tau_s: ArrayLike, faces_pct: list[ArrayLike]) -> tuple[Floats, Floats]:
    """Steps and the air at one or both faces, (faces, steps), once they fit together."""
    tau = checked("tau_s", tau_s, "s", 0, low_open=True)
    air = np.stack([checked("air_pct", face, "%", 0) for face in faces_pct])
    if tau.ndim != 1 or not tau.size or air.shape[1:] != tau.shape:
        raise OutOfRange(
            "steps of air", float(air[0].size), "", max(tau.size, 1), max(tau.size, 1)
        )
    if np.isnan(tau).any() or np.isnan(air).any():
        raise OutOfRange("air_pct", np.nan, "%", 0, None)
    return tau, air


def _scan(rates: Floats, gains: Floats, tau: Floats, changes: Floats, start: Floats) -> Floats:
    """The recurrence z ← e^(−λτ) (z − G Δu_eq) over all steps: (modes, steps in a block, blocks).

    Steps are cut into about √n blocks that advance side by side, first from nothing to find what
    each block adds, then from what the blocks before it left. The last block is filled up with
    steps of no length, which change nothing.
    """
    blocks = max(int(np.sqrt(len(tau))), 1)
    width = -(-len(tau) // blocks)
    pad = blocks * width - len(tau)
    tau = np.pad(tau, (0, pad)).reshape(blocks, width)
    changes = np.pad(changes, ((0, 0), (0, pad))).reshape(-1, blocks, width)
    decays = -rates[:, None, None] * tau.T
    np.exp(decays, out=decays)
    kick = np.empty((len(rates), blocks))
    z = np.zeros_like(kick)
    for j in range(width):
        z -= np.matmul(gains, changes[:, :, j], out=kick)
        z *= decays[:, j]
    over = np.exp(-rates[:, None] * tau.sum(axis=1))
    before = np.empty_like(z)
    for b in range(blocks):
        before[:, b] = start
        start = over[:, b] * start + z[:, b]
    z = before
    for j in range(width):
        np.subtract(z, np.matmul(gains, changes[:, :, j], out=kick), out=kick)
        z = np.multiply(decays[:, j], kick, out=decays[:, j])
    return decays
