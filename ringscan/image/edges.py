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

from ringscan.image.box import Box, Side
from ringscan.image.comb import comb_depth, ink
from ringscan.image.photo import Photo
from ringscan.image.pose import Camera
from ringscan.layout import COMB_PERIOD_MM, Outline

END_MARGIN_MM = 3.0
"""Nearer to the face's corners the neighbouring edge disturbs."""
CLEAR_MM = 0.7
"""An edge seen nearer than this to where the printed comb begins may be the comb's own."""
ALONG_PX, ACROSS_PX = 3.0, 0.5
"""Steps of sampling along and across an edge."""
BAR_CORE = 0.35
"""Cosine from which a sample lies well inside a bar."""
FLANK_MM = (0.35, 1.0)
"""Where, from the edge, the levels on both sides are taken."""
STEP_FLANK_MM = (0.15, 0.7)
MIN_WALL_MM = 0.6
"""Walls seen narrower than this cannot be told from the face's edge."""
STEP_REACH_MM = 1.0
"""An edge is straight, and as expected turned, to within this."""
SMOOTH_MM = 0.12
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crop:
    """Linear light of a part of the picture; `origin_px` is its pixel (0, 0) in the picture."""

    light: NDArray[np.float32]
    origin_px: tuple[int, int]

    def sample(self, points_px: NDArray[np.float64], flag: int) -> NDArray[np.float32]:
        """Light at points (..., 2); NaN outside."""
        at = (points_px - self.origin_px).astype(np.float32)
        sampled = cv2.remap(
            self.light, at[..., 0], at[..., 1], flag, borderValue=(float("nan"),) * 4
        )
        return np.asarray(sampled, dtype=np.float32)


def crop_around(photo: Photo, points_px: NDArray[np.float64], margin_px: float) -> Crop:
    """Linear light of the upright rectangle around points, as far as it is in the picture."""
    low = np.floor(points_px.min(axis=0) - margin_px).astype(int)
    high = np.ceil(points_px.max(axis=0) + margin_px).astype(int) + 1
    x0, y0 = np.clip(low, 0, None).tolist()
    x1, y1 = np.minimum(high, [photo.width_px, photo.height_px]).tolist()
    if x1 - x0 < 2 or y1 - y0 < 2:
        return Crop(light=np.full((2, 2), np.nan, np.float32), origin_px=(0, 0))
    return Crop(light=photo.linear(slice(y0, y1), slice(x0, x1)), origin_px=(x0, y0))


def comb_edge(
    crop: Crop,
    camera: Camera,
    box: Box,
    side: Side,
    *,
    reach_mm: float,
    outline: Outline,
    sheet_scale: NDArray[np.float64],
) -> EdgePoints:
    """Where the tower begins to hide the comb, within `reach_mm` of the box's edge."""
    shows_wall = box.lean_mm(side, camera.position_mm) > 0
    above = 0.0 if shows_wall else box.width_mm
    strip = _Strip.of(crop, camera, box, side, above, reach_mm)
    eye = camera.position_mm
    # seen from the eye, the sheet behind a parallel plane is that plane scaled about the eye
    shrink = 1 + above / eye[2]
    ground = (eye[:2] + (strip.flat_mm - eye[:2]) / shrink) / sheet_scale
    wave = ink(ground, side, outline)
    depth = comb_depth(ground, side, outline)
    period = COMB_PERIOD_MM * float(sheet_scale.mean()) * shrink
    found = []
    half = box.length_mm(side) / 2 - END_MARGIN_MM
    for middle in np.arange(-half + period / 2, half - period / 2 + 1e-6, period / 2):
        rows = np.abs(strip.along - middle) <= period / 2
        difference, contrast = _bar_difference(strip.light[rows], wave[rows])
        # at a wall's foot the paper darkens toward the wall
        out = _fall(strip.out, contrast, contrast if shows_wall else difference)
        if out is not None and np.interp(out, strip.out, depth[rows].min(axis=0)) > CLEAR_MM:
            found.append((middle, out))
    kind = Kind.WALL_SHEET if shows_wall else Kind.FACE_SHEET
    return strip.edge_points(found, camera, box, side, above, kind)


def step_edges(
    crop: Crop, camera: Camera, box: Box, side: Side, *, reach_mm: float
) -> list[EdgePoints]:
    """Where brightness steps at the face's edge, within `reach_mm` of the box's edge.

    Where it is darker outside, the step may be the shade on the corner's round, inside of the
    outline, whatever lies beyond; where it is brighter and no wall is seen, that is the sheet.
    """
    lean = box.lean_mm(side, camera.position_mm)
    wall_mm = -lean * box.width_mm / camera.position_mm[2]
    thin = 0 < wall_mm < MIN_WALL_MM
    above = 0.0 if thin else box.width_mm
    strip = _Strip.of(crop, camera, box, side, above, reach_mm)
    half = box.length_mm(side) / 2 - END_MARGIN_MM
    length = 4.0
    middles = np.arange(-half + length / 2, half - length / 2 + 1e-6, length / 2)
    rows = [np.abs(strip.along - middle) <= length / 2 for middle in middles]
    profiles = np.array([strip.light[r].mean(axis=0) for r in rows], dtype=np.float64)
    line = _strongest_line(strip.out, profiles, sd_mm=reach_mm / 2)
    near = np.abs(strip.out - line) <= STEP_REACH_MM
    found: dict[Kind, list[tuple[float, float]]] = {}
    for middle, profile in zip(middles, profiles, strict=True):
        step = _step(strip.out[near], profile[near])
        if step is not None:
            out, rises = step
            bright = Kind.WALL_SHEET if thin else Kind.FACE_SHEET
            kind = bright if rises and wall_mm < MIN_WALL_MM else Kind.FACE_WALL
            found.setdefault(kind, []).append((middle, out))
    return [
        strip.edge_points(places, camera, box, side, above, kind) for kind, places in found.items()
    ]


def _strongest_line(out: NDArray[np.float64], profiles: NDArray[np.float64], sd_mm: float) -> float:
    """Where most profiles change steeply, not far from where they are expected to."""
    with np.errstate(invalid="ignore"):
        log = np.log(np.maximum(profiles, 1e-3))
    step = out[1] - out[0]
    smooth = cv2.GaussianBlur(log, (0, 0), sigmaX=SMOOTH_MM / step, sigmaY=1e-6)
    slope = np.median(np.abs(np.gradient(smooth, step, axis=1)), axis=0)
    likely = np.nan_to_num(slope) * np.exp(-((out / sd_mm) ** 2) / 2)
    return float(out[np.argmax(likely)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Strip:
    """Samples along an edge: rows run along it, columns outward across it.

    along, out : mm, from the edge's middle and from the edge
    flat_mm : of the samples in their plane, the sheet's frame, (n_along, n_out, 2)
    light : (n_along, n_out)
    """

    along: NDArray[np.float64]
    out: NDArray[np.float64]
    flat_mm: NDArray[np.float64]
    light: NDArray[np.float32]

    @classmethod
    def of(
        cls, crop: Crop, camera: Camera, box: Box, side: Side, above: float, reach: float
    ) -> _Strip:
        half = box.length_mm(side) / 2
        ends = camera.project(box.edge(side, np.array([-half, half]), above))
        px_per_mm = float(np.linalg.norm(ends[1] - ends[0])) / (2 * half)
        along = np.arange(-half, half, ALONG_PX / px_per_mm)
        out = np.arange(-reach, reach, ACROSS_PX / px_per_mm)
        a, o = np.meshgrid(along, box.reach_mm(side) + out, indexing="ij")
        u, v = (side.sign * o, a) if side.upright else (a, side.sign * o)
        points = box.points(u.ravel(), v.ravel(), above)
        seen = camera.project(points).reshape(*a.shape, 2)
        flat = points[:, :2].reshape(*a.shape, 2)
        light = crop.sample(seen, cv2.INTER_LINEAR)
        return cls(along=along, out=out, flat_mm=flat, light=light)

    def edge_points(
        self,
        found: list[tuple[float, float]],
        camera: Camera,
        box: Box,
        side: Side,
        above: float,
        kind: Kind,
    ) -> EdgePoints:
        points = np.empty((0, 2))
        if found:
            along, out = np.array(found).T
            o = side.sign * (box.reach_mm(side) + out)
            u, v = (o, along) if side.upright else (along, o)
            points = camera.project(box.points(u, v, above))
        return EdgePoints(side=side, kind=kind, points_px=points)


def _bar_difference(
    light: NDArray[np.float32], wave: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """White less black bars, and that relative to their sum, per column; NaN where unknown."""
    white, black = wave < -BAR_CORE, wave > BAR_CORE
    few = 0.2 * len(light)
    with np.errstate(divide="ignore", invalid="ignore"):
        bright = (light * white).sum(axis=0) / white.sum(axis=0)
        dark = (light * black).sum(axis=0) / black.sum(axis=0)
        bright[(white.sum(axis=0) < few) | (black.sum(axis=0) < few)] = np.nan
        return bright - dark, (bright - dark) / (bright + dark)


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
    high = float(np.median(outer))
    if high <= 0 or high < MIN_COMB_RATIO * float(np.percentile(np.abs(inner), 80)):
        return None
    inner, outer = _flanks(out, difference, out[split])
    level = (float(np.median(inner)) + float(np.median(outer))) / 2
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
    low, high = float(np.median(inner)), float(np.median(outer))
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
    off = out - middle
    near, far = span
    return values[(off < -near) & (off > -far)], values[(off > near) & (off < far)]


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
