"""Points on the face's edges, to a fraction of a pixel.

Two kinds of edge. Where the sheet is seen beyond the edge, the comb tells paper from tower: the
difference between its white and its black bars, in linear light, falls from full to nothing as
the tower covers them, whatever the tower's colour; half of it is the edge. Where the tower's own
wall is seen below the edge there is only a step of brightness.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Side
from ringscan.image.comb import comb_depth, ink
from ringscan.image.strip import Crop, Place, Strip
from ringscan.layout import COMB_PERIOD_MM, Outline

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
MIN_PAIR_MM = 1.5
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

    kind : what was seen there
    points_px : (n, 2)
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
    up = 1 - strip.points_mm[..., 2:] / eye[2]
    ground = (eye[:2] + (strip.points_mm[..., :2] - eye[:2]) / up) / sheet_scale
    wave = ink(ground, place.side, outline)
    depth = comb_depth(ground, place.side, outline)
    period = COMB_PERIOD_MM * float(sheet_scale.mean() * up.mean())
    found = []
    half = place.box.length_mm(place.side) / 2 - END_MARGIN_MM
    for middle in np.arange(-half + period / 2, half - period / 2 + 1e-6, period / 2):
        rows = _within(strip.along, middle, period / 2)
        difference, contrast = _bar_difference(strip.light[rows], wave[rows])
        # at a wall's foot the paper darkens toward the wall
        out = _fall(strip.out, contrast, contrast if place.foot else difference)
        if out is not None and np.interp(out, strip.out, depth[rows].min(axis=0)) > CLEAR_MM:
            found.append((middle, out))
    return _points(place, found, Kind.WALL_SHEET if place.foot else Kind.FACE_SHEET)


def step_edges(crop: Crop, place: Place, *, reach_mm: float, wall_mm: float) -> list[EdgePoints]:
    """Where brightness steps at an edge, within `reach_mm` of where it is expected to.

    Below it the tower's wall is seen `wall_mm` wide, or not at all. Where it is darker outside,
    the step may be the shade on the corner's round, inside of the outline, whatever lies beyond;
    where it is brighter and no wall is seen, that is the sheet.
    """
    strip = Strip.of(crop, place, reach_mm, beyond_mm=WALL_SLACK[1] * wall_mm)
    half = place.box.length_mm(place.side) / 2 - END_MARGIN_MM
    middles = np.arange(-half + STEP_WINDOW_MM / 2, half, STEP_WINDOW_MM / 2)
    rows = [np.abs(strip.along - middle) <= STEP_WINDOW_MM / 2 for middle in middles]
    profiles = np.array([strip.light[r].mean(axis=0) for r in rows], dtype=np.float64)
    likely = _steepness(strip.out, profiles, falling=wall_mm > 0 and not place.side.upright)
    if place.side.upright and wall_mm > MIN_PAIR_MM:
        likely = likely * _seen_again(strip.out, likely, wall_mm)
    likely *= np.exp(-((strip.out / reach_mm * 2) ** 2) / 2) * (strip.out < reach_mm)
    line = strip.out[np.argmax(likely)]
    near = np.abs(strip.out - line) <= STEP_REACH_MM
    beyond = Kind.WALL_SHEET if place.foot else Kind.FACE_SHEET
    found: dict[Kind, list[tuple[float, float]]] = {}
    for middle, profile in zip(middles, profiles, strict=True):
        step = _step(strip.out[near], profile[near])
        if step is not None:
            out, rises = step
            kind = beyond if rises and wall_mm == 0 else Kind.FACE_WALL
            found.setdefault(kind, []).append((middle, out))
    return [_points(place, places, kind) for kind, places in found.items()]


def _points(place: Place, found: list[tuple[float, float]], kind: Kind) -> EdgePoints:
    points = np.empty((0, 2))
    if found:
        points = place.camera.project(place.points_mm(*np.array(found).T))
    return EdgePoints(side=place.side, kind=kind, points_px=points)


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
    light: NDArray[np.float32], wave: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """White less black bars, and that relative to their sum, per column; NaN where unknown."""
    white, black = wave < -BAR_CORE, wave > BAR_CORE
    few = 0.2 * len(light)
    with np.errstate(divide="ignore", invalid="ignore"):
        whites, blacks = white.sum(axis=0), black.sum(axis=0)
        bright = (light * white).sum(axis=0) / whites
        dark = (light * black).sum(axis=0) / blacks
        bright[(whites < few) | (blacks < few)] = np.nan
        return bright - dark, (bright - dark) / (bright + dark)


def _within(along: NDArray[np.float64], middle: float, reach: float) -> slice:
    """Samples near a place; `along` rises."""
    return slice(*np.searchsorted(along, [middle - reach, middle + reach]).tolist())


def _fall(
    out: NDArray[np.float64], contrast: NDArray[np.float64], difference: NDArray[np.float64]
) -> float | None:
    """Where the comb's contrast ends; to a fraction of a pixel by its difference.

    Contrast stays across the border of a shadow. Difference is linear in how much of a pixel
    is covered.
    """
    known = np.isfinite(contrast)
    if known.sum() < 0.5 * len(out):
        return None
    out, contrast, difference = out[known], contrast[known], difference[known]
    split = _best_split(contrast)
    if split is None:
        return None
    inner, outer = _flanks(out, contrast, out[split])
    if len(inner) < 3 or len(outer) < 3:
        return None
    high = _quantile(outer, 0.5)
    if high <= 0 or high < MIN_COMB_RATIO * _quantile(np.abs(inner), 0.8):
        return None
    inner, outer = _flanks(out, difference, out[split])
    level = (_quantile(inner, 0.5) + _quantile(outer, 0.5)) / 2
    at = _crossing(out, difference, out[split], level)
    return at if at is not None and abs(at - out[split]) < FLANK_MM[1] else None


def _step(out: NDArray[np.float64], profile: NDArray[np.float64]) -> tuple[float, bool] | None:
    """Where a profile steps most, and whether it rises outward."""
    if not np.isfinite(profile).all():
        return None
    split = _best_split(np.log(np.maximum(profile, 1e-4)))
    if split is None:
        return None
    inner, outer = _flanks(out, profile, out[split], STEP_FLANK_MM)
    if len(inner) < 3 or len(outer) < 3:
        return None
    low, high = _quantile(inner, 0.5), _quantile(outer, 0.5)
    if abs(high - low) < MIN_STEP * max(high, low):
        return None
    at = _crossing(out, profile, out[split], (low + high) / 2)
    return None if at is None else (at, high > low)


def _best_split(values: NDArray[np.float64]) -> int | None:
    """Index that splits values best into two constant parts."""
    n = len(values)
    edge = n // 10 + 2
    if n < 4 * edge:
        return None
    before = np.cumsum(values)[:-1]
    count = np.arange(1, n)
    gain = before**2 / count + (values.sum() - before) ** 2 / (n - count)
    return int(np.argmax(gain[edge:-edge])) + edge + 1


def _flanks(
    out: NDArray[np.float64],
    values: NDArray[np.float64],
    middle: float,
    span: tuple[float, float] = FLANK_MM,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Values on both sides of the middle; `out` rises."""
    near, far = span
    ends = middle + np.array([-far, -near, near, far])
    a, b, c, d = np.searchsorted(out, ends).tolist()
    return values[a:b], values[c:d]


def _quantile(values: NDArray[np.float64], share: float) -> float:
    """As numpy's, which takes much longer for a few dozen values."""
    ordered = np.sort(values)
    return float(np.interp(share * (len(ordered) - 1), np.arange(len(ordered)), ordered))


def _crossing(
    out: NDArray[np.float64], values: NDArray[np.float64], middle: float, level: float
) -> float | None:
    """Position of the crossing of a level that is nearest to `middle`."""
    above = values > level
    at = np.flatnonzero(above[1:] != above[:-1])
    if len(at) == 0:
        return None
    fraction = (level - values[at]) / (values[at + 1] - values[at])
    crossings = out[at] + fraction * (out[at + 1] - out[at])
    return float(crossings[np.argmin(np.abs(crossings - middle))])
