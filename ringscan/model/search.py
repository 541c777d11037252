"""The coarse search: how well every pole of a dense grid explains the walls, and chance does.

The inner products of the data with all trial ripples are one non-uniform Fourier sum per band;
they are gathered on an even time grid, and the whole search is a matrix product.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringscan.model.problem import Problem
from ringscan.model.vibration import free_decay, pole

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Coarse = NDArray[np.complex64]
"""Single precision, half the memory and time: these gains are good to some percent anyway."""

FREQUENCIES_HZ = np.geomspace(8.0, 120.0, 272)
"""1 % apart: finer than the width of a peak of the criterion, 2 zeta at least."""

DAMPING_RATIOS = np.array([0.02, 0.045, 0.09, 0.18])

TIME_STEP_S = 1e-3
"""An eighth of the shortest period. Gathering shares a sample out to the two steps beside it, which
takes a known part off a wave, given back afterwards."""

GRAM_EVERY = 32
GRAM_BANDS = 12
"""The normal matrices change slowly from pole to pole and band to band; they are computed at
every 32nd frequency, from so many bands: the gains are good to 10 %, the median on rendered
pictures, at the lowest frequencies to a factor of two at times. It is a start for the fit only, and
chance is measured by the same matrices."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Search:
    """Result of the coarse search over damping ratios (z) and frequencies (f).

    gain : fall of the sum of squares, in units of the noise variance, (z, f)
    products : inner products of data and ripple per band, what the ripples of all bands have in
        common taken out, as nearly as one factor per band can, (b, z, f)
    inverse : inverse normal matrices, (z, f, 2, 2)
    seen : factor ``R exp(lam t_bar)`` by which the bands' delayed ripples differ, (b, z, f)
    """

    gain: Array
    products: Coarse
    inverse: Array
    seen: Coarse

    def best(self, count: int, *, share: float = 0.0) -> list[tuple[float, float]]:
        """Highest local maxima over frequency: (frequency_hz, damping_ratio).

        Those with less than `share` of the highest one's gain are left out.
        """
        profile = self.gain.max(axis=0)
        inner = (profile[1:-1] >= profile[:-2]) & (profile[1:-1] >= profile[2:])
        inner &= profile[1:-1] >= share * profile.max()
        peaks = np.flatnonzero(inner) + 1
        if not peaks.size:
            peaks = np.array([int(profile.argmax())])
        order = peaks[np.argsort(profile[peaks])[::-1]][:count]
        return [
            (float(FREQUENCIES_HZ[i]), float(DAMPING_RATIOS[self.gain[:, i].argmax()]))
            for i in order
        ]


def search(problem: Problem, like: Search | None = None) -> Search:
    """Evaluate the whole grid of poles.

    `like` is the search of a problem that differs in its data alone, to save half of the work.
    """
    lam = pole(FREQUENCIES_HZ, DAMPING_RATIOS[:, None])
    waves = _waves(problem, lam)
    seen = _seen(problem, lam) if like is None else like.seen
    inverse = _inverse_grams(problem, lam) if like is None else like.inverse
    products = waves * seen
    gain = np.asarray(gain_of(products.sum(axis=0, dtype=complex), inverse), float)
    if problem.whitener.shared is not None:
        share = (problem.whitener.shared**2).sum(axis=1)
        products -= waves * np.tensordot((share / share.sum()).astype(np.float32), seen, 1)
    return Search(gain=gain, products=products, inverse=inverse, seen=seen)


def best_spacing(problem: Problem, like: Search) -> tuple[float, float]:
    """Pole of the grid whose decays explain most with a free strength for every band.

    `like` is a search of the same walls.
    """
    waves = _waves(problem, pole(FREQUENCIES_HZ, DAMPING_RATIOS[:, None]))
    # power of an unshaped ripple: what shaped ones have over what the shapers leave of them
    power = np.linalg.inv(like.inverse).trace(axis1=-2, axis2=-1)
    unshaped = power / (np.abs(like.seen) ** 2).sum(axis=0)
    precision = (problem.whitener.scale**2).sum(axis=1)
    gain = np.tensordot(1 / np.maximum(precision, 1e-300), np.abs(waves) ** 2, 1) / unshaped
    z, i = np.unravel_index(int(gain.argmax()), gain.shape)
    return float(FREQUENCIES_HZ[i]), float(DAMPING_RATIOS[z])


def gain_of(
    product: NDArray[np.complexfloating[Any, Any]], inverse: NDArray[np.floating[Any]]
) -> NDArray[np.floating[Any]]:
    """Fall of the sum of squares for products (..., z, f), in their precision."""
    u, v = product.real, -product.imag
    return np.asarray(
        inverse[..., 0, 0] * u**2 + 2 * inverse[..., 0, 1] * u * v + inverse[..., 1, 1] * v**2
    )


def _waves(problem: Problem, lam: ComplexArray) -> Coarse:
    """Products of the data with delayed decays, (b, z, f)."""
    drawing = problem.drawing
    weight = problem.whitener.adjoint(problem.data) * drawing.slowness_s_mm
    # the shaper draws the wall later by its mean delay
    since = drawing.passing_s - drawing.impulses.delay_s[:, None]
    used = weight != 0
    b = weight.shape[0]
    # behind the last impulse no time is negative, but where the edge was bent it may be taken for
    place = np.maximum(since, 0.0) / TIME_STEP_S
    low = np.where(used, np.floor(place), 0).astype(np.intp)
    share = place - low
    size = int(low.max()) + 2
    at = low + size * np.arange(b)[:, None]
    gathered = np.bincount(at.ravel(), (weight * (1 - share)).ravel(), b * size)
    gathered += np.bincount(at.ravel() + 1, (weight * share).ravel(), b * size)
    gathered = gathered.reshape(b, size).astype(np.float32)
    sums = (gathered @ _decays(size).reshape(size, -1).view(np.float32)).view(np.complex64)
    gathered_share = np.sinc(FREQUENCIES_HZ * TIME_STEP_S) ** 2
    return np.asarray(sums.reshape(b, *lam.shape) * (lam / gathered_share).astype(np.complex64))


def _seen(problem: Problem, lam: ComplexArray) -> Coarse:
    """Factor ``R exp(lam t_bar)`` by which delayed ripples on the wall differ, (b, z, f)."""
    impulses = problem.drawing.impulses
    sooner_s = impulses.delay_s[:, None] - impulses.times_s
    seen = np.zeros((sooner_s.shape[0], *lam.shape), np.complex64)
    for i in range(sooner_s.shape[1]):
        seen += impulses.amplitudes[:, i, None, None] * free_decay(lam, sooner_s[:, i, None, None])
    return seen


@lru_cache(maxsize=1)
def _all_decays(size: int) -> NDArray[np.complex64]:
    """``exp(lam t)`` of the whole grid at multiples of the time step, (t, z, f)."""
    lam = pole(FREQUENCIES_HZ, DAMPING_RATIOS[:, None])
    fine, coarse = np.arange(32), np.arange(0, size, 32)
    step = lam * TIME_STEP_S
    early, late = (
        np.exp(np.multiply.outer(steps, step)).astype(np.complex64) for steps in (fine, coarse)
    )
    return np.asarray((late[:, None] * early).reshape(-1, *lam.shape))


def _decays(size: int) -> NDArray[np.complex64]:
    """The first `size` steps; tables are made in lengths of a quarter of a second, to be kept."""
    kept = 256
    return _all_decays(-(-size // kept) * kept)[:size]


def _inverse_grams(problem: Problem, lam: ComplexArray) -> Array:
    """Inverse normal matrices, interpolated over frequency, (z, f, 2, 2)."""
    # the sums over the data do not know of the blur: beside them these must not either
    problem = replace(problem, drawing=replace(problem.drawing, blur_mm2=0.0))
    part = problem.every(max(1, problem.data.shape[0] // GRAM_BANDS))
    middle = complex(lam[lam.shape[0] // 2, lam.shape[1] // 2])
    share = _power(problem, middle) / max(_power(part, middle), 1e-300)
    at = np.append(np.arange(0, lam.shape[1] - 1, GRAM_EVERY), lam.shape[1] - 1)
    grams = np.empty((lam.shape[0], at.size, 2, 2))
    for i in range(lam.shape[0]):
        slopes = np.stack([part.drawing.slope(complex(lam[i, k])) for k in at])
        M = part.whitener(np.stack([slopes.real, -slopes.imag], axis=1)).reshape(at.size, 2, -1)
        grams[i] = share * (M @ M.swapaxes(-1, -2))
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


def _power(problem: Problem, lam: complex) -> float:
    return float((problem.columns(lam) ** 2).sum())
