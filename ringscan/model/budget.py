"""Uncertainty that the fit's own residuals cannot show, and the whole interval.

Components are combined as JCGM 100 (GUM) 5.1.2 says: each is a standard uncertainty times the
answer's sensitivity to it, squared and summed. Sensitivities come from one linear step of the
fit against a drawing that was shifted, stretched or commanded a little differently.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, sqrt

import numpy as np
from numpy.typing import NDArray

from ringscan.model.fit import JointFit, pole_slopes
from ringscan.model.problem import Walls, trial_pole
from ringscan.model.ripple import draw
from ringscan.model.shapers import Impulses

Array = NDArray[np.float64]

MODEL_FREQUENCY = 0.002
"""Standard uncertainty, relative, for what the model leaves out: chiefly that the other axis
rings too and moves the nozzle along the wall. From simulated walls; see docs/method.md."""

MODEL_DAMPING = 0.03
"""The same for the damping ratio, relative."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """Standard uncertainties of what the fit takes as given.

    scale : of lengths along the face, relative
    offset_mm : of the entry edge's place
    height_mm : of heights on the tower
    hz_per_mm : how fast the commanded frequency rises with height
    """

    scale: float
    offset_mm: float
    height_mm: float
    hz_per_mm: float


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


def intervals(fit: JointFit, walls: Walls, inputs: Inputs) -> tuple[Interval, Interval]:
    """95 % intervals of the natural frequency (Hz) and the damping ratio of a joint fit."""
    shifts = _sensitivities(fit, walls, inputs)
    f, zeta = fit.estimate.frequency_hz, fit.estimate.damping_ratio
    spread = fit.estimate.covariance + np.einsum("ki,kj->ij", shifts, shifts)
    u_f = sqrt(spread[0, 0] + (MODEL_FREQUENCY * f) ** 2)
    u_zeta = sqrt(spread[1, 1] + (MODEL_DAMPING * zeta) ** 2)
    k = coverage_factor(fit.estimate.freedom)
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


def _sensitivities(fit: JointFit, walls: Walls, inputs: Inputs) -> Array:
    """Change of (frequency, damping ratio) per standard uncertainty of each input, (3, 2)."""
    problem, lam = fit.problem, fit.estimate.pole
    c = np.array([fit.strength.real, fit.strength.imag])
    M = problem.columns(lam)

    def model(f: float, zeta: float) -> Array:
        return np.asarray(np.tensordot(c, problem.columns(trial_pole(f, zeta)), 1))

    slopes = pole_slopes(model, fit.estimate.frequency_hz, fit.estimate.damping_ratio)
    J = np.concatenate([slopes, M]).reshape(4, -1)
    # impulse times go as 1 / commanded frequency
    shaped = ~np.isnan(walls.commanded_hz)
    asked = np.where(shaped, walls.commanded_hz, 1.0)
    stretch = np.where(shaped, asked / (asked + inputs.height_mm * inputs.hz_per_mm), 1.0)
    moved = (
        (walls.s_mm * (1 + inputs.scale), walls.impulses),
        (walls.s_mm + inputs.offset_mm, walls.impulses),
        (
            walls.s_mm,
            Impulses(
                amplitudes=walls.impulses.amplitudes,
                times_s=walls.impulses.times_s * stretch[:, None],
            ),
        ),
    )
    base = np.tensordot(c, M, 1)
    out = []
    for s_mm, impulses in moved:
        other = replace(problem, drawing=draw(s_mm, walls.motion, impulses))
        change = np.tensordot(c, other.columns(lam), 1) - base
        out.append(np.linalg.lstsq(J @ J.T, -J @ change.ravel(), rcond=None)[0][:2])
    return np.array(out)
