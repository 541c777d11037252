"""The ripple as the wall shows it: a decaying wave drawn by an accelerating nozzle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.motion import SLOWEST_MM_S, CornerMotion
from ringscan.model.shapers import Impulses
from ringscan.model.vibration import free_decay, residual

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wave:
    """A ripple as if no shaper had been on, each sample the mean over its blur.

    About a sample, `d` off it, the nozzle's slowness is ``p exp(-a p² d)`` and it passes at
    ``t + p d - a p³ d² / 2``. Of that the mean over a normal `d` has a closed form.

    slope : mean of ``lam exp(lam t) / (ds/dt)``, complex, (b, n)
    lam : its pole
    passing_s, slowness_s_mm : t and p, see `Drawing`, (b, n)
    spread_s2 : variance of the times that a sample is the mean of, (b, n)
    braking : acceleration over speed, 1/s, (b, n)
    blunted, share : parts that its derivatives have in common, complex, (b, n)
    """

    slope: ComplexArray
    lam: complex
    passing_s: Array
    slowness_s_mm: Array
    spread_s2: Array
    braking: Array
    blunted: ComplexArray
    share: ComplexArray

    @classmethod
    def of(cls, lam: complex, drawing: Drawing) -> Wave:
        """The wave of a drawing with a pole."""
        slope, u, g, D = _mean_slope(lam, drawing)
        r = np.asarray((lam - g) / D)
        return cls(
            slope=slope,
            lam=lam,
            passing_s=drawing.passing_s,
            slowness_s_mm=drawing.slowness_s_mm,
            spread_s2=u,
            braking=g,
            blunted=r,
            share=np.asarray(u * r * r + 1 / D),
        )

    def turn(self) -> ComplexArray:
        """Derivative of the slope's logarithm over ``lam``, (b, n)."""
        u, g, r, k = self.spread_s2, self.braking, self.blunted, self.share
        return np.asarray(1 / self.lam + self.passing_s + u * r - g * u * k / 2)

    def rise(self) -> ComplexArray:
        """Derivative of the slope's logarithm over wall position, 1/mm, (b, n)."""
        u, g, r, k = self.spread_s2, self.braking, self.blunted, self.share
        w = self.lam - g
        more = g * u * (r * (g - w) + 1.5 * self.lam * g * k)
        return np.asarray(self.slowness_s_mm * (w + more))

    def softer(self) -> ComplexArray:
        """Derivative of the slope's logarithm over ``spread_s2``, 1/s², (b, n)."""
        g = self.braking
        return np.asarray(((self.lam - g) * self.blunted - self.lam * g * self.share) / 2)


def _mean_slope(lam: complex, drawing: Drawing) -> tuple[ComplexArray, Array, Array, ComplexArray]:
    """Slope, spread and braking of a `Wave`, and what divides its exponent, (b, n) each."""
    p = drawing.slowness_s_mm
    # of no use where the nozzle stands, where it might be infinite
    u = np.where(drawing.free, drawing.blur_mm2 * p * p, 0.0)
    g = drawing.acceleration_mm_s2 * p
    D = np.asarray(1 + lam * (g * u))
    decay = free_decay(lam, drawing.passing_s, np.asarray(u * (lam - g) ** 2 / (2 * D)))
    return np.asarray(lam * decay * p / np.sqrt(D)), u, g, D


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """When each band's nozzle passed each wall position, and what its shaper was.

    passing_s : time since the unshaped nozzle left the corner, (b, n)
    slowness_s_mm : 1 / speed along the wall, (b, n)
    acceleration_mm_s2 : along the wall, (b, n)
    blur_mm2 : variance of the stretch of wall that a sample is the mean of
    free : where the last impulse is over and the nozzle moves: the ripple decays freely, (b, n)
    impulses : per band, (b, m)
    """

    passing_s: Array
    slowness_s_mm: Array
    acceleration_mm_s2: Array
    blur_mm2: float
    free: Mask
    impulses: Impulses

    def slope(self, lam: complex) -> ComplexArray:
        """Complex slope ``R lam exp(lam t) / (ds/dt)`` of the ripple per band, (b, n).

        The wall's slope is the real part of this times one complex constant for the photo.
        """
        return np.asarray(self.left(lam)[:, None] * self.wave(lam))

    def wave(self, lam: complex) -> ComplexArray:
        """Complex slope of the ripple per band as if no shaper had been on, (b, n)."""
        if not self.blur_mm2:
            return np.asarray(lam * free_decay(lam, self.passing_s) * self.slowness_s_mm)
        return _mean_slope(lam, self)[0]

    def left(self, lam: complex | ComplexArray) -> ComplexArray:
        """What the shaper leaves, ``R``, (b,); poles (t, 1) give (t, b)."""
        return residual(self.impulses.amplitudes, self.impulses.times_s, lam)

    def left_turn(self, lam: complex) -> ComplexArray:
        """Derivative of ``R`` over ``lam``, (b,)."""
        A, t = self.impulses.amplitudes, self.impulses.times_s
        return -residual(A * t, t, lam)

    def every(self, step: int) -> Drawing:
        """Every `step`-th band alone."""
        part = slice(None, None, step)
        return Drawing(
            passing_s=self.passing_s[part],
            slowness_s_mm=self.slowness_s_mm[part],
            acceleration_mm_s2=self.acceleration_mm_s2[part],
            blur_mm2=self.blur_mm2,
            free=self.free[part],
            impulses=self.impulses.part(part),
        )


EDGE_MM = 1.2
"""Stretch at the entry edge left out: the corner is rounded there and shadowed."""


def draw(
    s_mm: Array,
    motion: CornerMotion,
    impulses: Impulses,
    along: Impulses,
    blur_mm2: float = 0.0,
) -> Drawing:
    """Invert the motion at wall positions.

    Parameters
    ----------
    s_mm : (n,), or (b, n) where bands differ
    motion : along the face
    impulses : of the shaper of the axis normal to the face, (b, m)
    along : of the shaper of the axis along the face, (b, k)
    blur_mm2 : see Drawing
    """
    passing = motion.passing(s_mm, along)
    begun = passing.time_s > impulses.end_s[:, None]
    braking = motion.duration_s - motion.ramp_s
    moving = passing.speed_mm_s > SLOWEST_MM_S
    return Drawing(
        passing_s=passing.time_s,
        slowness_s_mm=1 / np.maximum(passing.speed_mm_s, SLOWEST_MM_S),
        acceleration_mm_s2=passing.acceleration_mm_s2,
        blur_mm2=blur_mm2,
        free=begun & (passing.time_s < braking) & moving & (s_mm >= EDGE_MM),
        impulses=impulses,
    )
