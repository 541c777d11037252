"""What to set: the best damping setting of a damping ramp, and what a second mode says to it."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import PlanError
from ringscan.model.answers import BandRipple
from ringscan.model.budget import (
    NORMAL_95,
    PHOTO,
    Beyond,
    Interval,
    coverage_factor,
    full_covariance,
    intervals,
)
from ringscan.model.estimate import LARGEST_DAMPING, PoleEstimate
from ringscan.model.fit import JointFit
from ringscan.model.shapers import Impulses, shaper_impulses
from ringscan.model.vibration import pole
from ringscan.plan import Shaper

Array = NDArray[np.float64]

FLAT = 0.05
"""Difference of what is left over a whole ramp, relative to no shaper, below which settings are
as good as each other: the tolerance that EI shapers are built for."""

DRAWS = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class DampingSetting:
    """The shaper's damping setting that leaves least, by the fit.

    value, low, high : within the ramp, with its 95 % interval
    least, most : what the ramp's settings leave, relative to no shaper
    flat : whether all settings of the ramp are as good as each other
    at_end : whether the best one is an end of the ramp, and a better one may lie beyond
    """

    value: float
    low: float
    high: float
    least: float
    most: float
    flat: bool
    at_end: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondMode:
    """A second mode of the axis, and what a shaper that is set for the first one does to it.

    frequency_hz, damping_ratio : with 95 % intervals
    ripple : its ripple at the corner, relative to the first mode's
    left_of_first, left_of_second : what that shaper leaves of each, relative to no shaper
    """

    frequency_hz: Interval
    damping_ratio: Interval
    ripple: float
    left_of_first: float
    left_of_second: float


SAME_SETTING = 0.02
"""Bands this near a setting, relative to it, show what it leaves: a ZV shaper 2 % off leaves
3 % of the ripple."""
LEAST_BANDS = 3
UNIT_SD = 0.05
"""Standard uncertainty, relative, of the unshaped ripple that all is given in: with it 95 % of 360
intervals on 120 simulated walls held the truth."""
HELPS, NO_HELP = 0.2, 0.5
"""A setting helps if it leaves less than the one, and does not if it leaves more than the other:
shapers that are set right leave a tenth or less (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingLeft:
    """What the wall keeps of its ripple where a setting was commanded.

    frequency_hz : the setting
    left, low, high : relative to a wall printed without shaper, with its 95 % interval
    bands : number of bands it is the mean of
    helps, in_part : what that comes to
    """

    frequency_hz: float
    left: float
    low: float
    high: float
    bands: int

    @property
    def helps(self) -> bool | None:
        """Whether the setting does what it should; None where it does in part, or is not known."""
        if self.high <= HELPS:
            return True
        return False if self.low >= NO_HELP else None

    @property
    def in_part(self) -> bool:
        """Whether it is known to help in part: all of the interval lies between the two limits."""
        return HELPS <= self.low <= self.high <= NO_HELP


def require_printed(commanded_hz: Array, setting_hz: float) -> None:
    """Refuse a setting that bands, (b,), NaN outside the ramp, do not hold. Raises ValueError."""
    low, high = np.nanmin(commanded_hz), np.nanmax(commanded_hz)
    if not low <= setting_hz <= high:
        raise ValueError(
            f"a setting of {setting_hz:g} Hz was not printed: the bands have {low:.1f} to "
            f"{high:.1f} Hz"
        )


def left_at(ripple: BandRipple, commanded_hz: Array, setting_hz: float) -> SettingLeft:
    """Measure what bands at and beside a setting keep of the ripple.

    Parameters
    ----------
    ripple : of every band, (b,)
    commanded_hz : of every band, (b,), NaN outside the ramp
    setting_hz : within the ramp

    Raises
    ------
    ValueError
        If the ramp does not hold the setting.
    """
    require_printed(commanded_hz, setting_hz)
    away = np.abs(commanded_hz / setting_hz - 1)
    count = max(LEAST_BANDS, int((away <= SAME_SETTING).sum()))
    near = np.argsort(away, kind="stable")[:count]
    # its size along the fitted ripple: crests for troughs are ripple as well
    size = np.where(ripple.turned, -ripple.signed, ripple.signed)[near]
    left = max(float(size.mean()), 0.0)
    own = float(np.sqrt((ripple.standard_error[near] ** 2).sum())) / near.size
    half = NORMAL_95 * hypot(own, UNIT_SD * left)
    return SettingLeft(
        frequency_hz=setting_hz,
        left=left,
        low=max(left - half, 0.0),
        high=left + half,
        bands=near.size,
    )


def best_damping(
    estimate: PoleEstimate,
    shaper: Shaper,
    frequency_hz: float,
    settings: Array,
    beyond: Beyond = PHOTO,
) -> DampingSetting:
    """Find the setting of a damping ramp at which the shaper leaves least.

    The interval propagates the pole's distribution (JCGM 101): each draw has its own best setting.

    Parameters
    ----------
    estimate : the axis
    shaper, frequency_hz : as commanded
    settings : of the ramp, rising or falling, (n,)
    beyond : what the model leaves out

    Raises
    ------
    PlanError
        If the shaper has no solution for a setting.
    """
    settings = np.unique(settings)
    impulses = shaper_impulses(shaper, frequency_hz, settings)
    mean = np.array([estimate.frequency_hz, estimate.damping_ratio])
    # relative errors: both are positive, and the damping ratio's interval is one of its logarithm
    covariance = full_covariance(estimate, beyond) / np.outer(mean, mean)
    # few degrees of freedom: as wide as Student's t, about as `intervals`
    covariance *= (coverage_factor(estimate.freedom) / NORMAL_95) ** 2
    logs = np.random.default_rng(0).multivariate_normal(np.log(mean), covariance, DRAWS)
    draws = np.minimum(np.exp(logs), [np.inf, LARGEST_DAMPING])
    best = _lowest(settings, _left(impulses, draws))
    left = _left(impulses, mean[None])[0]
    value = float(_lowest(settings, left[None])[0])
    return DampingSetting(
        value=value,
        low=float(np.quantile(best, 0.025)),
        high=float(np.quantile(best, 0.975)),
        least=float(left.min()),
        most=float(left.max()),
        flat=bool(left.max() - left.min() < FLAT),
        at_end=value in (settings[0], settings[-1]),
    )


def second_mode(fit: JointFit, shaper: Shaper, beyond: Beyond = PHOTO) -> SecondMode | None:
    """Describe the fit's second mode, if it has one; `beyond` is what the model leaves out."""
    if fit.second is None:
        return None
    first, second = fit.estimate, fit.second.estimate
    try:
        impulses = shaper_impulses(shaper, first.frequency_hz, np.array([first.damping_ratio]))
    except PlanError:  # an EI shaper has none for so much damping: as the tower was printed
        setting = np.array([shaper.damping_ratio])
        impulses = shaper_impulses(shaper, first.frequency_hz, setting)
    poles = np.array([[e.frequency_hz, e.damping_ratio] for e in (first, second)])
    left = _left(impulses, poles)[:, 0]
    frequency, damping = intervals(second, beyond)
    return SecondMode(
        frequency_hz=frequency,
        damping_ratio=damping,
        ripple=abs(fit.second.strength) / abs(fit.strength),
        left_of_first=float(left[0]),
        left_of_second=float(left[1]),
    )


def _left(impulses: Impulses, poles: Array) -> Array:
    """What impulses (n, m) leave of axes (d, 2), on the wall, relative to no shaper, (d, n)."""
    return np.abs(impulses.seen(pole(poles[:, 0], poles[:, 1])[:, None]))


def _lowest(settings: Array, left: Array) -> Array:
    """Setting with the least left, between settings by the parabola of its square, (d,)."""
    power = left**2
    k = power.argmin(axis=1)
    if settings.size < 3:
        return np.asarray(settings[k])
    around = np.clip(k, 1, settings.size - 2)[:, None] + np.arange(-1, 2)
    x, y = settings[around], np.take_along_axis(power, around, axis=1)
    rise = np.diff(y, axis=1) / np.diff(x, axis=1)
    bow = (rise[:, 1] - rise[:, 0]) / (x[:, 2] - x[:, 0])
    inner = (k > 0) & (k < settings.size - 1) & (bow > 0)
    bottom = (x[:, 0] + x[:, 1]) / 2 - rise[:, 0] / np.where(inner, 2 * bow, 1.0)
    return np.asarray(np.where(inner, bottom, settings[k]))
