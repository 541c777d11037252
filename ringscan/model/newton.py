"""Nonlinear least squares by Gauss-Newton, for models that know their own derivatives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROUNDS = 12
SHORTER = (1.0, 0.3, 0.1)
"""Shares of a step that are tried until the misfit falls."""

STRAIGHT = 0.5
"""Fall of the sum of squares, in units of the noise variance, below which the model is straight
enough to take the step without looking again: no parameter moves by more than 0.7 of its
standard error."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tangent:
    """A model about one point.

    at : parameters, (k,)
    jacobian : derivatives of the model, (k, b, n)
    left : what the model leaves of the data, (b, n)
    """

    at: Array
    jacobian: Array
    left: Array


def gauss_newton(
    look: Callable[[Array], Tangent],
    start: Tangent,
    *,
    longest: Array,
    lowest: Array,
    highest: Array,
    precision: Array | None = None,
    noise: float = 1.0,
    rounds: int = ROUNDS,
) -> Tangent:
    """Minimise the sum of squares of what the model leaves.

    Parameters
    ----------
    look : the model about any point
    start : the model about the first point
    longest : step of each parameter, at most, (k,)
    lowest, highest : bounds of each parameter, (k,)
    precision : 1 / variance with which each parameter is known to be 0 beforehand, (k,)
    noise : variance of what is left, as far as it matters to the parameters
    rounds : at most
    """
    weight = np.zeros(start.at.size) if precision is None else precision

    def cost(view: Tangent) -> float:
        return float((view.left**2).sum() + weight @ view.at**2)

    here = start
    for _ in range(rounds):
        flat = here.jacobian.reshape(start.at.size, -1)
        fall = flat @ here.left.ravel() - weight * here.at
        curved = flat @ flat.T + np.diag(weight)
        step = _step(curved, fall, lowest - here.at, highest - here.at)
        if step @ fall < STRAIGHT * noise:
            return Tangent(
                at=here.at + step,
                jacobian=here.jacobian,
                left=here.left - np.tensordot(step, here.jacobian, 1),
            )
        # shortened as a whole: cut one by one, correlated parameters would climb
        step = step / max(1.0, float((np.abs(step) / longest).max()))
        now = cost(here)
        for share in SHORTER:
            there = look(np.clip(here.at + share * step, lowest, highest))
            if cost(there) < now:
                break
        else:
            break
        here = there
        if now - cost(there) < STRAIGHT * noise:
            break
    return here


def _step(curved: Array, fall: Array, least: Array, most: Array) -> Array:
    """Solve ``curved step = fall`` for a step within bounds.

    What would leave them stays at its bound, and the others are solved anew: cut alone, it would
    leave them where only the whole step is right.
    """
    step = np.asarray(np.linalg.lstsq(curved, fall, rcond=None)[0], np.float64)
    inside = np.clip(step, least, most)
    free = step == inside
    if free.all():
        return step
    rest = fall[free] - curved[np.ix_(free, ~free)] @ inside[~free]
    inside[free] = np.linalg.lstsq(curved[np.ix_(free, free)], rest, rcond=None)[0]
    return np.clip(inside, least, most)
