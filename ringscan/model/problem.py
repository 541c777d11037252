"""The least-squares problem behind every answer: filtered walls and filtered ripple models."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.errors import FaceError, PlanError
from ringscan.model.motion import CornerMotion
from ringscan.model.ripple import Drawing, draw
from ringscan.model.shapers import Impulses
from ringscan.model.whiten import Whitener, build_whitener, flatten

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Mask = NDArray[np.bool_]


STEEPEST = 0.5
"""Relative brightness of a ripple up to which it is used: steeper slopes throw shadows and turn
away from the lamp. The limit is on the wave's envelope, so that no part of a wave is preferred."""


HIGHEST_HZ = 60.0
"""Ripples of axes up to here are sampled well whatever the ramp. Common practice, no source."""

WORKING_STEPS = 8
"""Samples per ripple that are kept. The model knows that each is a mean over its step."""

LEAST_TEXTURE = 1e-6
"""Relative; a photo's noise alone is a thousand times as much."""

LEAST_PAIRS = 3
LEAST_SAMPLES = 12
"""Pairs of neighbouring bands, and wall positions that both show, without which there is no noise
to be told from a ripple."""

LEAST_POOLED = 1.1
"""Steps that would be wider by less are left as they are."""

COARSEST_MM = 0.2
"""Coarsest pooling: the ripples next to the corner are crowded, the nozzle being slow there."""


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
    up : height above the bands' middle over the face's height, (b,)
    motion : along the face
    blur_mm : standard deviation of the picture's blur
    """

    s_mm: Array
    intensity: Array
    valid: Mask
    impulses: Impulses
    along: Impulses
    commanded_hz: Array
    group: NDArray[np.intp]
    up: Array
    motion: CornerMotion
    blur_mm: float = 0.0

    @property
    def sample_mm2(self) -> float:
        """Variance of the stretch of wall that a sample is the mean of."""
        return self.blur_mm**2 + float(self.s_mm[1] - self.s_mm[0]) ** 2 / 12

    def part(self, bands: slice | Mask) -> Walls:
        """Some bands alone."""
        return replace(
            self,
            intensity=self.intensity[bands],
            valid=self.valid[bands],
            impulses=self.impulses.part(bands),
            along=self.along.part(bands),
            commanded_hz=self.commanded_hz[bands],
            group=self.group[bands],
            up=self.up[bands],
        )

    def straightened(self, skew_mm: float) -> Walls:
        """The walls with their bands moved along the layers until a skew is gone, see `Bent`."""
        at = self.s_mm - skew_mm * self.up[:, None]
        rows = zip(at, self.intensity, self.valid, strict=True)
        moved = [
            (np.interp(s, self.s_mm, light), np.interp(s, self.s_mm, valid, left=0, right=0) == 1)
            for s, light, valid in rows
        ]
        intensity, valid = (np.array(part) for part in zip(*moved, strict=True))
        return replace(self, intensity=intensity, valid=valid)

    def pooled(self) -> Walls:
        """The walls in wider steps, each a mean, where samples lie closer than is needed."""
        highest = np.nanmax(self.commanded_hz, initial=HIGHEST_HZ)
        needed_mm = min(self.motion.top_speed_mm_s / highest / WORKING_STEPS, COARSEST_MM)
        step_mm = float(self.s_mm[1] - self.s_mm[0])
        if needed_mm < LEAST_POOLED * step_mm:
            return self
        count = max(2, round(self.s_mm.size * step_mm / needed_mm))
        wider_mm = self.s_mm.size * step_mm / count
        size = (count, self.intensity.shape[0])
        whole = cv2.resize(self.valid.astype(np.float64), size, interpolation=cv2.INTER_AREA)
        light = np.where(self.valid, self.intensity, 0.0)
        return replace(
            self,
            s_mm=self.s_mm[0] - step_mm / 2 + (np.arange(count) + 0.5) * wider_mm,
            intensity=np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA), float),
            valid=np.asarray(whole > 1 - 1e-6),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """Filtered data, and the filter for models of it.

    drawing : how each band was drawn
    valid : samples in use, (b, n)
    flat : relative brightness, (b, n)
    whitener : the filter
    data : filtered brightness, (b, n)
    group, up : see Walls, (b,)
    s_mm : wall positions, (n,)
    """

    drawing: Drawing
    valid: Mask
    flat: Array
    whitener: Whitener
    data: Array
    group: NDArray[np.intp]
    up: Array
    s_mm: Array

    def columns(self, lam: complex) -> Array:
        """Filtered real and imaginary part of the ripple's slope, (2, b, n)."""
        return self.filtered(self.drawing.slope(lam))

    def filtered(self, wave: ComplexArray) -> Array:
        """Filter the two real waves that a complex one (b, n) is made of, (2, b, n)."""
        return np.stack([self.whitener(wave.real), self.whitener(-wave.imag)])

    def strength(self, columns: Array) -> Array:
        """Least-squares factors of columns (k, b, n), (k,)."""
        flat = columns.reshape(columns.shape[0], -1)
        return np.asarray(np.linalg.lstsq(flat @ flat.T, flat @ self.data.ravel(), rcond=None)[0])

    def every(self, step: int) -> Problem:
        """The problem of every `step`-th band alone, for a rough answer fast."""
        return replace(
            self,
            drawing=self.drawing.every(step),
            valid=self.valid[::step],
            flat=self.flat[::step],
            whitener=self.whitener.every(step),
            data=self.data[::step],
            group=self.group[::step],
            up=self.up[::step],
        )


def pose_problem(walls: Walls, *, shared: bool = True) -> Problem:
    """Flatten and filter walls; with `shared`, what all heights have in common is taken out.

    Raises
    ------
    PlanError
        If too few neighbouring bands show enough of the wall.
    FaceError
        If it has no texture at all, as no print has.
    """
    drawing = draw(walls.s_mm, walls.motion, walls.impulses, walls.along, walls.sample_mm2)
    valid = walls.valid & drawing.free
    pairs = _pairs(valid, walls.group)
    if pairs < LEAST_PAIRS:
        raise PlanError(
            f"too little of the wall can be used: only {pairs} pairs of neighbouring layer bands "
            f"have {LEAST_SAMPLES} samples after the shaper's last impulse, {LEAST_PAIRS} are "
            "needed; plan a longer ramp, a wider tower or a lower speed"
        )
    flat = flatten(walls.s_mm, walls.intensity, valid)
    if not float(np.std(flat[valid])) > LEAST_TEXTURE:  # nor if it is no number
        raise FaceError("the face is perfectly uniform: this is no photo of a printed wall")
    whitener = build_whitener(walls.s_mm, flat, valid, group=walls.group, shared=shared)
    return Problem(
        drawing=drawing,
        valid=valid,
        flat=flat,
        whitener=whitener,
        data=whitener(flat),
        group=walls.group,
        up=walls.up,
        s_mm=walls.s_mm,
    )


def refine(problem: Problem, walls: Walls, lam: complex, strength: complex) -> Problem:
    """Pose the problem anew with what a first fit knows.

    Stretches where the ripple is too steep for brightness to follow it are left out, and the
    noise is estimated from what the ripple leaves.
    """
    wave = strength * problem.drawing.slope(lam)
    valid = problem.valid & (np.abs(wave) < STEEPEST)
    if _pairs(valid, walls.group) < LEAST_PAIRS:
        # such a ripple is no ringing: let it be judged by all there is
        valid = problem.valid
    ripple = np.where(valid, wave.real, 0.0)
    flat = flatten(walls.s_mm, walls.intensity, valid, ripple)
    whitener = build_whitener(
        walls.s_mm,
        flat - ripple,
        valid,
        group=walls.group,
        shared=problem.whitener.shared is not None,
    )
    return replace(problem, valid=valid, flat=flat, whitener=whitener, data=whitener(flat))


def _pairs(valid: Mask, group: NDArray[np.intp]) -> int:
    """Number of neighbouring bands of one group that show enough of the wall in common."""
    both = valid[1:] & valid[:-1] & (group[1:] == group[:-1])[:, None]
    return int((both.sum(axis=1) >= LEAST_SAMPLES).sum())
