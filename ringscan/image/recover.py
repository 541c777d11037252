"""The sheet's corners that its markers do not name, found by those that they do.

A chessboard corner is named by the markers beside it; with one of them hidden it is lost, though
it may be plain to see. A few markers anywhere say where all corners must be.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.layout import SQUARE_MM

MIN_MARKERS = 4
QUADRANT_MM = 0.8
"""Where, from the corner, its four squares are looked at: short of the white ones' markers."""
MIN_CONTRAST = 0.25
"""Between the darker of the white squares and the lighter of the black ones, of the former."""
MAX_SHIFT_MM = 0.8
"""A refined corner farther from where it must be is something else."""


def name_corners(
    markers_mm: NDArray[np.float64],
    markers_px: NDArray[np.float64],
    places_mm: NDArray[np.float64],
    grey: NDArray[np.uint8],
) -> NDArray[np.float64]:
    """Where corners are seen, to a pixel or two, (n, 2); NaN for those that are not.

    Parameters
    ----------
    markers_mm, markers_px : corners of the markers found, on the sheet and in the picture, (m, 2)
    places_mm : of the corners on the sheet, (n, 2)
    grey : the picture
    """
    nowhere = np.full(places_mm.shape, np.nan)
    if len(markers_mm) < 4 * MIN_MARKERS:
        return nowhere
    limit = MAX_SHIFT_MM * px_per_mm(markers_mm, markers_px)
    found, _ = cv2.findHomography(markers_mm, markers_px, cv2.USAC_MAGSAC, limit)
    if found is None:
        return nowhere
    homography = np.asarray(found, dtype=np.float64)
    seen = mapped(homography, places_mm)
    return np.where(_are_corners(grey, homography, places_mm)[:, None], seen, np.nan)


def _are_corners(
    grey: NDArray[np.uint8], homography: NDArray[np.float64], places_mm: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Whether the four squares around each place are black and white as they are drawn."""
    offsets = QUADRANT_MM * np.array([[-1.0, -1.0], [1, 1], [1, -1], [-1, 1]])
    at = mapped(homography, (places_mm[:, None] + offsets).reshape(-1, 2)).astype(np.float32)
    smooth = cv2.blur(grey, (3, 3))
    x, y = at.reshape(-1, 4, 2).transpose(2, 0, 1)
    levels = cv2.remap(smooth, x.copy(), y.copy(), cv2.INTER_LINEAR, borderValue=0).astype(float)
    column, row = np.round(places_mm / SQUARE_MM).astype(int).T
    # the square up and left of the corner is black if its row + column is even
    black_first = ((row + column) % 2 == 0)[:, None]
    black = np.where(black_first, levels[:, :2], levels[:, 2:]).max(axis=1)
    white = np.where(black_first, levels[:, 2:], levels[:, :2]).min(axis=1)
    return np.asarray(white - black > MIN_CONTRAST * np.maximum(white, 1))


def px_per_mm(drawn: NDArray[np.float64], seen: NDArray[np.float64]) -> float:
    """Typical scale of the sheet in the picture, by the spread of its corners, (n, 2) each."""
    return float(np.median(_spread(seen)) / np.median(_spread(drawn)))


def _spread(points: NDArray[np.float64]) -> NDArray[np.float64]:
    distance: NDArray[np.float64] = np.linalg.norm(points - np.median(points, axis=0), axis=1)
    return distance


def mapped(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points by a homography, (n, 2)."""
    found = cv2.perspectiveTransform(points.reshape(-1, 1, 2), homography)
    return np.asarray(found, dtype=np.float64).reshape(-1, 2)
