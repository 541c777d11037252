"""The joint fit: one natural frequency and damping ratio that explain every band at once.

Per band the wall's slope is ``Re{c0 R_b lam exp(lam t) / (ds/dt)}`` with one complex ``c0`` for
the whole photo. That is linear in c0 and nonlinear in the pole ``lam`` only: separable least
squares (Golub & Pereyra, SIAM J. Numer. Anal. 10:413-432, 1973).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.problem import Problem, Walls, pose_problem, refine_noise, trial_pole
from ringscan.model.search import Search, search

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FREQUENCY_RANGE_HZ = (5.0, 150.0)
DAMPING_RANGE = (0.003, 0.45)

STARTS = 3
"""Local maxima of the coarse search that are polished: the true one, f_n / 3 and a spare."""


SAME_POLE = 0.03
"""Relative distance in frequency below which two starts have found the same maximum."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoleEstimate:
    """One answer for the axis.

    frequency_hz, damping_ratio : the estimate
    covariance : of the two, (2, 2)
    freedom : degrees of freedom of the covariance
    gain : fall of the sum of squares against no ripple, in units of the noise variance
    """

    frequency_hz: float
    damping_ratio: float
    covariance: Array
    freedom: float
    gain: float

    @property
    def pole(self) -> complex:
        """The pole ``lam``."""
        return trial_pole(self.frequency_hz, self.damping_ratio)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointFit:
    """The joint fit and what the later steps need of it.

    estimate : natural frequency and damping ratio
    strength : c0, complex, relative brightness per (mm per second)
    others : what the search's other maxima came to
    problem : data and filter with the final noise estimate
    """

    estimate: PoleEstimate
    strength: complex
    others: tuple[PoleEstimate, ...]
    problem: Problem

    def residual_search(self) -> Search:
        """The coarse search over what the fit leaves."""
        c, M = self.strength, self.problem.columns(self.estimate.pole)
        left = self.problem.data - c.real * M[0] - c.imag * M[1]
        return search(replace(self.problem, data=left))


def fit_jointly(walls: Walls, *, shared: bool = True) -> JointFit:
    """Fit natural frequency, damping ratio and c0 to all bands of a face."""
    problem = pose_problem(walls, shared=shared)
    found = search(problem)
    trials = sorted((_polish(problem, *start) for start in found.best(STARTS)), key=lambda t: t[1])
    problem = refine_noise(problem, trial_pole(*trials[0][0]))
    best, *rest = [_polish(problem, *trial[0])[0] for trial in trials]
    estimate, c = _estimate(problem, *best)
    others = tuple(
        _estimate(problem, *pair)[0] for pair in rest if abs(pair[0] / best[0] - 1) > SAME_POLE
    )
    return JointFit(estimate=estimate, strength=c, others=others, problem=problem)


def _polish(problem: Problem, f: float, zeta: float) -> tuple[tuple[float, float], float]:
    """Minimise over the pole; returns it and half the sum of squares."""

    def misfit(p: Array) -> Array:
        M = problem.columns(trial_pole(*np.exp(p)))
        return np.asarray((problem.data - np.tensordot(problem.strength(M), M, 1)).ravel())

    return minimise_pole(misfit, f, zeta)


def minimise_pole(
    misfit: Callable[[Array], Array], f: float, zeta: float
) -> tuple[tuple[float, float], float]:
    """Least squares over the logarithms of frequency and damping ratio."""
    from scipy.optimize import least_squares

    bounds = np.log(np.transpose([FREQUENCY_RANGE_HZ, DAMPING_RANGE]))
    result = least_squares(
        misfit,
        np.log([f, zeta]),
        bounds=(bounds[0], bounds[1]),
        x_scale=[0.01, 0.2],
        diff_step=[1e-4, 1e-4],
        xtol=1e-6,
        ftol=1e-8,
    )
    best = np.exp(result.x)
    return (float(best[0]), float(best[1])), float(result.cost)


def _estimate(problem: Problem, f: float, zeta: float) -> tuple[PoleEstimate, complex]:
    M = problem.columns(trial_pole(f, zeta))
    c = problem.strength(M)

    def model(f: float, zeta: float) -> Array:
        return np.asarray(np.tensordot(c, problem.columns(trial_pole(f, zeta)), 1))

    slopes = pole_slopes(model, f, zeta)
    left = problem.data - np.tensordot(c, M, 1)
    covariance, freedom = sandwich(np.concatenate([slopes, M]), left)
    gain = float((problem.data**2).sum() - (left**2).sum())
    estimate = PoleEstimate(
        frequency_hz=f,
        damping_ratio=zeta,
        covariance=covariance[:2, :2],
        freedom=freedom,
        gain=gain,
    )
    return estimate, complex(c[0], c[1])


def pole_slopes(model: Callable[[float, float], Array], f: float, zeta: float) -> Array:
    """Central differences of a model (b, n) over frequency and damping ratio, (2, b, n)."""
    df, dz = 1e-4 * f, 1e-3 * zeta
    return np.stack(
        [
            (model(f + df, zeta) - model(f - df, zeta)) / (2 * df),
            (model(f, zeta + dz) - model(f, zeta - dz)) / (2 * dz),
        ]
    )


def sandwich(jacobian: Array, left: Array) -> tuple[Array, float]:
    """Covariance that holds whatever the noise inside a band looks like.

    Bands are the clusters of a cluster-robust ("sandwich") covariance with the correction for
    few clusters of Bell & McCaffrey's simplest form (CR1): noise is independent from band to
    band, since layers are, and nothing is assumed about it inside one.

    Parameters
    ----------
    jacobian : (k, b, n)
    left : residuals, (b, n)

    Returns
    -------
    covariance (k, k) and its degrees of freedom
    """
    hessian = np.einsum("ibn,jbn->ij", jacobian, jacobian)
    bread = np.linalg.pinv(hessian)
    scores = np.einsum("ibn,bn->bi", jacobian, left)
    k, b = jacobian.shape[0], left.shape[0]
    covariance = bread @ (scores.T @ scores) @ bread * b / max(b - k, 1)
    # bands share the information unevenly: their effective number is that of the leading
    # parameter's influences
    influence = (np.einsum("ibn,ibn->bi", jacobian, jacobian))[:, 0]
    effective = influence.sum() ** 2 / max(float((influence**2).sum()), 1e-300)
    return covariance, max(float(effective) - 1, 2.0)
