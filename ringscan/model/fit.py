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

from ringscan.model.estimate import DAMPING_RANGE, FREQUENCY_RANGE_HZ, PoleEstimate
from ringscan.model.given import Bent, Doubts
from ringscan.model.problem import Problem, Walls, pose_problem, refine, trial_pole
from ringscan.model.search import Search, search
from ringscan.model.settle import settle

Array = NDArray[np.float64]

STARTS = 3
"""Local maxima of the coarse search that are polished: the true one, f_n / 3 and a spare."""


SAME_POLE = 0.03
"""Relative distance in frequency below which two starts have found the same maximum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """Another frequency that explains part of the wall, and its fall of the sum of squares."""

    frequency_hz: float
    gain: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointFit:
    """The joint fit and what the later steps need of it.

    estimate : natural frequency and damping ratio
    strength : c0, complex, relative brightness per (mm per second)
    rivals : what the search's other maxima came to
    problem : data and filter with the final noise estimate
    bent : how far the fit bent what it was given
    """

    estimate: PoleEstimate
    strength: complex
    rivals: tuple[Rival, ...]
    problem: Problem
    bent: Bent

    def residual_search(self) -> Search:
        """The coarse search over what the fit leaves."""
        c, M = self.strength, self.problem.columns(self.estimate.pole)
        left = self.problem.data - c.real * M[0] - c.imag * M[1]
        return search(replace(self.problem, data=left))


def fit_jointly(walls: Walls, doubts: Doubts, *, shared: bool = True) -> JointFit:
    """Fit natural frequency, damping ratio and c0 to all bands of a face.

    Parameters
    ----------
    walls : the bands
    doubts : how well the face's scale, edge and heights are known; the fit may bend them so far
    shared : whether the profile common to all heights is taken out first
    """
    problem = pose_problem(walls, shared=shared)
    found = search(problem)
    trials = sorted((_polish(problem, *start) for start in found.best(STARTS)), key=lambda t: t[1])
    problem = refine(problem, walls, trial_pole(*trials[0][0]))
    best, *rest = [_polish(problem, *trial[0]) for trial in trials]
    energy = float((problem.data**2).sum())
    rivals = tuple(
        Rival(frequency_hz=pair[0], gain=energy - 2 * cost)
        for pair, cost in rest
        if abs(pair[0] / best[0][0] - 1) > SAME_POLE
    )
    estimate, strength, problem, bent = settle(problem, walls, best[0], doubts)
    return JointFit(estimate=estimate, strength=strength, rivals=rivals, problem=problem, bent=bent)


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
