"""Bands ranked by how quiet they are, and the height where the ripple is least."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.answers import BandRipple
from ringscan.model.budget import NORMAL_95
from ringscan.model.estimate import PoleEstimate
from ringscan.model.shapers import shaper_impulses
from ringscan.plan import Axis, Plan

Array = NDArray[np.float64]

FALSE_BELOW = 0.5
"""A cancellation commanded below this share of the natural frequency is a false one: the lowest
true one, of a three-hump EI shaper with the widest tolerance, lies at 0.59 of it, the highest false
one of any family at 0.4 (computed for a damping ratio of 0.05).
"""

FALSE_QUIET = "false quiet band"
BELOW_TEXTURE = "below the wall's texture"
AT_RAMP_END = "end of the ramp: quieter beyond it"


@dataclass(frozen=True, slots=True, kw_only=True)
class RankedBand:
    """One row of the frequency table.

    rank : 1 is the quietest
    band : its number, from the base up
    frequency_hz, damping_ratio : commanded
    height_mm : from the base to the band's middle, as a caliper reads it
    ripple : measured, relative to a wall printed without shaper; negative beyond the quiet height
    low, high : its 95 % interval
    fitted : its size by the joint fit, which decides the rank
    remark : what to know about it, or ""
    """

    rank: int
    band: int
    frequency_hz: float
    damping_ratio: float
    height_mm: float
    ripple: float
    low: float
    high: float
    fitted: float
    remark: str


def rank_bands(
    ripple: BandRipple,
    frequency_hz: Array,
    damping_ratio: Array,
    height_mm: Array,
    natural_hz: float,
) -> tuple[RankedBand, ...]:
    """Rank the ramp's bands (commanded values not NaN) from the quietest up, by the fit.

    Parameters
    ----------
    ripple : of every band, (b,)
    frequency_hz, damping_ratio, height_mm : commanded settings and heights, (b,)
    natural_hz : the axis's natural frequency by the fit
    """
    ramp = np.flatnonzero(~np.isnan(frequency_hz))
    remarks = _remarks(ripple, ramp, frequency_hz / natural_hz < FALSE_BELOW)
    order = ramp[np.argsort(ripple.fitted[ramp], kind="stable")]
    return tuple(
        RankedBand(
            rank=rank,
            band=int(band),
            frequency_hz=float(frequency_hz[band]),
            damping_ratio=float(damping_ratio[band]),
            height_mm=float(height_mm[band]),
            ripple=float(ripple.signed[band]),
            low=float(ripple.signed[band] - NORMAL_95 * ripple.standard_error[band]),
            high=float(ripple.signed[band] + NORMAL_95 * ripple.standard_error[band]),
            fitted=float(ripple.fitted[band]),
            remark=remarks[int(band)],
        )
        for rank, band in enumerate(order, start=1)
    )


def _remarks(ripple: BandRipple, ramp: NDArray[np.intp], low: NDArray[np.bool_]) -> dict[int, str]:
    """What to know about each ramp band; `low`: commanded far too low to be true, (b,)."""
    fitted = ripple.fitted[ramp]
    inner = np.flatnonzero((fitted[1:-1] <= fitted[:-2]) & (fitted[1:-1] <= fitted[2:])) + 1
    false = set()
    for valley in inner[low[ramp[inner]]]:
        around = np.flatnonzero(fitted <= 2 * fitted[valley] + 0.05)
        false |= {int(i) for i in around if abs(i - valley) <= 3}
    quietest = int(fitted.argmin()) if fitted.size else 0
    ends = {0, fitted.size - 1} & {quietest}
    remarks = {}
    for i, band in enumerate(ramp):
        unseen = abs(ripple.signed[band]) < NORMAL_95 * ripple.standard_error[band]
        if i in false:
            remark = FALSE_QUIET
        elif i in ends and not low[band]:
            remark = AT_RAMP_END
        else:
            remark = BELOW_TEXTURE if unseen else ""
        remarks[int(band)] = remark
    return remarks


def quiet_height_mm(estimate: PoleEstimate, plan: Plan, axis: Axis) -> float:
    """Height at which the shaper leaves least of the ripple, by the fit.

    Only the cancellation nearest to the axis's own frequency counts, not a false one below it.
    NaN when the ripple is still falling at an end of the ramp.
    """
    commands = plan.commands(axis)
    layers = np.flatnonzero(~np.isnan(commands.frequency_hz))
    impulses = shaper_impulses(
        plan.shaper, commands.frequency_hz[layers], commands.damping_ratio[layers]
    )
    left = np.abs(impulses.seen(estimate.pole))
    # a step of several layers is one plateau: its middle stands for it
    starts = np.flatnonzero(np.append(True, left[1:] != left[:-1]))
    stops = np.append(starts[1:], left.size)
    level = left[starts]
    valleys = np.flatnonzero((level[1:-1] <= level[:-2]) & (level[1:-1] <= level[2:])) + 1
    asked_hz = commands.frequency_hz[layers][starts]
    valleys = valleys[asked_hz[valleys] >= FALSE_BELOW * estimate.frequency_hz]
    if not valleys.size:
        return float("nan")
    step = valleys[np.argmin(np.abs(asked_hz[valleys] - estimate.frequency_hz))]
    bottom = plan.layer_bottom_mm(int(layers[starts[step]]))
    top = plan.layer_top_mm(int(layers[stops[step] - 1]))
    return (bottom + top) / 2
