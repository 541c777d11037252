"""Whether an axis has a second mode on its wall: bed and frame, say.

A second mode must beat chance, in what the first one leaves, and what a model that is a little
wrong leaves of the first one, which grows with it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ringscan.model.chance import chance_threshold
from ringscan.model.estimate import is_ringing
from ringscan.model.search import Search, search
from ringscan.model.settle import Settled

APART = 0.15
"""Distance of the modes' frequencies, relative, below which they are one peak: 2 zeta."""

LEAST_SHARE = 0.01
"""Least share of the first mode's evidence, a tenth of its ripple; what the first one leaves by
shadows, gloss and bead was under 0.8 % on single-mode pictures used while developing."""

SURE = 2.0
"""Multiple of what chance reaches, since the first mode's leavings are no plain texture."""


def second_candidate(one: Settled, found: Search) -> tuple[float, float] | None:
    """Rough pole of a second mode in what one mode leaves, if any is worth a fit.

    `found` is the search of the same wall for the first one.
    """
    problem, first = one.problem, one.modes[0]
    M = problem.columns(first.estimate.pole)
    c = first.strength
    left = replace(problem, data=problem.data - c.real * M[0] - c.imag * M[1])
    what_is_left = search(left, like=found)
    pole = what_is_left.best(1)[0]
    gain = float(what_is_left.gain.max())
    if gain < LEAST_SHARE * float(found.gain.max()):
        return None
    if abs(np.log(pole[0] / first.estimate.frequency_hz)) < APART:
        return None
    return pole if gain > SURE * chance_threshold(left, what_is_left) else None


def stands_out(both: Settled, one: Settled) -> bool:
    """Whether two modes are told apart, and both are such as an axis has."""
    first, second = (mode.estimate for mode in both.modes)
    apart = abs(np.log(second.frequency_hz / first.frequency_hz)) > APART
    sensible = is_ringing(first.damping_ratio) and is_ringing(second.damping_ratio)
    return bool(apart and sensible and both.misfit < one.misfit)
