"""From a covariance to 95 % intervals, with what the model leaves out."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import PoleEstimate

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """What the model leaves out, which no residual shows.

    frequency, damping_ratio : standard uncertainties of the two, relative
    """

    frequency: float
    damping_ratio: float


PHOTO = Beyond(frequency=0.0025, damping_ratio=0.03)
"""Of a photographed one: shadows, gloss and blur as well. Set on rendered pictures that were used
while developing: of 115 ordinary ones 99 % are inside, of 185 spoilt ones 95 %."""

WITHOUT_SHEET = Beyond(frequency=0.0032, damping_ratio=0.05)
"""Of one whose perspective and edges no scan sheet tells: with what `PHOTO` has, 91 % of the
frequencies found by the face alone and 88 % of the damping ratios were inside; so, 95 % of either,
on 220 rendered pictures."""

APART = 1.5
"""Multiple of a 95 % interval's half width by which two things may differ that are to be the same:
three standard errors where there are many bands."""

NORMAL_95 = 1.959964
"""Half width of a normal distribution's 95 % interval, in standard errors."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with its 95 % interval.

    value, low, high : in the value's unit
    """

    value: float
    low: float
    high: float

    @property
    def half_width(self) -> float:
        """Half the interval's width."""
        return (self.high - self.low) / 2


def intervals(estimate: PoleEstimate, beyond: Beyond = PHOTO) -> tuple[Interval, Interval]:
    """95 % intervals of the natural frequency (Hz) and the damping ratio."""
    f, zeta = estimate.frequency_hz, estimate.damping_ratio
    u_f, u_zeta = np.sqrt(np.diag(full_covariance(estimate, beyond))).tolist()
    k = coverage_factor(estimate.freedom)
    ratio = exp(min(k * u_zeta / zeta, 5.0))
    return (
        Interval(value=f, low=f - k * u_f, high=f + k * u_f),
        # a damping ratio is positive: its interval is symmetric in the logarithm
        Interval(value=zeta, low=zeta / ratio, high=min(zeta * ratio, 1.0)),
    )


def full_covariance(estimate: PoleEstimate, beyond: Beyond = PHOTO) -> Array:
    """Covariance of natural frequency and damping ratio with what the model leaves out, (2, 2)."""
    parts = np.array(
        [
            beyond.frequency * estimate.frequency_hz,
            beyond.damping_ratio * estimate.damping_ratio,
        ]
    )
    return np.asarray(estimate.covariance + np.diag(parts**2))


def coverage_factor(freedom: float) -> float:
    """Student's t for 95 % and 2 degrees of freedom or more: 0.8 % low at 2, 1e-4 from 5 on.

    Source: Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.5. In the place of
    scipy.special, whose import takes as long as a fit.
    """
    z, n = NORMAL_95, freedom
    return (
        z
        + (z**3 + z) / (4 * n)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * n**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * n**3)
        + (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / (92160 * n**4)
    )
