"""Points on the face's edges, to a fraction of a pixel.

Two kinds of edge. Where the sheet is seen beyond the edge, the comb tells paper from tower: the
difference between its white and its black bars, in linear light, falls from full to nothing as
the tower covers them, whatever the tower's colour; half of it is the edge. Where the tower's own
wall is seen below the edge there is only a step of brightness.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Side
from ringscan.image.comb import comb_depth, comb_ends, ink
from ringscan.image.strip import Crop, Place, Strip
from ringscan.layout import COMB_PERIOD_MM, Outline

Array = NDArray[np.float64]

MIN_EDGE_POINTS = 5
"""An edge with fewer was not seen."""
MIN_WALL_MM = 0.6
"""Walls seen narrower than this cannot be told from the face's edge."""
END_MARGIN_MM = 3.0
"""Nearer to the face's corners the neighbouring edge disturbs."""
CLEAR_MM = 0.7
"""An edge seen nearer than this to where the printed comb begins may be the comb's own."""
BAR_CORE = 0.35
"""Cosine from which a sample lies well inside a bar."""
FLANK_MM = (0.35, 1.0)
"""Where, from the edge, the levels on both sides are taken."""
STEP_FLANK_MM = (0.15, 0.7)
"""The same for a step of brightness, where the wall beyond may be narrow."""
STEP_WINDOW_MM = 4.0
"""Length of edge over which brightness is averaged."""
STEP_REACH_MM = 1.0
"""An edge is straight, and as expected turned, to within this."""
SMOOTH_MM = 0.12
"""About a pixel and a half: noise goes, an edge stays."""
MIN_PAIR_MM = 1.0
"""Of walls seen at least so wide, both edges can be told apart."""
WALL_SLACK = (0.7, 1.3)
"""How wide a wall may be seen, relative to what is expected."""
MIN_COMB_RATIO = 2.5
"""Comb outside the edge, over what is left of it inside."""
MIN_STEP = 0.08
"""Relative step of brightness that counts as an edge."""


class Kind(StrEnum):
    """What an edge is between."""

    FACE_SHEET = "face against the sheet beyond"
    WALL_SHEET = "the wall's foot on the sheet"
    FACE_WALL = "face against the wall below it"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgePoints:
    """Points found along one side of the box.

    side : which one
    kind : what was seen there
    points_px : in the picture, px, (n, 2)
    """

    side: Side
    kind: Kind
    points_px: NDArray[np.float64]


def comb_edge(
    crop: Crop,
    place: Place,
    *,
    reach_mm: float,
    outline: Outline,
    sheet_scale: NDArray[np.float64],
) -> EdgePoints:
    """Where the tower begins to hide the comb, within `reach_mm` of where it is expected to."""
    strip = Strip.of(crop, place, reach_mm)
    eye = place.camera.position_mm
    # a point and what it hides of the sheet lie on one ray from the eye
    up = 1 - strip.starts_mm[:, 2:] / eye[2]
    starts = (eye[:2] + (strip.starts_mm[:, :2] - eye[:2]) / up) / sheet_scale
    ways = strip.way[:2] / up / sheet_scale
    x, y = (starts[:, k, None] + ways[:, k, None] * strip.out for k in range(2))
    along, across = (y, x) if place.side.upright else (x, y)
    low, high, outer = comb_ends(place.side, outline)
    wave = ink(along.astype(np.float32), place.side)
    wave[(along <= low) | (along >= high)] = 0
    wave[comb_depth(across, place.side, outline) >= outer] = 0

    period = COMB_PERIOD_MM * float(sheet_scale.mean() * up.mean())
    half = place.box.length_mm(place.side) / 2 - END_MARGIN_MM
    windows = Windows.of(strip.along, -half, half, period)
    if not windows.middles.size:  # a tower of a few mm
        return _points(place, windows.middles, windows.middles, Kind.FACE_SHEET)
    difference, contrast = _bar_difference(windows, strip.light, wave)
    # at a wall's foot the paper darkens toward the wall
    out = _falls(strip.out, contrast, contrast if place.foot else difference)
    k = 0 if place.side.upright else 1
    at_edge = starts[:, k, None] + ways[:, k, None] * np.nan_to_num(out)
    clear = windows.least(comb_depth(at_edge, place.side, outline)).diagonal() > CLEAR_MM
    found = np.isfinite(out) & clear
    kind = Kind.WALL_SHEET if place.foot else Kind.FACE_SHEET
    return _points(place, windows.middles[found], out[found], kind)


def step_edges(crop: Crop, place: Place, *, reach_mm: float, wall_mm: float) -> list[EdgePoints]:
    """Where brightness steps at an edge, within `reach_mm` of where it is expected to.

    Below it the tower's wall is seen `wall_mm` wide, or not at all. Where it is darker outside,
    the step may be the shade on the corner's round, inside of the outline, whatever lies beyond;
    where it is brighter and no wall is seen, that is the sheet.
    """
    strip = Strip.of(crop, place, reach_mm, beyond_mm=WALL_SLACK[1] * wall_mm)
    half = place.box.length_mm(place.side) / 2 - END_MARGIN_MM
    windows = Windows.of(strip.along, -half, half + STEP_WINDOW_MM / 2 - 1e-3, STEP_WINDOW_MM)
    if not windows.middles.size:
        return []
    profiles = windows.total(strip.light) / windows.rows[:, None]
    likely = _steepness(strip.out, profiles, falling=wall_mm > 0 and not place.side.upright)
    if place.side.upright and wall_mm > MIN_PAIR_MM:
        likely = likely * _seen_again(strip.out, likely, wall_mm)
    likely *= np.exp(-((strip.out / reach_mm * 2) ** 2) / 2) * (strip.out < reach_mm)
    line = strip.out[np.argmax(likely)]
    near = np.abs(strip.out - line) <= STEP_REACH_MM
    beyond = Kind.WALL_SHEET if place.foot else Kind.FACE_SHEET
    out, rises = _steps(strip.out[near], profiles[:, near])
    is_beyond = rises & (wall_mm == 0)
    parts = []
    for kind, which in ((beyond, is_beyond), (Kind.FACE_WALL, ~is_beyond)):
        found = which & np.isfinite(out)
        if found.any():
            parts.append(_points(place, windows.middles[found], out[found], kind))
    return parts


def _points(place: Place, along: Array, out: Array, kind: Kind) -> EdgePoints:
    points = place.camera.project(place.points_mm(along, out))
    return EdgePoints(side=place.side, kind=kind, points_px=points)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Windows:
    """Pieces of an edge, each of which overlaps half of the next.

    cuts : first row of each half of a piece, and the row after the last, (n + 2,)
    middles : mm along the edge, (n,)
    rows : number of rows in each, (n,)
    """

    cuts: NDArray[np.intp]
    middles: Array
    rows: NDArray[np.intp]

    @classmethod
    def of(cls, along: Array, low_mm: float, high_mm: float, length_mm: float) -> Windows:
        """Pieces of a length between two places; `along` rises."""
        ends = np.arange(low_mm, high_mm + 1e-6, length_mm / 2)
        cuts = np.minimum(np.searchsorted(along, ends), len(along) - 1)
        return cls(cuts=cuts, middles=ends[1:-1], rows=cuts[2:] - cuts[:-2])

    def total(self, values: NDArray[Any]) -> Array:
        """Sum over each piece, (n, ...), of values per row."""
        parts = np.add.reduceat(values, self.cuts, axis=0, dtype=np.float64)[:-1]
        return np.asarray(parts[:-1] + parts[1:], dtype=np.float64)

    def least(self, values: NDArray[np.floating]) -> NDArray[np.floating]:
        """Minimum over each piece, (n, ...), of values per row."""
        parts = np.minimum.reduceat(values, self.cuts, axis=0)[:-1]
        return np.minimum(parts[:-1], parts[1:])


def _steepness(
    out: NDArray[np.float64], profiles: NDArray[np.float64], *, falling: bool
) -> NDArray[np.float64]:
    """How steeply most profiles change, per column.

    Only where they fall outward, if asked: a tower's open end is dark inside, and the sheet
    beyond it may be bright.
    """
    with np.errstate(invalid="ignore"):
        log = np.log(np.maximum(profiles, 1e-3))
    step = out[1] - out[0]
    smooth = cv2.GaussianBlur(log, (0, 0), sigmaX=SMOOTH_MM / step, sigmaY=1e-6)
    slopes = np.gradient(smooth, step, axis=1)
    steep = np.median(np.maximum(-slopes, 0) if falling else np.abs(slopes), axis=0)
    return np.asarray(np.nan_to_num(steep), dtype=np.float64)


def _seen_again(
    out: NDArray[np.float64], steep: NDArray[np.float64], wall_mm: float
) -> NDArray[np.float64]:
    """How steep it is a wall's width further out: a wall has two edges."""
    near, far = (
        np.searchsorted(out, out + share * wall_mm).clip(0, len(out) - 1) for share in WALL_SLACK
    )
    return np.array([steep[a : b + 1].max() for a, b in zip(near, far, strict=True)])


def _bar_difference(
    windows: Windows, light: NDArray[np.float32], wave: NDArray[np.floating]
) -> tuple[Array, Array]:
    """White less black bars per piece and column, and that over their sum; NaN where unknown."""
    few = 0.2 * windows.rows[:, None]
    means = []
    for bars in (wave < -BAR_CORE, wave > BAR_CORE):
        count = windows.total(bars)
        mean = windows.total(light * bars) / np.maximum(count, 1)
        mean[count < few] = np.nan
        means.append(mean)
    difference, both = means[0] - means[1], means[0] + means[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        return difference, difference / both


def _falls(out: Array, contrast: Array, difference: Array) -> Array:
    """Where the comb's contrast ends, per row; to a fraction of a pixel by its difference.

    NaN where it does not. Contrast stays across the border of a shadow. Difference is linear in
    how much of a pixel is covered.
    """
    middle = _best_splits(out, contrast)
    middle[np.isfinite(contrast).sum(axis=1) < 0.5 * len(out)] = np.nan
    inner, outer = _flanks(out, contrast, middle, FLANK_MM)
    high = _quantiles(outer, 0.5)
    clear = (high > 0) & (high >= MIN_COMB_RATIO * _quantiles(np.abs(inner), 0.8))
    inner, outer = _flanks(out, difference, middle, FLANK_MM)
    level = (_quantiles(inner, 0.5) + _quantiles(outer, 0.5)) / 2
    at = _crossings(out, difference, middle, level)
    return np.where(clear & (np.abs(at - middle) < FLANK_MM[1]), at, np.nan)


def _steps(out: Array, profiles: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Where profiles, (n, n_out), step most, NaN where they don't, and which rise outward."""
    middle = _best_splits(out, np.log(np.maximum(profiles, 1e-4)))
    middle[~np.isfinite(profiles).all(axis=1)] = np.nan
    inner, outer = _flanks(out, profiles, middle, STEP_FLANK_MM)
    low, high = _quantiles(inner, 0.5), _quantiles(outer, 0.5)
    at = _crossings(out, profiles, middle, (low + high) / 2)
    plain = np.abs(high - low) >= MIN_STEP * np.maximum(high, low)
    return np.where(plain, at, np.nan), np.asarray(high > low)


def _best_splits(out: Array, values: Array) -> Array:
    """Where each row of values is split best into two constant parts; NaN if there are too few."""
    known = np.isfinite(values)
    count = known.cumsum(axis=1)
    before = np.where(known, values, 0.0).cumsum(axis=1)
    n, total = count[:, -1:], before[:, -1:]
    edge = n // 10 + 2
    inside = known & (count > edge) & (count < n - edge)
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = before**2 / count + (total - before) ** 2 / (n - count)
    split = np.argmax(np.where(inside, gain, -np.inf), axis=1)
    place = out[np.minimum(split + 1, len(out) - 1)]
    return np.where(n[:, 0] >= 4 * edge[:, 0], place, np.nan)


def _flanks(
    out: Array, values: Array, middle: Array, span: tuple[float, float]
) -> tuple[Array, Array]:
    """Values on both sides of each row's middle; NaN elsewhere."""
    near, far = span
    off = out - middle[:, None]
    inner, outer = (off >= -far) & (off < -near), (off >= near) & (off < far)
    return np.where(inner, values, np.nan), np.where(outer, values, np.nan)


def _quantiles(values: Array, share: float) -> Array:
    """Quantile per row of what is not NaN; NaN where that is less than three."""
    ordered = np.sort(values, axis=1)  # NaN come last
    count = np.isfinite(ordered).sum(axis=1)
    place = share * np.maximum(count - 1, 0)
    low, rows = place.astype(int), np.arange(len(ordered))
    high = np.minimum(low + 1, np.maximum(count - 1, 0))
    value = ordered[rows, low] + (place - low) * (ordered[rows, high] - ordered[rows, low])
    return np.where(count >= 3, value, np.nan)


def _crossings(out: Array, values: Array, middle: Array, level: Array) -> Array:
    """Where each row crosses its level nearest to its middle; NaN where it does not."""
    a, b = values[:, :-1], values[:, 1:]
    above = values > level[:, None]
    crosses = (above[:, 1:] != above[:, :-1]) & np.isfinite(a) & np.isfinite(b)
    with np.errstate(divide="ignore", invalid="ignore"):
        at = out[:-1] + (level[:, None] - a) / (b - a) * np.diff(out)
    away = np.where(crosses, np.abs(at - middle[:, None]), np.inf)
    nearest = np.argmin(away, axis=1)
    rows = np.arange(len(values))
    return np.where(np.isfinite(away[rows, nearest]), at[rows, nearest], np.nan)
