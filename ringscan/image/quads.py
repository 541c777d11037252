"""Rectangles of a known size in a picture: a card, a plate, or the face itself."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.lines import find_lines, find_quads
from ringscan.image.photo import Photo
from ringscan.image.plane import see_rectangle
from ringscan.image.pose import Expected
from ringscan.image.strip import Crop

MIDDLE = 0.7
"""Share of a side that is taken for straight: corners may be round."""
MAX_STRAIN = 3.0
"""Standard deviations: what is off by more is another shape."""
MAX_TILT_DEG = 40.0
"""A rectangle that would be seen from farther aside is one of chance."""
SIDE_SAMPLES = 60
REFINE_PX = (5.0, 4.0)
"""Reach of the search for a side's line: from the reduced picture's, and again."""
TRIED = 0.995
"""Overlap from which two finds are the same."""
SAME = 0.8
"""Overlap from which two finds are in the same place."""
WORSE = 0.2
"""Of the score of find_quads: what is seen so much worse than another is one of chance."""
SEEN_SD = 0.08
"""Of the score of find_quads: so much less seen counts as one standard deviation of misfit. A
ripple beside the face's own edge, or the tower's side wall, may fit the size as well."""
MOST_TRIED = 60
"""The best seen ones: each takes some milliseconds."""

Array = NDArray[np.float64]


def find_rectangles(photo: Photo, size_mm: tuple[float, float]) -> list[Array]:
    """Corners of all rectangles of that size, (4, 2) each: clockwise as the picture is displayed.

    The first side, from corner 0 to 1, is one of those `size_mm[0]` long. Of several in about one
    place the one that fits and is seen best is given; those seen clearly worse are left out.
    """
    expected = Expected.of(photo)
    lines = find_lines(photo)
    if lines is None:
        return []
    tried: list[Array] = []
    fitting: list[tuple[float, Array]] = []
    least = 0.0
    for score, rough in find_quads(lines, size_mm[0] / size_mm[1])[:MOST_TRIED]:
        if score < least:
            break
        corners = _refined(photo, rough)
        if corners is None or any(_overlap(corners, other) > TRIED for other in tried):
            continue
        tried.append(corners)
        for way in (corners, np.roll(corners, 1, axis=0)):
            seen = see_rectangle(expected, way, size_mm)
            if seen.strain < MAX_STRAIN and seen.camera.tilt_deg < MAX_TILT_DEG:
                fitting.append((seen.strain - score / SEEN_SD, way))
                least = max(least, score - WORSE)
    found: list[Array] = []
    for _, corners in sorted(fitting, key=lambda pair: pair[0]):
        if all(_overlap(corners, other) < SAME for other in found):
            found.append(corners)
    return found


def _line(points: Array) -> tuple[Array, Array]:
    """A point of the line through points, and its direction, with outliers held down."""
    fitted = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01)
    way, point = np.asarray(fitted, dtype=np.float64).reshape(2, 2)
    return point, way


def _meet(lines: list[tuple[Array, Array]]) -> Array | None:
    """Where each line meets the one before it."""
    corners = []
    for (p, v), (q, w) in zip(lines, [lines[-1], *lines[:-1]], strict=True):
        cross = v[0] * w[1] - v[1] * w[0]
        if abs(cross) < 0.2:  # under 12° from parallel
            return None
        t = ((q - p)[0] * w[1] - (q - p)[1] * w[0]) / cross
        corners.append(p + t * v)
    return np.array(corners)


def _refined(photo: Photo, corners: Array) -> Array | None:
    """The same corners by lines through where brightness changes most across each side."""
    for reach in REFINE_PX:
        crop = Crop.around(photo, corners, 2 * reach)
        lines = []
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            points = _side_points(crop, a, b, reach)
            if len(points) < SIDE_SAMPLES / 3:
                return None
            lines.append(_line(points))
        met = _meet(lines)
        if met is None:
            return None
        corners = met
    return corners


def _side_points(crop: Crop, a: Array, b: Array, reach: float) -> Array:
    """Where brightness changes most, across the middle of a side; where it does so clearly."""
    way = (b - a) / np.linalg.norm(b - a)
    across = np.array([-way[1], way[0]])
    out = np.arange(-reach, reach + 0.25, 0.5)
    share = np.linspace(0.5 - MIDDLE / 2, 0.5 + MIDDLE / 2, SIDE_SAMPLES)
    base = a + share[:, None] * (b - a)
    light = crop.sample(base[:, None, :] + out[None, :, None] * across)
    log = np.log(np.maximum(light, 1e-3))
    # along the side neighbours are averaged: grain goes, the edge stays
    smooth = cv2.GaussianBlur(log, (0, 0), sigmaX=2.0, sigmaY=1.0)
    change = np.gradient(smooth.astype(np.float64), axis=1)
    mean = np.nanmean(change, axis=0)
    way_up = np.sign(mean[np.argmax(np.abs(mean))])
    change = np.nan_to_num(change * way_up)
    peak = change.argmax(axis=1)
    near = np.abs(np.arange(len(out))[None, :] - peak[:, None]) <= 4
    weight = np.clip(change, 0, None) * near
    total = weight.sum(axis=1)
    place = (weight * out).sum(axis=1) / np.maximum(total, 1e-12)
    clear = change.max(axis=1) > 0.25 * np.median(change.max(axis=1))
    clear &= (peak > 0) & (peak < len(out) - 1)
    return np.asarray((base + place[:, None] * across)[clear], dtype=np.float64)


def _overlap(a: Array, b: Array) -> float:
    """Area that two convex polygons share, over what they cover together."""
    area, _ = cv2.intersectConvexConvex(a.astype(np.float32), b.astype(np.float32))
    return float(area) / max(_area(a) + _area(b) - float(area), 1e-9)


def _area(polygon: Array) -> float:
    return abs(float(cv2.contourArea(polygon.astype(np.float32))))
