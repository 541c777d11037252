"""The last step of the fit: everything that was taken for granted gets a little freedom."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import (
    DAMPING_RANGE,
    FREQUENCY_RANGE_HZ,
    LONGEST_STEP,
    PoleEstimate,
    sandwich,
)
from ringscan.model.given import ALONG_STEPS, Bent, Doubts, bend, redraw
from ringscan.model.newton import Tangent, gauss_newton
from ringscan.model.problem import Problem, Walls, trial_pole
from ringscan.model.ripple import Drawing
from ringscan.model.vibration import pole_turn

Array = NDArray[np.float64]

SHADING_SD = (0.5, 0.5)
"""Standard deviation, beforehand, of the second and third power of the ripple in its brightness."""

STEEPEST_SHADED = 1.0
"""Steeper ripples are in full shadow or in full light whatever the powers say."""

GIVEN = slice(4, 9)
SHADING = slice(9, 11)
"""Where the parameters lie: pole (2), c0 (2), what was given (5), shading (2)."""

ALONG = 7
LOOSE = [0, 1, 4, 5, 9, 10]
"""Of these: the logarithm of the natural frequency of the axis along the face, as a ratio to the
one across it, and what each trial of it may move."""

RIGID = 1.5
"""Start for an axis along the face whose ringing does not show: 4.5 times as stiff."""

ALONG_STARTS = np.append(np.linspace(-0.96, 0.84, 16), RIGID)
"""Trials for the axis along the face, 12 % apart: the width of its own peak, 2 zeta."""

ALONG_BANDS = 14
ROUGH_BANDS = 24
"""Bands to choose a start of the axis along the face by, and to settle first by; the whole wall
then needs a round or two."""


def settle(
    problem: Problem, walls: Walls, start: Array, doubts: Doubts
) -> tuple[PoleEstimate, complex, Problem, Bent]:
    """Gauss-Newton over the pole, c0 and what was taken as given, each within its doubt.

    What was taken as given enters with its own standard uncertainty as an observation, so that
    the covariance holds it too (JCGM 100, 5.1.2, by way of one joint least squares). The same
    holds for the shading: brightness is proportional to small slopes only, so a second and a
    third power of the ripple are fitted along.

    Parameters
    ----------
    problem, walls : posed and refined, and what it was posed from
    start : natural frequency and damping ratio, (2,)
    doubts : see there

    Returns
    -------
    The estimate, c0, the problem redrawn with what the fit bent and with the shading made
    linear, and what the fit bent.
    """
    known = 1 / np.append(doubts.sd, SHADING_SD) ** 2
    alike = float(start[0])
    longest = np.concatenate([LONGEST_STEP * start, [np.inf] * 2, 1 / np.sqrt(known)])
    lowest, highest = np.transpose([FREQUENCY_RANGE_HZ, DAMPING_RANGE])

    def settled(at: Array, bands: int | None) -> Tangent:
        step = max(1, problem.data.shape[0] // bands) if bands else 1
        look = _Look(problem.every(step), walls.every(step), doubts, alike)
        first = look(at)
        # correlated noise makes the data worth less than their count, against the doubts
        _, _, over = sandwich(first.jacobian, first.left, known)
        return gauss_newton(
            look,
            first,
            longest=longest,
            lowest=lowest,
            highest=highest,
            precision=np.append(np.zeros(4), over * known),
        )

    at = _along_start(problem, walls, start, doubts, known)
    view = settled(settled(at, ROUGH_BANDS).at, None)
    covariance, freedom, _ = sandwich(view.jacobian, view.left, known)
    p = view.at
    estimate = PoleEstimate(
        frequency_hz=float(p[0]),
        damping_ratio=float(p[1]),
        covariance=covariance[:2, :2],
        freedom=freedom,
    )
    bent = bend(p[GIVEN], alike)
    drawing = redraw(walls, bent, doubts)
    c = complex(p[2], p[3])
    ripple = np.real(c * drawing.slope(estimate.pole))
    bow = np.where(problem.valid, _shaded(ripple, p[SHADING])[0] - ripple, 0.0)
    straight = problem.flat - bow
    data = problem.data - problem.whitener(bow)
    return estimate, c, replace(problem, drawing=drawing, flat=straight, data=data), bent


class _Look:
    """The whole model about any point."""

    def __init__(self, problem: Problem, walls: Walls, doubts: Doubts, alike_hz: float) -> None:
        self.problem, self.walls, self.doubts, self.alike = problem, walls, doubts, alike_hz

    def drawing(self, at: Array) -> Drawing:
        """The walls as drawn with what the parameters bend."""
        return redraw(self.walls, bend(at[GIVEN], self.alike), self.doubts)

    def __call__(self, at: Array) -> Tangent:
        problem, c = self.problem, complex(at[2], at[3])
        lam = trial_pole(at[0], at[1])
        drawing = self.drawing(at)
        wave, left = drawing.wave(lam), drawing.left(lam)[:, None]
        slope, turn = left * wave, drawing.left_turn(lam)[:, None]
        pulled = c * wave * (turn + left * drawing.wave_turn(lam))
        ripple = c * slope
        moved = (ripple * drawing.wave_rise(lam)).real
        # a higher place on the ramp shortens the shaper: its times go as 1 / frequency
        true_hz = self.walls.commanded_hz + at[6] * self.doubts.hz_per_mm
        sooner = np.where(np.isnan(true_hz), 0.0, self.doubts.hz_per_mm / true_hz)[:, None]
        changes = [
            *((pulled * over).real for over in pole_turn(at[0], at[1])),
            slope.real,
            -slope.imag,
            moved,
            moved * self.walls.s_mm,
            (c * wave * turn * -lam * sooner).real,
        ]
        for i, step in enumerate(ALONG_STEPS):
            there = at.copy()
            there[ALONG + i] += step
            changes.append((c * self.drawing(there).slope(lam) - ripple).real / step)
        shaded, gain = _shaded(ripple.real, at[SHADING])
        small = np.clip(ripple.real, -STEEPEST_SHADED, STEEPEST_SHADED)
        columns = [gain * change for change in changes] + [small**2, small**3]
        return Tangent(
            at=at,
            jacobian=np.stack([problem.whitener(column) for column in columns]),
            left=problem.data - problem.whitener(shaded),
        )


def _shaded(ripple: Array, powers: Array) -> tuple[Array, Array]:
    """Relative brightness of a ripple that would be `ripple` if it were linear, and its slope."""
    small = np.clip(ripple, -STEEPEST_SHADED, STEEPEST_SHADED)
    gain = 1 + 2 * powers[0] * small + 3 * powers[1] * small**2
    return ripple + powers[0] * small**2 + powers[1] * small**3, gain


def _along_start(
    problem: Problem, walls: Walls, start: Array, doubts: Doubts, known: Array
) -> Array:
    """Parameters to start from: the axis along the face that explains most.

    An edge or a pole that is a little off hides what that axis does, so each trial may move them,
    by their derivatives at a rigid one.
    """
    step = max(1, problem.data.shape[0] // ALONG_BANDS)
    part, few = problem.every(step), walls.every(step)
    lam = trial_pole(*start)
    at = np.zeros(4 + known.size)
    at[:2], at[ALONG] = start, RIGID
    look = _Look(part, few, doubts, float(start[0]))
    at[2:4] = part.strength(part.filtered(look.drawing(at).slope(lam)))
    loose = look(at).jacobian[LOOSE]
    prior = np.append(np.zeros(4), known)[LOOSE]
    best = (np.inf, at)
    for ratio in ALONG_STARTS:
        at = at.copy()
        at[ALONG] = ratio
        columns = np.concatenate([part.filtered(look.drawing(at).slope(lam)), loose])
        flat = columns.reshape(columns.shape[0], -1)
        right = flat @ part.data.ravel()
        normal = flat @ flat.T + np.diag(np.append(np.zeros(2), prior))
        found = np.linalg.lstsq(normal, right, rcond=None)[0]
        cost = (ratio / doubts.sd[3]) ** 2 - float(found @ right)
        if cost < best[0]:
            at[2:4] = found[:2]
            best = (cost, at)
    return best[1]
