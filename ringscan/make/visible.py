"""How well a corner's ripple would be seen, before it is printed.

The corner's ripple is ``|B| / Im(lam)`` (ringscan.model.vibration); it is asked for over the
whole range of likely natural frequencies and dampings, and the least value counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from ringscan.make.false_quiet import LIKELY_DAMPING
from ringscan.model.motion import CornerMotion
from ringscan.model.vibration import ripple_height_mm

Array = NDArray[np.float64]

MIN_RIPPLE_UM = 30.0
"""Weaker ripple drowns in an ordinary printed wall."""

BLIND_RATIO = 1 / 3
"""Ripple over a / w² below which the braking has nearly cancelled itself."""

MIN_RIPPLES = 5.0
"""Ripples on the face, so that their spacing and decay can be read."""

PIXELS_PER_MM = 12.0
"""On the face, in a 12-megapixel photo of the whole sheet."""
MIN_RIPPLE_PX = 4.0

GRID_HZ = 0.5
"""Step between likely natural frequencies."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Visibility:
    """How well each likely natural frequency would be seen, all (n,).

    frequency_hz : the natural frequencies
    ripple_um, strongest_um : least and greatest ripple over the likely dampings
    blindness : least ratio of the ripple to a / w²
    length_mm : of the first ripple on the wall, which is the shortest
    lost : too weak, blind, or too short to be drawn and photographed
    """

    frequency_hz: Array
    ripple_um: Array
    strongest_um: Array
    blindness: Array
    length_mm: Array
    lost: NDArray[np.bool_]


def likely_frequencies(low_hz: float, high_hz: float) -> Array:
    """Grid over the range, both ends included."""
    return np.linspace(low_hz, high_hz, max(2, round((high_hz - low_hz) / GRID_HZ) + 1))


def visibility(frequency_hz: Array, motion: CornerMotion, line_width_mm: float) -> Visibility:
    """How well the corner shows natural frequencies (n,)."""
    heights_mm = ripple_height_mm(
        frequency_hz,
        np.array(LIKELY_DAMPING)[:, None],
        speed_mm_s=motion.top_speed_mm_s,
        acceleration_mm_s2=motion.acceleration_mm_s2,
        corner_speed_mm_s=motion.corner_speed_mm_s,
    )
    strongest, height_mm = heights_mm.max(axis=0), heights_mm.min(axis=0)
    blindness = height_mm * (2 * pi * frequency_hz) ** 2 / motion.acceleration_mm_s2
    length = motion.position_mm(1 / frequency_hz)
    ripple = 1000 * height_mm
    return Visibility(
        frequency_hz=frequency_hz,
        ripple_um=ripple,
        strongest_um=1000 * strongest,
        blindness=blindness,
        length_mm=length,
        lost=(ripple < MIN_RIPPLE_UM)
        | (blindness < BLIND_RATIO)
        | (length < needed_ripple_mm(line_width_mm)),
    )


def ripples_on_face(motion: CornerMotion, frequency_hz: float) -> float:
    """Periods from the entry edge to where the nozzle brakes for the next corner."""
    return (motion.duration_s - motion.ramp_s) * frequency_hz


def needed_ripple_mm(line_width_mm: float) -> float:
    """Least length of a ripple: one line width, and four pixels."""
    return max(line_width_mm, MIN_RIPPLE_PX / PIXELS_PER_MM)


def least_acceleration_mm_s2(frequency_hz: float, corner_speed_mm_s: float) -> float:
    """Acceleration with which the least ripple can be had at the best speed, mm/s².

    Braking leaves a velocity on a circle of radius a / w around -i a / w, stopping from the corner
    speed adds that speed: together at most a / w + sqrt((a / w)² + v_c²), and the ripple is that
    over w. Without a corner speed it is 2 a / w².
    """
    w = 2 * pi * frequency_hz
    needed = MIN_RIPPLE_UM / 1000 * w
    return max(0.0, w * (needed**2 - corner_speed_mm_s**2) / (2 * needed))
