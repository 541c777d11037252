"""From a covariance to 95 % intervals, with what the model leaves out."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt

from ringscan.model.estimate import PoleEstimate

MODEL_FREQUENCY = 0.0025
MODEL_DAMPING = 0.02
"""Standard uncertainties, relative, for what the model leaves out: shadows, gloss, a corner that
is not printed as its motion says. Set on rendered pictures and simulated walls that were used while
developing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float

    @property
    def half_width(self) -> float:
        """Half the interval's width."""
        return (self.high - self.low) / 2


def intervals(estimate: PoleEstimate) -> tuple[Interval, Interval]:
    """95 % intervals of the natural frequency (Hz) and the damping ratio."""
    f, zeta, spread = estimate.frequency_hz, estimate.damping_ratio, estimate.covariance
    u_f = sqrt(spread[0, 0] + (MODEL_FREQUENCY * f) ** 2)
    u_zeta = sqrt(spread[1, 1] + (MODEL_DAMPING * zeta) ** 2)
    k = coverage_factor(estimate.freedom)
    ratio = exp(min(k * u_zeta / zeta, 5.0))
    return (
        Interval(value=f, low=f - k * u_f, high=f + k * u_f),
        # a damping ratio is positive: its interval is symmetric in the logarithm
        Interval(value=zeta, low=zeta / ratio, high=min(zeta * ratio, 1.0)),
    )


def coverage_factor(freedom: float) -> float:
    """Student's t for 95 %."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.975))
