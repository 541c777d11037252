"""Where the nozzle is while it draws the ripple: position along the face against time.

The nozzle leaves the corner at the corner speed and accelerates, so ripples start crowded at
the entry edge and spread; a shaper delays and smears the motion: ``s(t) -> sum A_i s(t - t_i)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ringscan.model.shapers import Impulses
from ringscan.model.vibration import free_decay
from ringscan.plan import Plan

Array = NDArray[np.float64]

LAW_STEP_S = 2e-4
"""Step of the tabulated motion of an unshaped nozzle: at 20 m/s² it errs by 1e-4 mm."""

TABLE_EVERY = 10
"""The motion of a shaped one is tabulated at every 10th of these steps, with a cubic between: for
an axis along the face that rings by 0.1 mm at 60 Hz that errs by 1e-4 mm."""

SLOWEST_MM_S = 1.0
"""Slower than this a wall position says nothing about the time."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passing:
    """When and how the nozzle passed wall positions, (b, m) each.

    time_s : from the moment the unshaped nozzle leaves the corner
    speed_mm_s, acceleration_mm_s2 : along the face, then
    """

    time_s: Array
    speed_mm_s: Array
    acceleration_mm_s2: Array


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
        return self.travel(t_s)[0]

    def travel(self, t_s: Array) -> tuple[Array, Array]:
        """Position and speed at times (...)."""
        a, vc, T = self.acceleration_mm_s2, self.corner_speed_mm_s, self.ramp_s
        up = np.clip(t_s, 0, T)
        level = np.clip(t_s - T, 0, self.duration_s - 2 * T)
        down = np.clip(t_s - (self.duration_s - T), 0, T)
        v = self.top_speed_mm_s
        place = vc * up + a * up**2 / 2 + v * level + v * down - a * down**2 / 2
        pace = np.where((t_s < 0) | (t_s > self.duration_s), 0.0, vc + a * (up - down))
        off, rate = self._ring(t_s)
        return place + off, pace + rate

    def _ring(self, t_s: Array) -> tuple[Array, Array]:
        """Error of the axis along the face as it speeds up, mm, and its rate, mm/s.

        It solves ``e'' + 2 zeta w e' + w² e = -s''`` for a jump to the corner speed and a
        constant acceleration after it; the braking at the far end is left out.
        """
        if self.ringing is None:
            return np.zeros(1), np.zeros(1)
        lam, a, vc = self.ringing, self.acceleration_mm_s2, self.corner_speed_mm_s
        moving = t_s > 0
        decay = free_decay(lam, np.maximum(t_s, 0.0))
        since = np.maximum(t_s - self.ramp_s, 0.0)
        ended = free_decay(lam, since)
        place = vc * decay + a * (decay - ended) / lam
        rate = lam * vc * decay + a * (decay - ended)
        return (
            np.where(moving, -place.imag / lam.imag, 0.0),
            np.where(moving, -rate.imag / lam.imag, 0.0),
        )

    def passing(self, s_mm: Array, impulses: Impulses) -> Passing:
        """Invert the shaped motion ``sum A_i s(t - t_i)`` at wall positions.

        Parameters
        ----------
        s_mm : rising, (m,), or (b, m) where bands differ
        impulses : per band, (b, n)
        """
        tables = shaped_tables(self, impulses)
        position = tables[0]
        # where the nozzle ran back over its own line, its first pass counts
        rising = np.maximum.accumulate(position, axis=1)
        at = np.arange(position.shape[1])
        each = np.broadcast_to(s_mm, (rising.shape[0], s_mm.shape[-1]))
        place = np.array([np.interp(s, row, at) for s, row in zip(each, rising, strict=True)])
        there, now, acceleration = _between(tables, place)
        h = TABLE_EVERY * LAW_STEP_S
        step = np.divide(s_mm - there, now, out=np.zeros_like(now), where=now > SLOWEST_MM_S)
        step = np.clip(step, -h, h)
        return Passing(
            time_s=np.maximum(h * place + step, 0.0),
            speed_mm_s=now + acceleration * step,
            acceleration_mm_s2=acceleration,
        )


def face_motion(plan: Plan) -> CornerMotion:
    """Travel along one face of the plan's tower, on the middle of the printed line."""
    return CornerMotion(
        speed_mm_s=plan.motion.speed_mm_s,
        acceleration_mm_s2=plan.motion.acceleration_mm_s2,
        corner_speed_mm_s=plan.motion.corner_speed_mm_s,
        length_mm=plan.size.width_mm - plan.size.line_width_mm,
    )


def displaced(
    motion: CornerMotion, other: CornerMotion, impulses: Impulses, time_s: Array
) -> tuple[Array, Array]:
    """How far ahead another motion is at times (b, m), mm, and how much faster, mm/s."""
    pairs = zip(shaped_tables(other, impulses), shaped_tables(motion, impulses), strict=True)
    position, speed = (theirs - ours for theirs, ours in pairs)
    ahead, faster, _ = _between((position, speed), time_s / (TABLE_EVERY * LAW_STEP_S))
    return ahead, faster


def _between(tables: tuple[Array, Array], place: Array) -> tuple[Array, Array, Array]:
    """Position, speed and acceleration between entries of tables (b, t), by cubics.

    place : in entries, (b, m)
    """
    position, speed = tables
    size, h = position.shape[1], TABLE_EVERY * LAW_STEP_S
    low = np.minimum(place.astype(np.intp), size - 2)
    x = place - low
    low += size * np.arange(position.shape[0])[:, None]
    p, v = position.ravel(), speed.ravel()
    start, v0, v1 = p[low], v[low], v[low + 1]
    mean = (p[low + 1] - start) / h
    square, cube = 3 * mean - 2 * v0 - v1, v0 + v1 - 2 * mean
    return (
        start + h * x * (v0 + x * (square + x * cube)),
        v0 + x * (2 * square + 3 * x * cube),
        (2 * square + 6 * x * cube) / h,
    )


@lru_cache(maxsize=4)
def shaped_tables(motion: CornerMotion, impulses: Impulses) -> tuple[Array, Array]:
    """Position (mm) and speed (mm/s) of the shaped motion at every tabulated time, (b, t)."""
    late = impulses.times_s / LAW_STEP_S
    whole = np.ceil(late)
    later = whole - late
    longest = int(whole.max())
    size = int((motion.duration_s / LAW_STEP_S + longest) / TABLE_EVERY) + 2
    first = longest - whole.astype(np.intp)
    tables = []
    for law in _laws(motion):
        # row k of `shifted` is the law from its k-th entry on, at every tabulated time
        padded = np.pad(law, (longest, size * TABLE_EVERY), mode="edge")
        shifted = sliding_window_view(padded, (size - 1) * TABLE_EVERY + 1)[:, ::TABLE_EVERY]
        table = np.zeros((late.shape[0], size))
        for i in range(late.shape[1]):
            # the entry before the corner comes first: one more
            part, share = impulses.amplitudes[:, i, None], later[:, i, None]
            table += part * (1 - share) * shifted[first[:, i] + 1]
            table += part * share * shifted[first[:, i] + 2]
        tables.append(table)
    return tables[0], tables[1]


@lru_cache(maxsize=64)
def _laws(motion: CornerMotion) -> tuple[Array, Array]:
    """Position and speed at multiples of `LAW_STEP_S`, the first entry being before the corner."""
    steps = np.arange(-1, int(motion.duration_s / LAW_STEP_S) + 2)
    return motion.travel(np.asarray(LAW_STEP_S * steps, float))
