"""The photo's two independent answers, and the ripple of every single band.

Spacing: the ripples' own spacing and decay give the pole with every band's strength left free,
so that the ramp plays no part. Null: with the ripples' shape given, the height at which their
sign turns gives the frequency through the ramp alone. The joint fit uses both at once; these
two are its cross-check.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import FREQUENCY_RANGE_HZ, PoleEstimate, pole_slopes, sandwich
from ringscan.model.fit import JointFit, minimise_pole
from ringscan.model.problem import Problem, thin, trial_pole
from ringscan.model.search import DAMPING_RATIOS, FREQUENCIES_HZ
from ringscan.model.vibration import residual

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

NULL_TRIALS = 61
"""Frequencies at which the ramp's answer is looked for, 6 % apart: narrower than a quiet band."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NullEstimate:
    """Frequency read off the ramp alone.

    frequency_hz : the estimate
    standard_error_hz : of it
    freedom : degrees of freedom
    gain : fall of the sum of squares, in units of the noise variance
    """

    frequency_hz: float
    standard_error_hz: float
    freedom: float
    gain: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandRipple:
    """Ripple of each band relative to an unshaped one of the same photo, (b,) each.

    signed : along the fitted ripple, negative where crests and troughs have changed places
    standard_error : of it
    fitted : its size |R exp(lam t_bar)| by the joint fit
    turned : whether crests and troughs have changed places, by the joint fit
    """

    signed: Array
    standard_error: Array
    fitted: Array
    turned: NDArray[np.bool_]


def fit_spacing(problem: Problem, start: tuple[float, float]) -> PoleEstimate:
    """Fit the pole with a free complex strength for every band."""

    def misfit(p: Array) -> Array:
        waves = _free_waves(problem, trial_pole(*np.exp(p)))
        return np.asarray((problem.data - _explain(problem, waves)[0]).ravel())

    starts = (start, _spacing_start(problem))
    best = min(starts, key=lambda pair: float((misfit(np.log(pair)) ** 2).sum()))
    (f, zeta), _ = minimise_pole(misfit, *best)
    waves = _free_waves(problem, trial_pole(f, zeta))
    explained, c = _explain(problem, waves)

    def model(f: float, zeta: float) -> Array:
        return _combine(problem, _free_waves(problem, trial_pole(f, zeta)), c)

    slopes = pole_slopes(model, f, zeta)
    # what the free strengths can mimic is no information on the pole
    slopes = np.stack([row - _explain(problem, waves, row)[0] for row in slopes])
    left = problem.data - explained
    covariance, freedom, _ = sandwich(slopes, left)
    return PoleEstimate(
        frequency_hz=f,
        damping_ratio=zeta,
        covariance=covariance,
        freedom=freedom,
        gain=float((problem.data**2).sum() - (left**2).sum()),
    )


def fit_null(problem: Problem, spacing: PoleEstimate) -> NullEstimate:
    """Fit the frequency in the shaper's effect R alone, the ripple's shape being given."""
    lam = spacing.pole

    def columns(f: float) -> Array:
        return problem.columns(lam, trial_pole(f, spacing.damping_ratio))

    def cost(f: float) -> float:
        M = columns(f)
        return float(((problem.data - np.tensordot(problem.strength(M), M, 1)) ** 2).sum())

    from scipy.optimize import minimize_scalar

    trials = np.geomspace(*FREQUENCY_RANGE_HZ, NULL_TRIALS)
    costs = [cost(f) for f in trials]
    i = int(np.argmin(costs))
    bracket = (trials[max(i - 1, 0)], trials[min(i + 1, trials.size - 1)])
    f = float(minimize_scalar(cost, bounds=bracket, method="bounded", options={"xatol": 1e-3}).x)
    M = columns(f)
    c = problem.strength(M)
    df = 1e-4 * f
    slope = np.tensordot(c, (columns(f + df) - columns(f - df)) / (2 * df), 1)
    left = problem.data - np.tensordot(c, M, 1)
    covariance, freedom, _ = sandwich(np.concatenate([slope[None], M]), left)
    return NullEstimate(
        frequency_hz=f,
        standard_error_hz=float(np.sqrt(covariance[0, 0])),
        freedom=freedom,
        gain=float((problem.data**2).sum() - (left**2).sum()),
    )


def measure_ripple(fit: JointFit) -> BandRipple:
    """Measure each band's ripple on its own, given the shape of the joint fit."""
    problem, lam = fit.problem, fit.estimate.pole
    impulses = problem.drawing.impulses
    seen = residual(impulses.amplitudes, impulses.times_s, lam) * np.exp(lam * impulses.delay_s)
    wave = fit.strength * problem.drawing.wave(lam) * np.exp(-lam * impulses.delay_s)[:, None]
    turn = np.exp(1j * np.angle(seen))
    real = problem.whitener.alone(np.real(wave * turn[:, None]))
    data = problem.whitener.alone(problem.flat)
    power = np.maximum((real**2).sum(axis=1), 1e-300)
    along = (real * data).sum(axis=1) / power
    left = data - along[:, None] * real
    samples = np.maximum(problem.whitener.use.sum(axis=1), 2)
    # texture is correlated beyond the filter's reach; the pooled misfit shows by how much
    error = np.sqrt(np.maximum((left**2).sum(axis=1) / samples, 1e-300) / power)
    turned = seen.real < 0
    return BandRipple(
        signed=np.where(turned, -along, along),
        standard_error=error,
        fitted=np.abs(seen),
        turned=turned,
    )


def _free_waves(problem: Problem, lam: complex) -> Array:
    wave = problem.drawing.wave(lam)
    # each band's wave is scaled to one: the strengths are free anyway
    wave = wave / np.maximum(np.abs(wave * problem.valid).max(axis=1, keepdims=True), 1e-300)
    return np.stack([problem.whitener.alone(wave.real), problem.whitener.alone(-wave.imag)])


def _explain(problem: Problem, waves: Array, target: Array | None = None) -> tuple[Array, Array]:
    """Best combination of every band's own two waves, and its strengths (2, b)."""
    target = problem.data if target is None else target
    k, b, n = waves.shape
    gram = np.zeros((k, b, k, b))
    own = np.einsum("ibn,jbn->ijb", waves, waves)
    for i in range(k):
        for j in range(k):
            gram[i, np.arange(b), j, np.arange(b)] = own[i, j]
    if problem.whitener.shared:
        scaled = (waves * problem.whitener.shared_part()).reshape(k * b, n)
        gram -= (scaled @ scaled.T).reshape(k, b, k, b)
    right = np.einsum("ibn,bn->ib", waves, target).ravel()
    square = gram.reshape(k * b, k * b)
    # strengths that all bands share are not seen once the shared profile is out: a small ridge
    ridge = 1e-6 * np.trace(square) / (k * b)
    c = np.linalg.solve(square + ridge * np.eye(k * b), right).reshape(k, b)
    return _combine(problem, waves, c), c


def _combine(problem: Problem, waves: Array, c: Array) -> Array:
    return problem.whitener.common_out(np.einsum("ib,ibn->bn", c, waves))


def _spacing_start(problem: Problem) -> tuple[float, float]:
    """Pole whose free waves gain most, over a coarse grid and every fourth band."""
    part = thin(problem, 4)
    best = (-np.inf, 0.0, 0.0)
    for zeta in DAMPING_RATIOS[1:]:
        for f in FREQUENCIES_HZ[::6]:
            waves = _free_waves(part, trial_pole(float(f), float(zeta)))
            own = np.einsum("ibn,jbn->bij", waves, waves) + 1e-9 * np.eye(2)
            right = np.einsum("ibn,bn->bi", waves, part.data)
            gain = float((right * np.linalg.solve(own, right[..., None])[..., 0]).sum())
            best = max(best, (gain, float(f), float(zeta)))
    return best[1], best[2]
