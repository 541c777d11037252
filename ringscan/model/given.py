"""What the fit is given by the picture and the plan, and how far it may bend it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.motion import CornerMotion, displaced
from ringscan.model.problem import Walls
from ringscan.model.ripple import Drawing, draw
from ringscan.model.shapers import Impulses
from ringscan.model.vibration import pole

Array = NDArray[np.float64]

ALONG_DAMPING = 0.06
ALONG_SD = (0.4, 0.5)
"""The axis along the face is not known; it is taken to be like the one across it, its natural
frequency within a factor of exp(0.4) and its damping ratio within exp(0.5) of 0.06, each as a
standard deviation. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubts:
    """Standard uncertainties of what the fit is given.

    shift_mm : of the entry edge's place
    stretch : of lengths along the face, relative
    skew_mm : of the entry edge's place at the top against that at the base
    height_mm : of heights on the tower
    blur_mm2 : of the variance of the picture's blur
    hz_per_mm : how fast the commanded frequency rises with height; not a doubt
    """

    shift_mm: float
    stretch: float
    skew_mm: float
    height_mm: float
    blur_mm2: float
    hz_per_mm: float

    @property
    def sd(self) -> Array:
        """Standard uncertainties in the order of what `bend` takes, (7,)."""
        bends = [self.shift_mm, self.stretch, self.skew_mm, self.height_mm]
        return np.array([*bends, *ALONG_SD, self.blur_mm2])


@dataclass(frozen=True, slots=True, kw_only=True)
class Bent:
    """Corrections that the fit found: true = given × (1 + stretch) + shift, given + height.

    shift_mm : of wall positions
    stretch : of wall positions, relative
    skew_mm : of wall positions at the top against those at the base
    height_mm : of heights
    along_hz, along_damping : natural frequency and damping ratio of the axis along the face
    blur_mm2 : of the variance of the blur
    """

    shift_mm: float
    stretch: float
    skew_mm: float
    height_mm: float
    along_hz: float
    along_damping: float
    blur_mm2: float


def bend(vector: Array, alike_hz: float) -> Bent:
    """Corrections from numbers that are 0 where nothing is bent, (7,).

    `alike_hz` is the frequency that the axis along the face is expected near.
    """
    return Bent(
        shift_mm=float(vector[0]),
        stretch=float(vector[1]),
        skew_mm=float(vector[2]),
        height_mm=float(vector[3]),
        along_hz=float(alike_hz * np.exp(vector[4])),
        along_damping=float(min(ALONG_DAMPING * np.exp(vector[5]), 0.5)),
        blur_mm2=float(vector[6]),
    )


ALONG_STEPS = (0.002, 0.01)
"""Steps for the numerical derivatives over the axis along the face: logarithms of its frequency
and damping ratio."""


def along_changes(walls: Walls, at: Bent, to: Bent, drawing: Drawing) -> tuple[Array, Array]:
    """What another axis along the face changes at every wall position of a drawing, (b, n) each.

    Returns
    -------
    by how much later the nozzle passes, s, and the change of the logarithm of its slowness
    """
    here, there = (_ringing(walls, bent) for bent in (at, to))
    ahead, faster = displaced(here, there, walls.along, drawing.passing_s)
    pace = drawing.slowness_s_mm
    later = -ahead * pace
    return later, -(faster + drawing.acceleration_mm_s2 * later) * pace


def _ringing(walls: Walls, bent: Bent) -> CornerMotion:
    return replace(walls.motion, ringing=complex(pole(bent.along_hz, bent.along_damping)))


def redraw(walls: Walls, bent: Bent, doubts: Doubts) -> Drawing:
    """Draw the walls with corrected positions and heights, and the axis along the face ringing."""
    # impulse times go as 1 / commanded frequency
    shaped = ~np.isnan(walls.commanded_hz)
    asked = np.where(shaped, walls.commanded_hz, 1.0)
    true = np.maximum(asked + bent.height_mm * doubts.hz_per_mm, 0.1 * asked)
    ratio = np.where(shaped, asked / true, 1.0)
    skew_mm = bent.skew_mm * walls.up[:, None]
    s_mm = walls.s_mm * (1 + bent.stretch) + bent.shift_mm + skew_mm
    impulses = _sooner(walls.impulses, ratio)
    sample_mm2 = max(walls.sample_mm2 + bent.blur_mm2, 0.0)
    return draw(s_mm, _ringing(walls, bent), impulses, walls.along, sample_mm2)


def _sooner(impulses: Impulses, ratio: Array) -> Impulses:
    return Impulses(amplitudes=impulses.amplitudes, times_s=impulses.times_s * ratio[:, None])
