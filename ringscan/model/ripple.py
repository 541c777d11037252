"""The ripple as the wall shows it: a decaying wave drawn by an accelerating nozzle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.motion import CornerMotion
from ringscan.model.shapers import Impulses
from ringscan.model.vibration import residual

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """When each band's nozzle passed each wall position, and what its shaper was.

    passing_s : time since the unshaped nozzle left the corner, (b, n)
    slowness_s_mm : 1 / speed along the wall, (b, n)
    free : where the last impulse is over and the nozzle moves: the ripple decays freely, (b, n)
    impulses : per band, (b, m)
    """

    passing_s: Array
    slowness_s_mm: Array
    free: Mask
    impulses: Impulses

    def slope(self, lam: complex, ramp_lam: complex | None = None) -> ComplexArray:
        """Complex slope ``R lam exp(lam t) / (ds/dt)`` of the ripple per band, (b, n).

        The wall's slope is the real part of this times one complex constant for the photo.
        `ramp_lam`, where given, is used instead of `lam` in R, the shaper's effect.
        """
        left = residual(
            self.impulses.amplitudes, self.impulses.times_s, lam if ramp_lam is None else ramp_lam
        )
        return np.asarray(left[:, None] * self.wave(lam))

    def wave(self, lam: complex) -> ComplexArray:
        """Complex slope of the ripple per band as if no shaper had been on, (b, n)."""
        return np.asarray(lam * np.exp(lam * self.passing_s) * self.slowness_s_mm)


EDGE_MM = 1.2
"""Stretch at the entry edge left out: the corner is rounded there and shadowed."""

END_SHARE = 0.97
"""Share of the travel time that is used: then the next corner begins."""


def draw(s_mm: Array, motion: CornerMotion, impulses: Impulses, along: Impulses) -> Drawing:
    """Invert the motion at wall positions.

    Parameters
    ----------
    s_mm : (n,)
    motion : along the face
    impulses : of the shaper of the axis normal to the face, (b, m)
    along : of the shaper of the axis along the face, (b, k)
    """
    passing = motion.passing_time_s(s_mm, along)
    speed = motion.shaped_speed_mm_s(passing, along)
    begun = passing > impulses.end_s[:, None]
    braking = motion.duration_s - motion.ramp_s
    free = begun & (passing < braking) & (speed > 1.0) & (s_mm >= EDGE_MM)
    return Drawing(
        passing_s=passing,
        slowness_s_mm=1 / np.maximum(speed, 1.0),
        free=free,
        impulses=impulses,
    )
