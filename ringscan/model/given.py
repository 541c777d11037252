"""What the fit is given by the picture and the plan, and how far it may bend it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.problem import Walls
from ringscan.model.ripple import Drawing, draw
from ringscan.model.shapers import Impulses

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubts:
    """Standard uncertainties of what the fit is given.

    shift_mm : of the entry edge's place
    stretch : of lengths along the face, relative
    height_mm : of heights on the tower
    hz_per_mm : how fast the commanded frequency rises with height; not a doubt
    """

    shift_mm: float
    stretch: float
    height_mm: float
    hz_per_mm: float

    @property
    def sd(self) -> Array:
        """The three standard uncertainties, (3,)."""
        return np.array([self.shift_mm, self.stretch, self.height_mm])


@dataclass(frozen=True, slots=True, kw_only=True)
class Bent:
    """Corrections that the fit found: true = given + shift, given × (1 + stretch), given + height.

    shift_mm : of wall positions
    stretch : of wall positions, relative
    height_mm : of heights
    """

    shift_mm: float
    stretch: float
    height_mm: float


def redraw(walls: Walls, bent: Bent, doubts: Doubts) -> Drawing:
    """Draw the walls with corrected positions and heights."""
    # impulse times go as 1 / commanded frequency
    shaped = ~np.isnan(walls.commanded_hz)
    asked = np.where(shaped, walls.commanded_hz, 1.0)
    true = np.maximum(asked + bent.height_mm * doubts.hz_per_mm, 0.1 * asked)
    ratio = np.where(shaped, asked / true, 1.0)
    s_mm = walls.s_mm * (1 + bent.stretch) + bent.shift_mm
    return draw(s_mm, walls.motion, _sooner(walls.impulses, ratio), walls.along)


def _sooner(impulses: Impulses, ratio: Array) -> Impulses:
    return Impulses(amplitudes=impulses.amplitudes, times_s=impulses.times_s * ratio[:, None])
