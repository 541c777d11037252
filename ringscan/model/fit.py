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

from ringscan.model.given import STEPS, Bent, Doubts, bend, redraw
from ringscan.model.problem import Problem, Walls, pose_problem, refine, thin, trial_pole
from ringscan.model.ripple import Drawing
from ringscan.model.search import Search, search

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FREQUENCY_RANGE_HZ = (5.0, 150.0)
DAMPING_RANGE = (0.003, 0.45)

STARTS = 3
"""Local maxima of the coarse search that are polished: the true one, f_n / 3 and a spare."""


SHADING_SD = (0.5, 0.5)
"""Standard deviation, beforehand, of the second and third power of the ripple in its brightness."""

SHORTER_STEPS = (1.0, 0.3, 0.1)
"""Shares of a Gauss-Newton step that are tried until the misfit falls."""

SETTLING_ROUNDS = 5
"""Gauss-Newton rounds after the polish; the last one moves the pole by far less than its error."""

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


def settle(
    problem: Problem,
    walls: Walls,
    start: tuple[float, float],
    doubts: Doubts,
) -> tuple[PoleEstimate, complex, Problem, Bent]:
    """Gauss-Newton over the pole, c0 and what was taken as given, each within its doubt.

    What was taken as given enters with its own standard uncertainty as an observation, so that
    the covariance holds it too (JCGM 100, 5.1.2, by way of one joint least squares). The same
    holds for the shading: brightness is proportional to small slopes only, so a second and a
    third power of the ripple are fitted along.

    Returns
    -------
    The estimate, c0, the problem redrawn with what the fit bent and with the shading made
    linear, and what the fit bent.
    """
    sd = np.append(doubts.sd, SHADING_SD)
    alike = start[0]
    p = np.zeros(4 + sd.size)
    p[:2] = start
    p[7] = _along_start(problem, walls, start, doubts)
    p[2:4] = _strength_at(problem, walls, p, doubts, alike)
    limit = np.concatenate([[0.03 * start[0], 0.3 * start[1], np.inf, np.inf], sd])
    J, left = _jacobian(problem, walls, p, doubts, alike)
    covariance, freedom, over = sandwich(J, left, 1 / sd**2)
    for _ in range(SETTLING_ROUNDS):
        # `over`: correlated noise makes the data worth less than their count, against the doubts
        weight = np.append(np.zeros(4), over / sd**2)

        def cost(q: Array, left: Array, weight: Array = weight) -> float:
            return float((left**2).sum() + weight @ q**2)

        flat = J.reshape(len(p), -1)
        normal = flat @ flat.T + np.diag(weight)
        step = np.linalg.lstsq(normal, flat @ left.ravel() - weight * p, rcond=None)[0]
        step = np.clip(step, -limit, limit)
        now = cost(p, left)
        for shorter in SHORTER_STEPS:
            q = p + shorter * step
            q[:2] = np.clip(q[:2], *np.transpose([FREQUENCY_RANGE_HZ, DAMPING_RANGE]))
            if cost(q, _left(problem, walls, q, doubts, alike)) < now:
                p = q
                break
        else:
            break
        J, left = _jacobian(problem, walls, p, doubts, alike)
        covariance, freedom, over = sandwich(J, left, 1 / sd**2)
    estimate = PoleEstimate(
        frequency_hz=float(p[0]),
        damping_ratio=float(p[1]),
        covariance=covariance[:2, :2],
        freedom=freedom,
        gain=float((problem.data**2).sum() - (left**2).sum()),
    )
    bent = bend(p[GIVEN], alike)
    drawing = redraw(walls, bent, doubts)
    ripple = np.real(complex(p[2], p[3]) * drawing.slope(estimate.pole))
    straight = problem.flat - np.where(problem.valid, _shade(ripple, p[SHADING]) - ripple, 0.0)
    problem = replace(problem, drawing=drawing, flat=straight, data=problem.whitener(straight))
    return estimate, complex(p[2], p[3]), problem, bent


GIVEN = slice(4, 9)
SHADING = slice(9, 11)
"""Where the parameters of `settle` lie: pole, c0 (real, imaginary), corrections, shading."""

RIGID = 1.5
"""Start for an axis along the face whose ringing does not show: 4.5 times as stiff."""

ALONG_STARTS = np.append(np.linspace(-0.9, 0.7, 9), RIGID)
"""Starts for the natural frequency of the axis along the face: logarithm of its ratio to the
one across it."""


def _along_start(
    problem: Problem, walls: Walls, start: tuple[float, float], doubts: Doubts
) -> float:
    """Start for the axis along the face that explains most, every second band looked at."""
    lam = trial_pole(*start)
    gains = []
    for ratio in ALONG_STARTS:
        drawing = redraw(walls, bend(np.array([0.0, 0.0, 0.0, ratio, 0.0]), start[0]), doubts)
        part = thin(replace(problem, drawing=drawing), 2)
        M = part.columns(lam)
        left = part.data - np.tensordot(part.strength(M), M, 1)
        gains.append(-float((left**2).sum()))
    return float(ALONG_STARTS[int(np.argmax(gains))])


def _strength_at(problem: Problem, walls: Walls, p: Array, doubts: Doubts, alike: float) -> Array:
    drawing = redraw(walls, bend(p[GIVEN], alike), doubts)
    now = replace(problem, drawing=drawing)
    return now.strength(now.columns(trial_pole(p[0], p[1])))


def _shade(ripple: Array, powers: Array) -> Array:
    """Relative brightness of a ripple whose brightness would be `ripple` if it were linear."""
    # steeper slopes than this are in full shadow or in full light whatever the powers say
    small = np.clip(ripple, -1.0, 1.0)
    return np.asarray(ripple + powers[0] * small**2 + powers[1] * small**3)


def _left(problem: Problem, walls: Walls, p: Array, doubts: Doubts, alike: float) -> Array:
    """What the filtered model leaves of the data, (b, n)."""
    slope = redraw(walls, bend(p[GIVEN], alike), doubts).slope(trial_pole(p[0], p[1]))
    ripple = np.real(complex(p[2], p[3]) * slope)
    return np.asarray(problem.data - problem.whitener(_shade(ripple, p[SHADING])))


def _jacobian(
    problem: Problem, walls: Walls, p: Array, doubts: Doubts, alike: float
) -> tuple[Array, Array]:
    """Derivatives (11, b, n) of the filtered model, and what it leaves of the data."""

    def ripple(q: Array, drawing: Drawing) -> Array:
        return np.real(complex(q[2], q[3]) * drawing.slope(trial_pole(q[0], q[1])))

    drawing = redraw(walls, bend(p[GIVEN], alike), doubts)
    here = ripple(p, drawing)
    inside = np.clip(here, -1.0, 1.0)
    gain = 1 + 2 * p[SHADING][0] * inside + 3 * p[SHADING][1] * inside**2
    changes = []
    for i, step in enumerate((1e-4 * p[0], 1e-3 * p[1])):
        q = p.copy()
        q[i] += step
        changes.append((ripple(q, drawing) - here) / step)
    wave = drawing.slope(trial_pole(p[0], p[1]))
    changes += [wave.real, -wave.imag]
    for i, step in enumerate(STEPS):
        q = p[GIVEN].copy()
        q[i] += step
        changes.append((ripple(p, redraw(walls, bend(q, alike), doubts)) - here) / step)
    columns = [gain * change for change in changes] + [inside**2, inside**3]
    J = np.stack([problem.whitener(column) for column in columns])
    return J, problem.data - problem.whitener(_shade(here, p[SHADING]))


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


def pole_slopes(model: Callable[[float, float], Array], f: float, zeta: float) -> Array:
    """Central differences of a model (b, n) over frequency and damping ratio, (2, b, n)."""
    df, dz = 1e-4 * f, 1e-3 * zeta
    return np.stack(
        [
            (model(f + df, zeta) - model(f - df, zeta)) / (2 * df),
            (model(f, zeta + dz) - model(f, zeta - dz)) / (2 * dz),
        ]
    )


def sandwich(
    jacobian: Array, left: Array, precision: Array | None = None
) -> tuple[Array, float, float]:
    """Covariance that holds whatever the noise inside a band looks like.

    Bands are the clusters of a cluster-robust ("sandwich") covariance with the usual correction
    for few clusters: noise is independent from band to band, since layers are, and nothing is
    assumed about it inside one.

    Parameters
    ----------
    jacobian : (k, b, n)
    left : residuals, (b, n)
    precision : 1 / variance of what is known beforehand of the last parameters

    Returns
    -------
    covariance (k, k), its degrees of freedom, and by how much it exceeds that of white noise
    """
    k, b = jacobian.shape[0], left.shape[0]
    flat = jacobian.reshape(k, -1)
    hessian = flat @ flat.T
    scores = np.einsum("ibn,bn->bi", jacobian, left)
    meat = scores.T @ scores * b / max(b - k, 1)
    told = np.diag(hessian) > 0  # some parameters may have no effect on this wall
    ratio = np.diag(meat)[told] / np.diag(hessian)[told]
    over = float(np.clip(np.median(ratio), 1.0, 100.0)) if told.any() else 1.0
    if precision is not None:
        known = np.append(np.zeros(k - precision.size), precision)
        hessian = hessian + np.diag(over * known)
        meat = meat + np.diag(over**2 * known)
    bread = np.linalg.pinv(hessian, hermitian=True)
    # bands share the information unevenly: their effective number is that of the first
    # parameter's influences
    influence = np.einsum("bn,bn->b", jacobian[0], jacobian[0])
    effective = influence.sum() ** 2 / max(float((influence**2).sum()), 1e-300)
    return bread @ meat @ bread, max(float(effective) - 1, 2.0), over
