"""What is not ripple: smooth shading, shared patterns and coloured noise, taken out of a wall.

Noise along a printed wall is correlated, differs from band to band and is strongest near the
edge. It is estimated from differences of neighbouring bands, in which the slowly changing ripple
nearly cancels, and turned into a linear filter: scale, prediction-error filter, projection. The
same filter runs over the data and over every model of it, so that the fit stays consistent
whatever the filter's details.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SMOOTH_DEGREE = 5
"""Degree of the polynomial that follows the shading along a face; its shortest wave, a third of
the face, is longer than the longest ripple in use."""

LEAST_LIGHT = 0.2
"""Of a base's brightness, what is left where it is steepest: less is not believed."""

AR_ORDER = 8
"""Order of the prediction-error filter; at 0.2 mm it spans the length of bead texture."""

NOISE_WINDOW_MM = 2.0
"""Window over which the noise level along the face is smoothed."""


def flatten(s_mm: Array, intensity: Array, valid: Mask, known: Array | float = 0.0) -> Array:
    """Relative brightness ``I / base - 1`` per band, base being a smooth polynomial.

    Under grazing light this is proportional to the wall's slope, also where the logarithm of
    the brightness no longer is.

    Parameters
    ----------
    s_mm : (n,)
    intensity : linear light, (b, n)
    valid : (b, n)
    known : what is known of the result, (b, n). Without it the polynomial follows the ripple a
        little, and all of it comes out a few per cent too strong here and too weak there

    Returns
    -------
    (b, n), 0 where not valid
    """
    P = np.polynomial.legendre.legvander(_unit(s_mm), SMOOTH_DEGREE)
    pairs = (P[:, :, None] * P[:, None]).reshape(s_mm.size, -1)
    filled = np.where(valid, intensity / np.maximum(1 + known, LEAST_LIGHT), 0.0)
    weight = valid.astype(float)
    base = np.ones_like(intensity)
    for _ in range(2):
        # relative errors count, so that a dark end of the face is followed as well as a lit one
        gram = (weight @ pairs).reshape(-1, P.shape[1], P.shape[1])
        right = (weight * filled) @ P
        # a band may have no sample left
        base = (np.linalg.pinv(gram, hermitian=True) @ right[..., None])[..., 0] @ P.T
        floor = 0.02 * np.maximum(base.max(axis=1, keepdims=True), 1e-12)
        base = np.maximum(base, floor)
        weight = valid / base**2
    return np.asarray(np.where(valid, intensity / base - 1, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Predictor:
    """Prediction-error filters along rows (b, n), one for each number of samples to predict from.

    Behind the start of a valid stretch the filter grows with what there is to predict from, so
    that no sample is lost where a decay is strongest.

    steps : filters of order 0, 1 ... p, each with its own size, (p + 1, p + 1), 0 beyond the order
    valid : (b, n)
    heads : places in the flattened rows of samples with less than p valid ones before them, (h,)
    taps, weights : places that each of these is predicted from, itself included, and the filter
        there, 0 beyond its order, (h, p + 1)
    """

    steps: Array
    valid: Mask
    heads: NDArray[np.intp]
    taps: NDArray[np.intp]
    weights: Array

    @classmethod
    def build(cls, steps: Array, valid: Mask) -> Predictor:
        """Find where the stretches start."""
        p = steps.shape[0] - 1
        at = np.arange(valid.shape[1])
        started = np.maximum.accumulate(np.where(valid, -1, at), axis=1)
        before = at - started - 1
        heads = np.flatnonzero(valid & (before < p))
        return cls(
            steps=steps,
            valid=valid,
            heads=heads,
            taps=np.maximum(heads[:, None] - np.arange(p + 1), 0),
            weights=steps[before.ravel()[heads]],
        )

    def __call__(self, rows: Array) -> Array:
        """Filter rows (..., b, n) that are 0 where not valid."""
        full = self.steps[-1]
        out = _correlate(rows.reshape(-1, rows.shape[-1]), full[::-1], anchor=full.size - 1)
        at_heads = rows.reshape(-1, self.valid.size)[:, self.taps]
        out.reshape(-1, self.valid.size)[:, self.heads] = (at_heads * self.weights).sum(axis=-1)
        return out.reshape(rows.shape)

    def adjoint(self, rows: Array) -> Array:
        """Transpose of the filter, of rows (b, n)."""
        rest = rows.copy()
        heads = rest.ravel()[self.heads]
        rest.reshape(-1)[self.heads] = 0.0
        out = _correlate(rest, self.steps[-1], anchor=0)
        back = heads[:, None] * self.weights
        out += np.bincount(self.taps.ravel(), back.ravel(), out.size).reshape(out.shape)
        return np.where(self.valid, out, 0.0)

    def every(self, step: int) -> Predictor:
        """The filters of every `step`-th band alone."""
        return Predictor.build(self.steps, self.valid[::step])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Whitener:
    """Linear filter that leaves uncorrelated noise of unit size and nothing smooth.

    scale : 1 / noise level, (b, n), 0 where not valid
    predictor : takes out the noise's correlation along the wall
    use : samples in use, (b, n)
    smooth : orthonormal filtered smooth part per band, (b, d, n)
    shared : unit vectors along the bands, one per wall position: the form of a profile common to
        all heights, which is taken out, (b, n); None where that is not asked for
    """

    scale: Array
    predictor: Predictor
    use: Mask
    smooth: Array
    shared: Array | None

    def __call__(self, rows: Array) -> Array:
        """Filter rows (..., b, n) of data or model."""
        return self.common_out(self.alone(rows))

    def alone(self, rows: Array) -> Array:
        """Filter rows (..., b, n) band by band: all but taking out the shared profile."""
        return self._project(self.predictor(rows * self.scale) * self.use)

    def common_out(self, rows: Array) -> Array:
        """Take out the shared profile of filtered rows (..., b, n), if that is asked for."""
        if self.shared is None:
            return rows
        common = (self.shared * rows).sum(axis=-2, keepdims=True)
        return self._project(rows - self.shared * common)

    def projected(self, rows: Array) -> Array:
        """Rows (b, n) as if they had come out of the filter: nothing smooth, nothing shared."""
        return self.common_out(self._project(rows * self.use))

    def adjoint(self, rows: Array) -> Array:
        """Transpose of the filter: ``<w(model), rows> = <model, w.adjoint(rows)>``."""
        out = self.projected(rows) * self.use
        return np.asarray(self.scale * self.predictor.adjoint(out))

    def every(self, step: int) -> Whitener:
        """The filter of every `step`-th band alone."""
        part = slice(None, None, step)
        return Whitener(
            scale=self.scale[part],
            predictor=self.predictor.every(step),
            use=self.use[part],
            smooth=self.smooth[part],
            shared=None if self.shared is None else _unit_bands(self.shared[part]),
        )

    def _project(self, rows: Array) -> Array:
        inner = np.matmul(self.smooth, rows[..., None])
        return np.asarray(rows - np.matmul(inner.swapaxes(-1, -2), self.smooth)[..., 0, :])


def build_whitener(
    s_mm: Array, noise: Array, valid: Mask, *, group: NDArray[np.intp], shared: bool
) -> Whitener:
    """Estimate the noise and build the filter.

    Parameters
    ----------
    s_mm : evenly spaced, (n,)
    noise : residuals, or flattened profiles whose neighbour differences serve, (b, n)
    valid : (b, n)
    group : bands are only compared with neighbours of the same group, (b,)
    shared : whether the profile common to all bands is taken out
    """
    level_b, level_s, steps = _noise(s_mm, noise, valid, group)
    scale = np.where(valid, 1 / (level_b[:, None] * level_s), 0.0)
    predictor = Predictor.build(steps, valid)
    P = np.polynomial.legendre.legvander(_unit(s_mm), SMOOTH_DEGREE)
    columns = np.stack([predictor(scale * P[:, i]) * valid for i in range(P.shape[1])], axis=-1)
    smooth, _ = np.linalg.qr(columns)
    return Whitener(
        scale=scale,
        predictor=predictor,
        use=valid,
        smooth=np.ascontiguousarray(smooth.swapaxes(-1, -2)),
        # noisier bands are scaled down, and a shared profile with them
        shared=_unit_bands(valid * (level_b.mean() / level_b)[:, None]) if shared else None,
    )


def _correlate(rows: Array, taps: Array, *, anchor: int) -> Array:
    """Correlate rows (k, n) with taps, the one at `anchor` being the sample's own."""
    return np.asarray(
        cv2.filter2D(rows, -1, taps[None], anchor=(anchor, 0), borderType=cv2.BORDER_CONSTANT)
    )


def _unit_bands(part: Array) -> Array:
    return np.asarray(part / np.sqrt(np.maximum((part**2).sum(axis=0), 1e-12)))


def _unit(s_mm: Array) -> Array:
    return np.asarray(2 * (s_mm - s_mm[0]) / (s_mm[-1] - s_mm[0]) - 1)


def _noise(
    s_mm: Array, noise: Array, valid: Mask, group: NDArray[np.intp]
) -> tuple[Array, Array, Array]:
    """Noise level per band (b,) and along the face (n,), and its prediction-error filter."""
    pair = group[1:] == group[:-1]
    both = valid[1:] & valid[:-1] & pair[:, None]
    differ = np.where(both, noise[1:] - noise[:-1], 0.0) / np.sqrt(2)
    power = differ**2
    window = max(3, round(NOISE_WINDOW_MM / (s_mm[1] - s_mm[0])))
    count = both.sum(axis=0)
    sums = cv2.blur(
        np.stack([power.sum(axis=0), count]), (window, 1), borderType=cv2.BORDER_REPLICATE
    )
    told = sums[1] > 0.5 / window
    along = np.maximum(sums[0], 0.0) / np.where(told, sums[1], 1.0)
    typical = np.median(along[told])
    # where no two neighbours show the wall, it is taken to be as noisy as elsewhere
    along = np.where(told, along, typical)
    level_s = np.sqrt(np.maximum(along, 1e-4 * typical + 1e-300))
    per_pair = np.full(pair.size, np.nan)
    enough = both.sum(axis=1) > 10
    scaled = np.where(both, differ / level_s, 0.0)
    per_pair[enough] = (scaled[enough] ** 2).sum(axis=1) / both[enough].sum(axis=1)
    left, right = np.append(np.nan, per_pair), np.append(per_pair, np.nan)
    with np.errstate(invalid="ignore"):
        mean = np.where(np.isnan(left), right, np.where(np.isnan(right), left, (left + right) / 2))
    mean = np.where(np.isnan(mean), np.nanmedian(per_pair), mean)
    level_b = np.sqrt(np.maximum(mean, 1e-12))
    # a single quiet pair must not dominate the fit
    level_b = np.maximum(level_b, 0.3 * np.median(level_b))
    even = scaled / np.sqrt((level_b[1:] ** 2 + level_b[:-1] ** 2) / 2)[:, None]
    return level_b, level_s, _burg(even, both)


def _burg(rows: Array, use: Mask) -> Array:
    """Prediction-error filters of order 0 to AR_ORDER by Burg's method, pooled over rows.

    Masked samples count as 0. Each filter is scaled so that what it leaves is of unit size.
    """
    forward, backward = rows.copy(), rows.copy()
    both = use.copy()
    ar = np.array([1.0])
    steps = np.zeros((AR_ORDER + 1, AR_ORDER + 1))
    for order in range(AR_ORDER + 1):
        left = forward[both]
        power = float(np.mean(left**2)) if left.size else 1.0
        steps[order, : ar.size] = ar / np.sqrt(max(power, 1e-300))
        if order == AR_ORDER:
            break
        f, b = forward[:, 1:], backward[:, :-1]
        both = both[:, 1:] & both[:, :-1]
        top = 2 * np.sum(f * b * both)
        bottom = np.sum((f**2 + b**2) * both)
        k = -top / bottom if bottom > 0 else 0.0
        forward, backward = f + k * b, b + k * f
        ar = np.append(ar, 0.0) + k * np.append(ar, 0.0)[::-1]
    return steps
