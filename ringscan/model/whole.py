"""The whole model of a wall about any point: modes, what was given, and bent shading.

Parameters, in this order: what was given and may be bent (7, see `Bent`), the second and third
power of the shading (2), and for each mode its natural frequency, damping ratio, and the real and
imaginary part of its strength (4 each). That is c0 as at an edge that was not shifted: a shift by
itself leaves the waves of the cruising nozzle where they are, or each would turn the other's phase
and the fit would creep.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import DAMPING_RANGE, FREQUENCY_RANGE_HZ, LONGEST_STEP
from ringscan.model.given import ALONG_STEPS, Doubts, along_changes, bend, redraw
from ringscan.model.newton import Tangent
from ringscan.model.problem import Problem, Walls
from ringscan.model.ripple import Drawing, Wave
from ringscan.model.vibration import pole_turn, trial_pole

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

GIVEN = slice(0, 7)
SHIFT, STRETCH, SKEW, HEIGHT, ALONG, BLUR = 0, 1, 2, 3, 4, 6
SHADING = slice(7, 9)
FIRST_MODE = 9
MODE_SIZE = 4
"""Where the parameters lie; ALONG and the one after it are the axis along the face."""

SHADING_SD = (0.5, 0.5)
"""Standard deviation, beforehand, of the second and third power of the ripple in its brightness."""

SPEED_STEP = 0.001
"""Step for the numerical derivative over the logarithm of the speed."""

STEEPEST_SHADED = 1.0
"""Steeper ripples are in full shadow or in full light whatever the powers say."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WholeModel:
    """All that shapes a wall's brightness, as a function of the parameters.

    problem, walls : data, filter, and what the data stem from
    doubts : how well it is known
    alike_hz : frequency that the axis along the face is expected near
    """

    problem: Problem
    walls: Walls
    doubts: Doubts
    alike_hz: float

    def precision(self, size: int) -> Array:
        """1 / variance with which each of `size` parameters is known to be 0, (size,)."""
        known = 1 / np.append(self.doubts.sd, SHADING_SD) ** 2
        return np.append(known, np.zeros(size - known.size))

    def longest(self, at: Array) -> Array:
        """Longest steps from a point, (k,)."""
        steps = np.append(self.doubts.sd, SHADING_SD)
        for i in modes(at):
            steps = np.concatenate([steps, LONGEST_STEP * at[i : i + 2], [np.inf] * 2])
        return np.asarray(steps)

    def bounds(self, size: int) -> tuple[Array, Array]:
        """Lowest and highest parameters, (size,) each."""
        lowest, highest = np.full(size, -np.inf), np.full(size, np.inf)
        lowest[BLUR] = -self.walls.sample_mm2
        for i in range(FIRST_MODE, size, MODE_SIZE):
            ranges = np.transpose([FREQUENCY_RANGE_HZ, DAMPING_RANGE])
            lowest[i : i + 2], highest[i : i + 2] = ranges
        return lowest, highest

    def drawing(self, at: Array) -> Drawing:
        """The walls as drawn with what the parameters bend."""
        return redraw(self.walls, bend(at[GIVEN], self.alike_hz), self.doubts)

    def ripple(self, at: Array, drawing: Drawing) -> ComplexArray:
        """Sum of all modes' ripples, whose real part is their brightness, (b, n)."""
        total = np.zeros(drawing.passing_s.shape, complex)
        for i in modes(at):
            total += self.strength(at, i) * drawing.slope(trial_pole(*at[i : i + 2]))
        return total

    def strength(self, at: Array, mode: int) -> complex:
        """c0 of the mode whose parameters begin at `mode`."""
        return complex(*at[mode + 2 : mode + 4]) * self._back(at, trial_pole(*at[mode : mode + 2]))

    def _back(self, at: Array, lam: complex) -> complex:
        """Factor that undoes what the shift does to a wave of the cruising nozzle."""
        return complex(np.exp(-lam * at[SHIFT] / self.walls.motion.top_speed_mm_s))

    def __call__(self, at: Array) -> Tangent:
        """The filtered model about a point."""
        drawing = self.drawing(at)
        ripple = np.zeros(drawing.passing_s.shape, complex)
        moved, rising, higher, softer = (np.zeros(ripple.shape) for _ in range(4))
        along = [np.zeros(ripple.shape) for _ in ALONG_STEPS]
        poles = []
        around = [self._along(at, i, drawing) for i in range(len(ALONG_STEPS))]
        # a higher place on the ramp shortens the shaper: its times go as 1 / frequency
        true_hz = self.walls.commanded_hz + at[HEIGHT] * self.doubts.hz_per_mm
        sooner = np.where(np.isnan(true_hz), 0.0, self.doubts.hz_per_mm / true_hz)[:, None]
        pace = 1 / self.walls.motion.top_speed_mm_s
        for i in modes(at):
            lam = trial_pole(*at[i : i + 2])
            back = self._back(at, lam)
            c = complex(*at[i + 2 : i + 4]) * back
            wave, left = Wave.of(lam, drawing), drawing.left(lam)[:, None]
            slope, turn = left * wave.slope, drawing.left_turn(lam)[:, None]
            own = c * slope
            ripple += own
            softened = wave.softer()
            softer += np.real(own * softened)
            slowed = 1 + 2 * wave.spread_s2 * softened
            for change, (later, slower) in zip(along, around, strict=True):
                change += np.real(own * (lam * later + slowed * slower))
            rise = own * wave.rise()
            moved += np.real(rise - own * lam * pace)
            rising += rise.real
            higher += np.real(c * wave.slope * turn * -lam * sooner)
            pulled = c * (wave.slope * turn + slope * (wave.turn() - at[SHIFT] * pace))
            poles += [(pulled * over).real for over in pole_turn(*at[i : i + 2])]
            poles += [(back * slope).real, -(back * slope).imag]
        stretched = rising * self.walls.s_mm
        skewed = rising * self.walls.up[:, None]
        softer *= drawing.slowness_s_mm**2
        changes = [moved, stretched, skewed, higher, *along, softer]
        shaded, gain = shade(ripple.real, at[SHADING])
        small = np.clip(ripple.real, -STEEPEST_SHADED, STEEPEST_SHADED)
        square = small * small
        # each is filtered as it is made: kept side by side they would take twice the memory
        columns = chain(
            (gain * change for change in changes),
            (square, square * small),
            (gain * change for change in poles),
        )
        whitener = self.problem.whitener
        jacobian = np.empty((at.size, *ripple.shape))
        for i, column in enumerate(columns):
            jacobian[i] = whitener(column)
        return Tangent(at=at, jacobian=jacobian, left=self.problem.data - whitener(shaded))

    def speed_change(self, at: Array) -> Array:
        """Derivative of the filtered model over the logarithm of the speed on the face, (b, n)."""

        def shaded(by: float) -> Array:
            motion = self.walls.motion
            moved = replace(motion, speed_mm_s=motion.speed_mm_s * float(np.exp(by)))
            model = replace(self, walls=replace(self.walls, motion=moved))
            return shade(model.ripple(at, model.drawing(at)).real, at[SHADING])[0]

        # central: what the other parameters cannot mimic is a small part of it
        return self.problem.whitener((shaded(SPEED_STEP) - shaded(-SPEED_STEP)) / (2 * SPEED_STEP))

    def _along(self, at: Array, which: int, drawing: Drawing) -> tuple[Array, Array]:
        """Derivatives of passing time and logarithm of slowness over the axis along the face."""
        there = at.copy()
        there[ALONG + which] += ALONG_STEPS[which]
        here, other = (bend(point[GIVEN], self.alike_hz) for point in (at, there))
        later, slower = along_changes(self.walls, here, other, drawing)
        return later / ALONG_STEPS[which], slower / ALONG_STEPS[which]


def modes(at: Array) -> range:
    """Where the modes' parameters begin."""
    return range(FIRST_MODE, at.size, MODE_SIZE)


def shade(ripple: Array, powers: Array) -> tuple[Array, Array]:
    """Relative brightness of a ripple that would be `ripple` if it were linear, and its slope."""
    small = np.clip(ripple, -STEEPEST_SHADED, STEEPEST_SHADED)
    square = small * small
    gain = 1 + 2 * powers[0] * small + 3 * powers[1] * square
    return ripple + square * (powers[0] + powers[1] * small), gain
