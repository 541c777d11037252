"""The coarse search: how well every pole of a dense grid explains the walls, and chance does.

The inner products of the data with all trial ripples are one non-uniform Fourier sum per band;
they are gathered on an even time grid, and the whole search is a matrix product.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.model.problem import Problem, thin
from ringscan.model.vibration import pole, residual

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FREQUENCIES_HZ = np.geomspace(8.0, 120.0, 272)
"""1 % apart: finer than the width of a peak of the criterion, 2 zeta at least."""

DAMPING_RATIOS = np.array([0.02, 0.045, 0.09, 0.18])

TIME_STEP_S = 5e-4
"""Below a twentieth of the shortest period, so that gathering loses under 1 %."""

GRAM_EVERY = 16
GRAM_BANDS = 4
"""The normal matrices change slowly from pole to pole and band to band; they are computed at
every 16th frequency, from every 4th band."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Search:
    """Result of the coarse search over damping ratios (z) and frequencies (f).

    gain : fall of the sum of squares, in units of the noise variance, (z, f)
    products : inner products of data and ripple per band, what the ripples of all bands have in
        common taken out, (b, z, f)
    gram : inverse normal matrices, (z, f, 2, 2)
    """

    gain: Array
    products: ComplexArray
    inverse: Array

    def best(self, count: int) -> list[tuple[float, float]]:
        """Highest local maxima over frequency: (frequency_hz, damping_ratio)."""
        profile = self.gain.max(axis=0)
        inner = (profile[1:-1] >= profile[:-2]) & (profile[1:-1] >= profile[2:])
        peaks = np.flatnonzero(inner) + 1
        if not peaks.size:
            peaks = np.array([int(profile.argmax())])
        order = peaks[np.argsort(profile[peaks])[::-1]][:count]
        return [
            (float(FREQUENCIES_HZ[i]), float(DAMPING_RATIOS[self.gain[:, i].argmax()]))
            for i in order
        ]


def search(problem: Problem) -> Search:
    """Evaluate the whole grid of poles."""
    lam = pole(FREQUENCIES_HZ, DAMPING_RATIOS[:, None])
    waves, seen = _waves(problem, lam)
    inverse = _inverse_grams(problem, lam)
    gain = _gain((waves * seen).sum(axis=0), inverse)
    if problem.whitener.shared:
        share = problem.whitener.share[:, :, None]
        seen = seen - (share**2 * seen).sum(axis=0) / (share**2).sum()
    return Search(gain=gain, products=waves * seen, inverse=inverse)


def chance_gains(found: Search, group: NDArray[np.intp], *, trials: int, seed: int) -> Array:
    """Best gain of each of many trials in which the bands' signs are drawn at random, (trials,).

    Where there is no ripple a band's texture is as likely as its negative, so these show what
    the search finds by chance. Neighbouring bands share a sign, since they share waviness.
    """
    rng = np.random.default_rng(seed)
    b = found.products.shape[0]
    block = np.arange(b) // 2 + 1000 * group
    _, which = np.unique(block, return_inverse=True)
    sign = rng.choice([-1.0, 1.0], size=(trials, which.max() + 1))[:, which]
    flipped = (sign @ found.products.reshape(b, -1)).reshape(trials, *found.gain.shape)
    return np.asarray(_gain(flipped, found.inverse).max(axis=(1, 2)))


def _gain(product: ComplexArray, inverse: Array) -> Array:
    """Fall of the sum of squares for products (..., z, f)."""
    u, v = product.real, -product.imag
    return np.asarray(
        inverse[..., 0, 0] * u**2 + 2 * inverse[..., 0, 1] * u * v + inverse[..., 1, 1] * v**2
    )


def _waves(problem: Problem, lam: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Products of data and delayed ripple, and the factor ``R exp(lam t_bar)``, (b, z, f) each.

    The shaper draws the wall later by its mean delay t_bar, so that their factors, not R alone,
    are what ripples on the wall differ by.
    """
    drawing = problem.drawing
    weight = problem.whitener.adjoint(problem.data) * drawing.slowness_s_mm
    b = weight.shape[0]
    delay = drawing.impulses.delay_s[:, None]
    since = drawing.passing_s - delay
    first = since.min()
    place = (since - first) / TIME_STEP_S
    low = place.astype(np.intp)
    share = place - low
    size = int(low.max()) + 2
    row = size * np.arange(b)[:, None]
    gathered = np.bincount((row + low).ravel(), (weight * (1 - share)).ravel(), b * size)
    gathered += np.bincount((row + low + 1).ravel(), (weight * share).ravel(), b * size)
    gathered = gathered.reshape(b, size)
    used = gathered.any(axis=0)
    t = first + TIME_STEP_S * np.flatnonzero(used)
    gathered = gathered[:, used]
    impulses = drawing.impulses
    waves = np.empty((b, *lam.shape), complex)
    seen = np.empty_like(waves)
    for i, row_lam in enumerate(lam):
        waves[:, i] = row_lam * (gathered @ np.exp(np.multiply.outer(t, row_lam)))
        left = residual(impulses.amplitudes[:, None], impulses.times_s[:, None], row_lam)
        seen[:, i] = left * np.exp(delay * row_lam)
    return waves, seen


def _power(problem: Problem, lam: complex) -> float:
    return float((problem.columns(lam) ** 2).sum())


def _inverse_grams(problem: Problem, lam: ComplexArray) -> Array:
    """Inverse normal matrices, interpolated over frequency, (z, f, 2, 2)."""
    part = thin(problem, min(GRAM_BANDS, max(1, problem.data.shape[0] // 12)))
    middle = complex(lam[lam.shape[0] // 2, lam.shape[1] // 2])
    share = _power(problem, middle) / max(_power(part, middle), 1e-300)
    at = np.append(np.arange(0, lam.shape[1] - 1, GRAM_EVERY), lam.shape[1] - 1)
    grams = np.empty((lam.shape[0], at.size, 2, 2))
    for i in range(lam.shape[0]):
        for j, k in enumerate(at):
            M = part.columns(complex(lam[i, k])).reshape(2, -1)
            grams[i, j] = share * (M @ M.T)
    # the size of the ripple changes over decades: interpolate its logarithm and the shape apart
    size = np.log(grams[..., 0, 0] + grams[..., 1, 1])
    shape = grams / np.exp(size)[..., None, None]
    every = np.arange(lam.shape[1])
    full = np.empty((*lam.shape, 2, 2))
    for i in range(lam.shape[0]):
        scale = np.exp(np.interp(every, at, size[i]))
        for p in range(2):
            for q in range(2):
                full[i, :, p, q] = scale * np.interp(every, at, shape[i, :, p, q])
    return np.asarray(np.linalg.pinv(full, hermitian=True))
