"""The wall that a plan is expected to print, for an axis of a supposed natural frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.motion import face_motion
from ringscan.model.shapers import shaper_impulses
from ringscan.model.vibration import corner_strength, pole, residual
from ringscan.plan import Axis, Plan, State

Array = NDArray[np.float64]

POINTS = 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpectedWall:
    """Ripple on one face.

    natural_hz, damping_ratio : supposed
    s_mm : wall position, (m,)
    height_mm : middle of each layer, (n,)
    ripple_um : height of the wall's surface, (n, m)
    command_hz : commanded frequency, (n,), NaN where there is none
    reference : layers with the shaper off, (n,)
    """

    natural_hz: float
    damping_ratio: float
    s_mm: Array
    height_mm: Array
    ripple_um: Array
    command_hz: Array
    reference: NDArray[np.bool_]


def expected_wall(plan: Plan, axis: Axis, natural_hz: float, damping_ratio: float) -> ExpectedWall:
    """Work out the ripple of every layer after the last impulse of its shaper.

    Raises
    ------
    PlanError
        If the axis has no ramp, or its shaper no solution.
    """
    commands = plan.commands(axis)
    motion = face_motion(plan)
    impulses = shaper_impulses(plan.shaper, commands.frequency_hz, commands.damping_ratio)
    s = np.linspace(0, motion.length_mm, POINTS)[1:]
    time = motion.passing(s, impulses).time_s
    lam = pole(natural_hz, damping_ratio)
    strength = corner_strength(
        lam, motion.top_speed_mm_s, motion.acceleration_mm_s2, motion.corner_speed_mm_s
    )
    left = residual(impulses.amplitudes, impulses.times_s, lam)
    ripple = np.imag(strength * left[:, None] * np.exp(lam * time)) / lam.imag
    layers = range(plan.size.layers)
    return ExpectedWall(
        natural_hz=natural_hz,
        damping_ratio=damping_ratio,
        s_mm=s,
        height_mm=np.array([(plan.layer_bottom_mm(k) + plan.layer_top_mm(k)) / 2 for k in layers]),
        ripple_um=1000 * ripple,
        command_hz=commands.frequency_hz,
        reference=commands.state == State.REFERENCE.value,
    )
