"""Finds commanded frequencies at which an axis falls quiet although it rings elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.shapers import shaper_impulses
from ringscan.model.vibration import residual_vibration
from ringscan.plan import Plan, Quantity, Shaper

Array = NDArray[np.float64]

LIKELY_DAMPING = (0.02, 0.06, 0.15)
"""Design range of damping ratios of such axes; no published source."""

FALSE_QUIET = 0.25
"""Residual below which a band passes for a quiet one."""

FALSE_QUIET_POINTS = 1500
"""Over the ramp: a false quiet band is at least some per cent of its frequency wide."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseQuiet:
    """What makes another band quiet as well.

    natural_hz : least and greatest of such natural frequencies
    commanded_hz : least and greatest command at which they fall quiet
    """

    natural_hz: tuple[float, float]
    commanded_hz: tuple[float, float]


def find_false_quiet(plan: Plan, natural_hz: Array) -> FalseQuiet | None:
    """Look for bands of the ramp that fall quiet although the axis rings elsewhere.

    With ZV a commanded third of the natural frequency cancels as well; other families have
    places of their own, found here from their residual at the least likely damping.
    """
    values = [
        np.unique(c[~np.isnan(c)])
        for axis in plan.axes
        if plan.ramp_of(axis).quantity is Quantity.FREQUENCY
        for c in [plan.commands(axis).frequency_hz]
    ]
    if not values:
        return None
    commanded = np.unique(np.concatenate(values))
    natural, quiet = [], []
    for f in natural_hz:
        hits = commanded[_false_places(plan.shaper, commanded, float(f))]
        if hits.size:
            natural.append(float(f))
            quiet += [float(hits.min()), float(hits.max())]
    if not natural:
        return None
    return FalseQuiet(
        natural_hz=(min(natural), max(natural)), commanded_hz=(min(quiet), max(quiet))
    )


def _false_places(shaper: Shaper, commanded: Array, natural_hz: float) -> NDArray[np.bool_]:
    """Local minima of the residual, below the limit, that lie outside the true quiet band."""
    # a shaper of frequency c sees an axis of f as one of 1 Hz sees an axis of f / c
    unit = shaper_impulses(shaper, 1.0, shaper.damping_ratio)
    fine = np.linspace(commanded[0], commanded[-1], FALSE_QUIET_POINTS)
    left = residual_vibration(unit.amplitudes, unit.times_s, natural_hz / fine, LIKELY_DAMPING[0])
    quiet = left < FALSE_QUIET
    true_one = np.abs(fine - natural_hz).argmin()
    low = true_one - np.argmin(quiet[true_one::-1]) if not quiet[: true_one + 1].all() else 0
    high = true_one + np.argmin(quiet[true_one:]) if not quiet[true_one:].all() else fine.size
    inside = np.zeros(fine.size, bool)
    inside[low:high] = True
    dip = np.zeros(fine.size, bool)
    dip[1:-1] = (left[1:-1] <= left[:-2]) & (left[1:-1] <= left[2:])
    places = fine[dip & quiet & ~inside]
    hit = np.zeros(commanded.size, bool)
    for place in places:
        hit[np.abs(commanded - place).argmin()] = True
    return hit
