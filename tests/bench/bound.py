"""The Cramér-Rao bound: how well any unbiased estimator could do in white noise.

It is the inverse of ``JᵀJ / sigma²`` over all of the model's parameters. Those that are linear
and of no interest (strength, smooth shading of every band, a profile that all bands share) are
taken out of the other derivatives first, which gives the same block of the inverse.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROUNDS = 40
"""Alternating projections onto smooth and shared parts; they converge in a few rounds."""


def cramer_rao(jacobian: Array, sigma: float, known_to: Array | None = None) -> Array:
    """Standard errors of all parameters.

    Parameters
    ----------
    jacobian : derivatives, (parameters, samples)
    sigma : of the noise
    known_to : standard deviations to which parameters are known beforehand, inf where not at all
    """
    information = jacobian @ jacobian.T / sigma**2
    if known_to is not None:
        information = information + np.diag(1 / known_to**2)
    return np.asarray(np.sqrt(np.diag(np.linalg.inv(information))))


def without_nuisance(
    jacobian: Array, use: NDArray[np.bool_], s_mm: Array, *, degree: int, shared: bool
) -> Array:
    """Take what smooth shading and a shared profile could mimic out of derivatives (k, b, n).

    Parameters
    ----------
    use : samples in use, (b, n)
    degree : of the polynomial that is every band's own
    shared : whether one unknown profile is common to all bands
    """
    x = 2 * (s_mm - s_mm[0]) / (s_mm[-1] - s_mm[0]) - 1
    P = np.polynomial.legendre.legvander(x, degree)
    smooth, _ = np.linalg.qr(P[None] * use[..., None])
    count = np.maximum(use.sum(axis=0), 1)
    left = jacobian * use
    for _ in range(ROUNDS if shared else 1):
        inner = np.einsum("bnd,kbn->kbd", smooth, left)
        left = left - np.einsum("bnd,kbd->kbn", smooth, inner)
        if shared:
            left = (left - left.sum(axis=1, keepdims=True) / count) * use
    return np.asarray(left)
