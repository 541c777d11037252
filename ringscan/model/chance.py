"""What a search finds by chance: the signs of the bands' texture drawn at random."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.model.problem import Problem
from ringscan.model.search import Search, gain_of, search
from ringscan.model.vibration import trial_pole

Array = NDArray[np.float64]

CHANCE_TRIALS = 400
CHANCE_LEVEL = 1e-3
"""A blank wall passes for a ripple less often than this, by the trials' extreme-value law."""

TRIALS_AT_ONCE = 100
"""Their arrays stay in a core's own cache."""

CHANCE_BLOCK = 2
"""Neighbouring bands that share waviness, and so a sign when chance is drawn."""

CALIBRATION_WIDTH = 25
"""Grid frequencies over which the calibration on white noise is averaged, a quarter of an octave
and more: what it corrects changes slowly, what one draw of noise gives does not."""


def chance_threshold(problem: Problem, found: Search) -> float:
    """Gain of the search that walls without its best ripple exceed with probability CHANCE_LEVEL.

    The signs of what the ripple leaves are drawn at random many times; the best gain of each
    trial follows Gumbel's law, which is fitted by its first two moments.

    Parameters
    ----------
    problem : the bands as they were posed, before anything was fitted
    found : its search
    """
    M = problem.columns(trial_pole(*found.best(1)[0]))
    # each half of the bands loses the ripple that the other half has: its own would take a part of
    # the texture with it, and make chance look rarer than it is
    left = problem.data.copy()
    half = np.arange(left.shape[0]) // CHANCE_BLOCK % 2 == 0
    for mine, other in ((half, ~half), (~half, half)):
        if other.any():
            flat = M[:, other].reshape(2, -1)
            c = np.linalg.lstsq(flat @ flat.T, flat @ problem.data[other].ravel(), rcond=None)[0]
            left[mine] = problem.data[mine] - np.tensordot(c, M[:, mine], 1)
    gains = chance_gains(replace(problem, data=left), found, trials=CHANCE_TRIALS, seed=0)
    scale = np.sqrt(6) / np.pi * gains.std()
    location = gains.mean() - np.euler_gamma * scale
    return float(location - scale * np.log(-np.log1p(-CHANCE_LEVEL)))


def chance_gains(problem: Problem, like: Search, *, trials: int, seed: int) -> Array:
    """Best gain of each of many trials in which the bands' signs are drawn at random, (trials,).

    Where there is no ripple a band's texture is as likely as its negative, so these show what
    the search finds by chance. Neighbouring bands share a sign, since they share waviness.

    Parameters
    ----------
    problem : its data hold no ripple
    like : search of a problem that differs in its data alone
    """
    rng = np.random.default_rng(seed)
    found = search(problem, like)
    b = found.products.shape[0]
    block = np.arange(b) // CHANCE_BLOCK + 1000 * problem.group
    _, which = np.unique(block, return_inverse=True)
    sign = rng.choice([-1.0, 1.0], size=(trials, which.max() + 1))[:, which].astype(np.float32)
    products = found.products * _calibration(problem, found, rng).astype(np.float32)
    flat = products.reshape(b, -1).view(np.float32)
    inverse = found.inverse.astype(np.float32)
    best = np.empty(trials)
    for start in range(0, trials, TRIALS_AT_ONCE):
        part = slice(start, start + TRIALS_AT_ONCE)
        flipped = (sign[part] @ flat).view(np.complex64)
        gains = gain_of(flipped.reshape(-1, *found.gain.shape), inverse)
        best[part] = gains.max(axis=(1, 2))
    return best


def _calibration(problem: Problem, like: Search, rng: np.random.Generator) -> Array:
    """Factors for the bands' products that make them right for white noise, (z, f)."""
    noise = problem.whitener.projected(rng.standard_normal(problem.data.shape))
    white = search(replace(problem, data=noise), like).products
    power = cv2.blur((np.abs(white) ** 2).sum(axis=0), (CALIBRATION_WIDTH, 1))
    expected = np.linalg.inv(like.inverse).trace(axis1=-2, axis2=-1)
    return np.asarray(np.sqrt(expected / power))
