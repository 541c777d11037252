"""The least-squares problem behind every answer: filtered walls and filtered ripple models."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.motion import CornerMotion
from ringscan.model.ripple import Drawing, draw
from ringscan.model.shapers import Impulses
from ringscan.model.vibration import pole
from ringscan.model.whiten import Whitener, build_whitener, flatten

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Mask = NDArray[np.bool_]


STEEPEST = 0.5
"""Relative brightness of a ripple up to which it is used: steeper slopes throw shadows and turn
away from the lamp. The limit is on the wave's envelope, so that no part of a wave is preferred."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Walls:
    """Layer bands of one face, as the fit takes them.

    s_mm : wall positions, evenly spaced, (n,)
    intensity : linear light, (b, n)
    valid : (b, n)
    impulses : of the shaper of the axis normal to the face, in each band, (b, m)
    along : the same of the axis along the face, (b, k)
    commanded_hz : shaper frequency in each band, NaN where it was off, (b,)
    group : number of the stretch of neighbouring bands (reference, ramp), (b,)
    motion : along the face
    """

    s_mm: Array
    intensity: Array
    valid: Mask
    impulses: Impulses
    along: Impulses
    commanded_hz: Array
    group: NDArray[np.intp]
    motion: CornerMotion


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """Filtered data, and the filter for models of it.

    drawing : how each band was drawn
    valid : samples in use, (b, n)
    flat : relative brightness, (b, n)
    whitener : the filter
    data : filtered brightness, (b, n)
    group : see Walls, (b,)
    s_mm : wall positions, (n,)
    """

    drawing: Drawing
    valid: Mask
    flat: Array
    whitener: Whitener
    data: Array
    group: NDArray[np.intp]
    s_mm: Array

    def columns(self, lam: complex, ramp_lam: complex | None = None) -> Array:
        """Filtered real and imaginary part of the ripple's slope, (2, b, n)."""
        slope = self.drawing.slope(lam, ramp_lam)
        return np.stack([self.whitener(slope.real), self.whitener(-slope.imag)])

    def strength(self, columns: Array) -> Array:
        """Least-squares factors of columns (k, b, n), (k,)."""
        flat = columns.reshape(columns.shape[0], -1)
        return np.asarray(np.linalg.lstsq(flat @ flat.T, flat @ self.data.ravel(), rcond=None)[0])


def thin(problem: Problem, every: int) -> Problem:
    """Every n-th band of a problem, to get a rough answer fast."""
    part = slice(None, None, every)
    drawing, whitener = problem.drawing, problem.whitener
    impulses = Impulses(
        amplitudes=drawing.impulses.amplitudes[part], times_s=drawing.impulses.times_s[part]
    )
    return replace(
        problem,
        drawing=Drawing(
            passing_s=drawing.passing_s[part],
            slowness_s_mm=drawing.slowness_s_mm[part],
            free=drawing.free[part],
            impulses=impulses,
        ),
        valid=problem.valid[part],
        flat=problem.flat[part],
        whitener=replace(
            whitener,
            scale=whitener.scale[part],
            share=whitener.share[part],
            use=whitener.use[part],
            smooth=whitener.smooth[part],
        ),
        data=problem.data[part],
        group=problem.group[part],
    )


def pose_problem(walls: Walls, *, shared: bool = True) -> Problem:
    """Flatten and filter walls; with `shared`, what all heights have in common is taken out."""
    drawing = draw(walls.s_mm, walls.motion, walls.impulses, walls.along)
    valid = walls.valid & drawing.free
    flat = flatten(walls.s_mm, walls.intensity, valid)
    whitener = build_whitener(walls.s_mm, flat, valid, group=walls.group, shared=shared)
    return Problem(
        drawing=drawing,
        valid=valid,
        flat=flat,
        whitener=whitener,
        data=whitener(flat),
        group=walls.group,
        s_mm=walls.s_mm,
    )


def refine(problem: Problem, walls: Walls, lam: complex) -> Problem:
    """Pose the problem anew with what a first fit knows.

    Stretches where the ripple is too steep for brightness to follow it are left out, and the
    noise is estimated from what the ripple leaves.
    """
    c = complex(*problem.strength(problem.columns(lam)))
    ripple = c * problem.drawing.slope(lam)
    valid = problem.valid & (np.abs(ripple) < STEEPEST)
    flat = flatten(walls.s_mm, walls.intensity, valid)
    left = np.where(valid, flat - ripple.real, 0.0)
    whitener = build_whitener(
        walls.s_mm, left, valid, group=walls.group, shared=problem.whitener.shared
    )
    return replace(problem, valid=valid, flat=flat, whitener=whitener, data=whitener(flat))


def trial_pole(frequency_hz: float, damping_ratio: float) -> complex:
    """`pole` of one pair of numbers."""
    return complex(pole(frequency_hz, damping_ratio))
