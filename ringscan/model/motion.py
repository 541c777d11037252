"""Where the nozzle is while it draws the ripple: position along the face against time.

The nozzle leaves the corner at the corner speed and accelerates, so ripples start crowded at
the entry edge and spread; a shaper delays and smears the motion: ``s(t) -> sum A_i s(t - t_i)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from ringscan.model.shapers import Impulses

Array = NDArray[np.float64]

LAW_STEP_S = 5e-5
"""Step of the tabulated motion: at 20 m/s² it errs by 1e-5 mm."""

LONGEST_STEP_S = 1e-3
"""Longest Newton step after the table: where the nozzle nearly stands still it means nothing."""

TIME_STEPS = 700
"""Points of the table that inverts s(t); the Newton step after it leaves under 1e-4 mm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CornerMotion:
    """Travel along one face, from the entry corner to the next one.

    speed_mm_s, acceleration_mm_s2, corner_speed_mm_s : as commanded
    length_mm : of the face
    ringing : pole of the axis along the face, which moves the nozzle too; None is a rigid one
    """

    speed_mm_s: float
    acceleration_mm_s2: float
    corner_speed_mm_s: float
    length_mm: float
    ringing: complex | None = None

    @property
    def top_speed_mm_s(self) -> float:
        """Speed reached on the face: less than commanded when the face is too short."""
        reachable = sqrt(self.corner_speed_mm_s**2 + self.acceleration_mm_s2 * self.length_mm)
        return min(self.speed_mm_s, reachable)

    @property
    def ramp_s(self) -> float:
        """Time to reach the top speed, and to brake from it."""
        return (self.top_speed_mm_s - self.corner_speed_mm_s) / self.acceleration_mm_s2

    @property
    def duration_s(self) -> float:
        """Time from corner to corner."""
        ramps_mm = (self.top_speed_mm_s + self.corner_speed_mm_s) * self.ramp_s
        return 2 * self.ramp_s + (self.length_mm - ramps_mm) / self.top_speed_mm_s

    def position_mm(self, t_s: Array) -> Array:
        """Distance from the entry edge at times (...); 0 before, the length after."""
        a, vc, T = self.acceleration_mm_s2, self.corner_speed_mm_s, self.ramp_s
        up = np.clip(t_s, 0, T)
        level = np.clip(t_s - T, 0, self.duration_s - 2 * T)
        down = np.clip(t_s - (self.duration_s - T), 0, T)
        v = self.top_speed_mm_s
        commanded = vc * up + a * up**2 / 2 + v * level + v * down - a * down**2 / 2
        return np.asarray(commanded + self._ring(t_s)[0])

    def speed_at_mm_s(self, t_s: Array) -> Array:
        """Speed along the face at times (...); 0 outside the travel."""
        v = np.minimum(t_s, self.duration_s - t_s) * self.acceleration_mm_s2
        v = np.minimum(v + self.corner_speed_mm_s, self.top_speed_mm_s)
        commanded = np.where((t_s < 0) | (t_s > self.duration_s), 0.0, v)
        return np.asarray(commanded + self._ring(t_s)[1])

    def _ring(self, t_s: Array) -> tuple[Array, Array]:
        """Error of the axis along the face as it speeds up, mm, and its rate, mm/s.

        It solves ``e'' + 2 zeta w e' + w² e = -s''`` for a jump to the corner speed and a
        constant acceleration after it; the braking at the far end is left out.
        """
        if self.ringing is None:
            return np.zeros(1), np.zeros(1)
        lam, a, vc = self.ringing, self.acceleration_mm_s2, self.corner_speed_mm_s
        moving = t_s > 0
        decay = np.exp(lam * np.maximum(t_s, 0.0))
        since = np.maximum(t_s - self.ramp_s, 0.0)
        ended = np.where(since > 0, np.exp(lam * since), 1.0)
        place = vc * decay + a * (decay - ended) / lam
        rate = lam * vc * decay + a * np.where(since > 0, decay - ended, decay)
        return (
            np.where(moving, -place.imag / lam.imag, 0.0),
            np.where(moving, -rate.imag / lam.imag, 0.0),
        )

    def shaped_position_mm(self, t_s: Array, impulses: Impulses) -> Array:
        """``sum A_i s(t - t_i)``: times (..., m), impulses (..., n), result (..., m)."""
        return _shaped(_laws(self)[1], t_s, impulses, _laws(self)[0])

    def shaped_speed_mm_s(self, t_s: Array, impulses: Impulses) -> Array:
        """Time derivative of `shaped_position_mm`."""
        return _shaped(_laws(self)[2], t_s, impulses, _laws(self)[0])

    def passing_time_s(self, s_mm: Array, impulses: Impulses) -> Array:
        """Time at which the shaped motion passes each wall position.

        Parameters
        ----------
        s_mm : wall positions, (m,), rising
        impulses : per band, (b, n)

        Returns
        -------
        Times (b, m), from the moment the unshaped nozzle leaves the corner.
        """
        end = self.duration_s + float(impulses.end_s.max())
        # the table is finest at the corner, where the position changes least with time
        t = end * np.linspace(0, 1, TIME_STEPS) ** 1.5
        # where the nozzle ran back over its own line, the last pass is the one that stays
        table = np.maximum.accumulate(self.shaped_position_mm(t, impulses), axis=-1)
        passing = np.array([np.interp(s_mm, row, t) for row in table])
        speed = self.shaped_speed_mm_s(passing, impulses)
        miss = s_mm - self.shaped_position_mm(passing, impulses)
        step = np.divide(miss, speed, out=np.zeros_like(miss), where=speed > 1.0)
        step = np.clip(step, -LONGEST_STEP_S, LONGEST_STEP_S)
        return np.asarray(np.maximum(passing + step, 0.0))


@lru_cache(maxsize=64)
def _laws(motion: CornerMotion) -> tuple[Array, Array, Array]:
    """Times from 0, position and speed there: a table fine enough to interpolate linearly."""
    t = np.arange(0.0, motion.duration_s + LAW_STEP_S, LAW_STEP_S)
    return t, motion.position_mm(t), motion.speed_at_mm_s(t)


def _shaped(law: Array, t_s: Array, impulses: Impulses, law_t_s: Array) -> Array:
    total = np.zeros(np.broadcast_shapes(t_s.shape, (*impulses.amplitudes.shape[:-1], 1)))
    for i in range(impulses.amplitudes.shape[-1]):
        since = t_s - impulses.times_s[..., i, None]
        total += impulses.amplitudes[..., i, None] * np.interp(since, law_t_s, law, left=0.0)
    return total
