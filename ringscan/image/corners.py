"""How round the tower's upright corners are, by height: a shaper draws both walls late.

Only the outline's fit uses this. The amplitudes are the undamped ones of the literature, good
enough for a length that is corrected by a fitted factor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.plan import Axis, Family, Motion, Plan, Shaper, State

AMPLITUDES: dict[Family, tuple[float, ...]] = {
    Family.ZV: (0.5, 0.5),
    Family.ZVD: (0.25, 0.5, 0.25),
    Family.ZVDD: (0.125, 0.375, 0.375, 0.125),
    Family.EI: (0.26, 0.48, 0.26),
    Family.EI2: (0.16, 0.34, 0.34, 0.16),
    Family.EI3: (0.11, 0.24, 0.3, 0.24, 0.11),
}
"""Half a period apart."""
MAX_MM = 15.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corners:
    """Roundness of the upright corners per layer.

    top_mm : height of each layer's upper face, (layers,)
    drop_mm : how far along each wall the other one is still being drawn, (layers,)
    known : whether the plan says what the shaper did, (layers,)
    height_mm : of the tower
    """

    top_mm: NDArray[np.float64]
    drop_mm: NDArray[np.float64]
    known: NDArray[np.bool_]
    height_mm: float

    @classmethod
    def of(cls, plan: Plan, axis: Axis) -> Corners:
        """Corners as the plan commands them."""
        commands = plan.commands(axis)
        on = commands.frequency_hz > 0
        drop = np.zeros(len(on))
        drop[on] = _drop(1 / commands.frequency_hz[on], plan.shaper, plan.motion)
        return cls(
            top_mm=np.array([plan.layer_top_mm(k) for k in range(plan.size.layers)]),
            drop_mm=np.minimum(drop, MAX_MM),
            known=commands.state != State.OUTSIDE.value,
            height_mm=plan.height_mm,
        )

    def turned_over(self) -> Corners:
        """Those of a tower whose top is where its base should be."""
        bottom_mm = np.append(0.0, self.top_mm[:-1])
        return replace(
            self,
            top_mm=self.height_mm - bottom_mm[::-1],
            drop_mm=self.drop_mm[::-1],
            known=self.known[::-1],
        )

    def at(self, z_mm: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Drop and whether it is known, at heights."""
        layer = np.clip(np.searchsorted(self.top_mm, z_mm), 0, len(self.top_mm) - 1)
        return self.drop_mm[layer], self.known[layer]


def _drop(period_s: NDArray[np.float64], shaper: Shaper, motion: Motion) -> NDArray[np.float64]:
    """Mean way that the impulses have travelled from the corner when the last one comes."""
    if shaper.family is Family.LIST:
        amplitudes, times = shaper.amplitudes, shaper.times_in_periods
    else:
        amplitudes = AMPLITUDES[shaper.family]
        times = tuple(k / 2 for k in range(len(amplitudes)))
    total = np.zeros_like(period_s)
    for amplitude, time in zip(amplitudes, times, strict=True):
        total += amplitude * _way((times[-1] - time) * period_s, motion)
    return total


def _way(time_s: NDArray[np.float64], motion: Motion) -> NDArray[np.float64]:
    """Way travelled from a corner: constant acceleration up to the speed."""
    slow, fast, acceleration = (
        motion.corner_speed_mm_s,
        motion.speed_mm_s,
        motion.acceleration_mm_s2,
    )
    rising_s = np.minimum(time_s, (fast - slow) / acceleration)
    way: NDArray[np.float64] = slow * rising_s + acceleration * rising_s**2 / 2
    return way + fast * (time_s - rising_s)
