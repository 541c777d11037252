"""Many answers to the same question: pooled by a random-effects model, with outliers set apart.

Values x_i with standard errors u_i are taken as x_i = mean + scatter_i + error_i: what differs
from tower to tower has the unknown standard deviation tau, the errors have the known u_i. Weights
are 1/(u_i² + tau²), with tau² by Paule & Mandel, J. Res. Natl Bur. Stand. 87 (1982) 377: the value
at which the weighted squares have their expected sum (from memory; it is exact where DerSimonian &
Laird, Control. Clin. Trials 7 (1986) 177, take the first step).

The interval is Hartung & Knapp's, Stat. Med. 20 (2001) 3875 (from memory): Student's t for k - 1,
so that few values, which know little of their own scatter, get the wide interval they deserve. It
may come out too narrow where values agree by luck; it is never taken narrower than the one that
the errors alone give.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from ringscan.model.budget import NORMAL_95

Array = NDArray[np.float64]

APART = 4.0
"""A value this many standard errors from the rest is an outlier: 1 in 16,000 for one normal value,
which leaves room for having picked the farthest and for a scatter known from few."""

LEAST_OWN_SHARE = 0.1
"""What is left of an error when the part that all values share is taken off, at least: no value
may get all the weight by rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """Values pooled into one.

    value, low, high : the mean with its 95 % interval
    scatter : tau, standard deviation between the values beyond their errors
    chance : probability that values which differ by their errors alone scatter this much or more
        (Cochran's Q against chi² with k - 1 degrees of freedom)
    """

    value: float
    low: float
    high: float
    scatter: float
    chance: float


def pool(values: Array, errors: Array, *, common: float = 0.0) -> Pooled:
    """Pool two or more values, (k,), with standard errors, (k,), by random effects.

    `common` is the part of every error that all values share, as a standard error. It is taken off
    before pooling and put back after: it does not become smaller by repeating.
    """
    from scipy.special import chdtrc, stdtrit

    own = np.sqrt(np.maximum(errors**2 - common**2, (LEAST_OWN_SHARE * errors) ** 2))
    freedom = values.size - 1
    # by their whole errors: what is not as common as was thought must not pass for scatter
    chance = float(chdtrc(freedom, _spread(values, errors, 0.0)))
    tau_squared = paule_mandel(values, own)
    weights = 1 / (own**2 + tau_squared)
    # Hartung & Knapp: the mean's variance by what the values do, not by what they should do
    by_scatter = _spread(values, own, tau_squared) / freedom / weights.sum()
    by_errors = 1 / (own**-2.0).sum()
    half = max(float(stdtrit(freedom, 0.975)) * sqrt(by_scatter), NORMAL_95 * sqrt(by_errors))
    half = float(np.hypot(half, NORMAL_95 * common))
    mean = _mean(values, weights)
    return Pooled(
        value=mean,
        low=mean - half,
        high=mean + half,
        scatter=sqrt(tau_squared),
        chance=chance,
    )


def pool_repeats(values: Array, errors: Array) -> Pooled:
    """Pool one or more values, (k,), that share most of their errors: photos of one print.

    The print's own texture and flaws are in all of them, so the mean is not surer than its parts:
    its error is the weighted mean of theirs, and that times Birge's ratio, Phys. Rev. 40 (1932)
    207 (from memory), where they scatter more than their errors allow.
    """
    from scipy.special import chdtrc

    weights = errors**-2.0
    mean = _mean(values, weights)
    freedom = values.size - 1
    spread = _spread(values, errors, 0.0)
    birge = max(1.0, sqrt(spread / freedom)) if freedom else 1.0
    half = NORMAL_95 * birge * _mean(errors, weights)
    return Pooled(
        value=mean,
        low=mean - half,
        high=mean + half,
        scatter=float(values.std(ddof=1)) if freedom else 0.0,
        chance=float(chdtrc(freedom, spread)) if freedom else 1.0,
    )


def paule_mandel(values: Array, errors: Array) -> float:
    """Variance between values, (k,), beyond their standard errors, (k,); at least 0."""
    freedom = values.size - 1
    if _spread(values, errors, 0.0) <= freedom:
        return 0.0
    from scipy.optimize import brentq

    # the sum falls with tau²; with the plain variance as tau² it is k - 1 or less
    return float(
        brentq(
            lambda tau_squared: _spread(values, errors, tau_squared) - freedom,
            0.0,
            values.var(ddof=1) * (1 + 1e-9),
            xtol=1e-12 * values.var(),
        )
    )


def outliers(values: Array, errors: Array, *, least_scatter: float) -> NDArray[np.bool_]:
    """Which values, (k,), with standard errors, (k,), do not belong to the rest.

    The farthest value is compared with the pool of the others, and set apart if it is `APART`
    standard errors away; then the next. `least_scatter` is what values may well differ by beyond
    their errors: two or three that agree closely by luck must not make an outlier of the next.
    Most of the values always stay: of two that differ, neither can be named.
    """
    out = np.zeros(values.size, dtype=np.bool_)
    while 2 * (out.sum() + 1) < values.size:
        inside = np.flatnonzero(~out)
        distances = [_distance(values, errors, inside, int(i), least_scatter) for i in inside]
        if max(distances) < APART:
            break
        out[inside[int(np.argmax(distances))]] = True
    return out


def _distance(
    values: Array, errors: Array, inside: NDArray[np.intp], one: int, least_scatter: float
) -> float:
    """How far one value lies from the pool of the others, in standard errors."""
    rest = inside[inside != one]
    tau_squared = max(paule_mandel(values[rest], errors[rest]), least_scatter**2)
    weights = 1 / (errors[rest] ** 2 + tau_squared)
    error = sqrt(errors[one] ** 2 + tau_squared + 1 / weights.sum())
    return abs(float(values[one]) - _mean(values[rest], weights)) / error


def _mean(values: Array, weights: Array) -> float:
    return float((weights * values).sum() / weights.sum())


def _spread(values: Array, errors: Array, tau_squared: float) -> float:
    """Weighted sum of squares about the weighted mean."""
    weights = 1 / (errors**2 + tau_squared)
    return float((weights * (values - _mean(values, weights)) ** 2).sum())
