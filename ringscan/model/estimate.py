"""An estimate of the axis's pole with its covariance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.newton import ROUNDS, Tangent, gauss_newton
from ringscan.model.vibration import trial_pole
from ringscan.plan import Quantity

Array = NDArray[np.float64]

FREQUENCY_RANGE_HZ = (5.0, 150.0)
DAMPING_RANGE = (0.003, 0.45)

LARGEST_DAMPING = 0.3
"""Axes of such machines have damping ratios up to 0.15 (common practice, no source)."""

AT_BOUND = 1.1
"""A damping ratio within this factor of the least that is searched was not found, but stopped."""

LONGEST_STEP = np.array([0.05, 0.5])
"""Longest Gauss-Newton step of frequency and damping ratio, relative: about a peak's width."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PoleEstimate:
    """One answer for the axis.

    frequency_hz, damping_ratio : the estimate
    covariance : of the two, (2, 2)
    freedom : degrees of freedom of the covariance
    """

    frequency_hz: float
    damping_ratio: float
    covariance: Array
    freedom: float

    @property
    def pole(self) -> complex:
        """The pole ``lam``."""
        return trial_pole(self.frequency_hz, self.damping_ratio)

    def value_of(self, quantity: Quantity) -> tuple[float, float]:
        """Natural frequency or damping ratio, by what a ramp is of, and its standard error."""
        i = 1 if quantity is Quantity.DAMPING else 0
        value = (self.frequency_hz, self.damping_ratio)[i]
        return value, float(np.sqrt(self.covariance[i, i]))


def is_ringing(damping_ratio: float) -> bool:
    """Whether an axis may have such a damping ratio."""
    return AT_BOUND * DAMPING_RANGE[0] < damping_ratio < LARGEST_DAMPING


def descend(look: Callable[[Array], Tangent], at: Array, *, rounds: int = ROUNDS) -> Tangent:
    """Least squares over natural frequency and damping ratio (2,), within what is searched."""
    lowest, highest = np.transpose([FREQUENCY_RANGE_HZ, DAMPING_RANGE])
    return gauss_newton(
        look,
        look(at),
        longest=LONGEST_STEP * at,
        lowest=lowest,
        highest=highest,
        rounds=rounds,
    )


def sandwich(
    jacobian: Array, left: Array, precision: Array | None = None, *, lead: int = 0
) -> tuple[Array, float, float]:
    """Covariance that holds whatever the noise inside a band looks like.

    Bands are the clusters of a cluster-robust ("sandwich") covariance with the usual correction
    for few clusters: noise is independent from band to band, since layers are, and nothing is
    assumed about it inside one.

    Parameters
    ----------
    jacobian : (k, b, n)
    left : residuals, (b, n)
    precision : 1 / variance of what is known beforehand of each parameter, (k,)
    lead : the parameter whose degrees of freedom count

    Returns
    -------
    covariance (k, k), its degrees of freedom, and by how much it exceeds that of white noise
    """
    k, b = jacobian.shape[0], left.shape[0]
    flat = jacobian.reshape(k, -1)
    hessian = flat @ flat.T
    scores = np.einsum("ibn,bn->bi", jacobian, left)
    meat = scores.T @ scores * b / max(b - k, 1)
    told = np.diag(hessian) > 0  # some parameters may have no effect on this wall
    ratio = np.diag(meat)[told] / np.diag(hessian)[told]
    over = float(np.clip(np.median(ratio), 1.0, 100.0)) if told.any() else 1.0
    if precision is not None:
        hessian = hessian + np.diag(over * precision)
        meat = meat + np.diag(over**2 * precision)
    bread = np.linalg.pinv(hessian, hermitian=True)
    return bread @ meat @ bread, freedom_of(jacobian[lead]), over


def freedom_of(rows: Array) -> float:
    """Degrees of freedom of what bands say with the rows (b, n) of one parameter.

    They share the information unevenly: their effective number is that of their influences.
    """
    influence = np.einsum("bn,bn->b", rows, rows)
    effective = influence.sum() ** 2 / max(float((influence**2).sum()), 1e-300)
    return max(float(effective) - 1, 2.0)
