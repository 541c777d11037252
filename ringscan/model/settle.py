"""The last step of the fit: everything that was taken for granted gets a little freedom."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import DAMPING_RANGE, FREQUENCY_RANGE_HZ, PoleEstimate, sandwich
from ringscan.model.given import STEPS, Bent, Doubts, bend, redraw
from ringscan.model.problem import Problem, Walls, thin, trial_pole
from ringscan.model.ripple import Drawing

Array = NDArray[np.float64]

SHADING_SD = (0.5, 0.5)
"""Standard deviation, beforehand, of the second and third power of the ripple in its brightness."""

SHORTER_STEPS = (1.0, 0.3, 0.1)
"""Shares of a Gauss-Newton step that are tried until the misfit falls."""

SETTLING_ROUNDS = 5
"""Gauss-Newton rounds after the polish; the last one moves the pole by far less than its error."""


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
