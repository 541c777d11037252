"""What a wall says of the nozzle's speed: a third check, beside spacing and turn of sign.

At another speed the ripples' spacing stretches, but neither does the way on which the nozzle still
speeds up, nor the ramp. Where the fit has explained all that it can with the planned speed, the
derivative over the speed tells in one step of Gauss-Newton how far it should be off.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot

import numpy as np
from numpy.typing import NDArray

from ringscan.model.budget import APART, Interval, coverage_factor
from ringscan.model.estimate import freedom_of
from ringscan.model.newton import Tangent

Array = NDArray[np.float64]

FACTOR = 1.2
LEAST_ERROR = 0.005
"""By how much less sure it is than bands that err independently make it, and standard uncertainty,
relative, beyond noise: on 100 rendered pictures it was then 0.95 of its standard errors off (root
mean square), and 2.9 at most."""

WIDEST = 0.5
"""Half width, relative, from which the wall says nothing of the speed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedEstimate:
    """Speed on the face over the planned one.

    log_ratio : natural logarithm of it
    standard_error : of that; infinite where the wall does not depend on it
    freedom : degrees of freedom
    """

    log_ratio: float
    standard_error: float
    freedom: float

    @property
    def _half(self) -> float:
        error = hypot(FACTOR * self.standard_error, LEAST_ERROR)
        return coverage_factor(self.freedom) * error

    @property
    def ratio(self) -> Interval | None:
        """The ratio with its 95 % interval; None where the wall says next to nothing of it."""
        if not self._half < WIDEST:
            return None
        low, value, high = (exp(self.log_ratio + by * self._half) for by in (-1, 0, 1))
        return Interval(value=value, low=low, high=high)

    @property
    def as_planned(self) -> bool:
        """Whether the planned speed is not excluded."""
        return abs(self.log_ratio) <= APART * self._half or self.ratio is None


def fit_speed(view: Tangent, change: Array, precision: Array, over: float) -> SpeedEstimate:
    """Take one step over the logarithm of the speed, all other parameters free to follow.

    Its standard error is the sandwich one with bands as clusters, see `estimate.sandwich`.

    Parameters
    ----------
    view : the fitted model, k parameters
    change : derivative of the model over the logarithm of the speed, (b, n)
    precision : 1 / variance with which each parameter is known to be 0, (k,)
    over : variance of what is left, as far as it matters to the parameters
    """
    k, b = view.jacobian.shape[0], view.left.shape[0]
    flat, column = view.jacobian.reshape(k, -1), change.ravel()
    shared = flat @ column
    inverse = np.linalg.pinv(flat @ flat.T + np.diag(over * precision), hermitian=True)
    # what the others can mimic is no information on the speed
    mimic = inverse @ shared
    own = float(column @ column - shared @ mimic)
    if not own > 1e-9 * max(float(column @ column), 1.0):
        return SpeedEstimate(log_ratio=0.0, standard_error=np.inf, freedom=2.0)
    fall = flat @ view.left.ravel() - over * precision * view.at
    step = (float(column @ view.left.ravel()) - float(mimic @ fall)) / own
    alone = change - np.tensordot(mimic, view.jacobian, 1)
    scores = (alone * view.left).sum(axis=1)
    meat = float((scores**2).sum()) * b / max(b - k - 1, 1) + over**2 * float(mimic**2 @ precision)
    return SpeedEstimate(
        log_ratio=step,
        standard_error=float(np.sqrt(meat)) / own,
        freedom=freedom_of(alone),
    )
