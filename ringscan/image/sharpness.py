"""How much contrast the picture keeps: the slanted-edge response of the sheet's squares.

ISO 12233 in spirit: across each straight edge the brightness of single pixels against their
distance from it gives the edge's profile finer than the pixels are spaced; the Fourier transform
of its derivative is the response. The sheet's squares are seen under whatever angle the camera
is turned, and all are not at the same place in their pixels, so that also edges along the pixel
rows will do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.image.photo import Photo
from ringscan.image.reference import SheetView
from ringscan.layout import MARKER_MM, SQUARE_MM, TOWER_CENTRE

OVERSAMPLING = 4
"""Bins per pixel, as in ISO 12233."""
REACH = 0.8
"""Share of the white between square and marker that is looked at on each side of an edge."""
END_MM = 1.5
"""Left out at the corners of the squares."""
MIN_REACH_PX = 3.0
MIN_PIXELS = 100
MIN_CONTRAST = 0.02
"""Of linear light's full scale: fainter edges lie in the dark."""
MIN_EDGES = 3
NEAREST = 12
"""Edges used: those nearest to the tower tell most about its surroundings."""
TAPER = 4.0
"""One over the share of the reach, at its end, along which the edge's derivative is faded out."""
FASTEST_PER_PX = 0.25
"""Ripples next to the corner are crowded: down to a fourth of the spacing at full speed."""
HALF = 0.5
"""Contrast at which blur is read, as MTF50 is (common practice)."""
LEVEL_SHARE = 0.6
"""Farther from the edge than this share of the reach, brightness is level."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeResponse:
    """Contrast that is kept along one direction.

    per_px : spatial frequencies, cycles per px, (n,)
    modulation : contrast kept, relative to that of slow changes, (n,)
    edges : number of edges that were seen
    """

    per_px: NDArray[np.float64]
    modulation: NDArray[np.float64]
    edges: int

    def at(self, per_px: float) -> float:
        """Contrast kept at a spatial frequency."""
        return float(np.interp(per_px, self.per_px, self.modulation))

    @property
    def blur_px(self) -> float:
        """Standard deviation of the Gaussian that keeps half of the contrast where this does."""
        below = np.flatnonzero(self.modulation < HALF)
        if not below.size:
            return 0.0
        i = int(below[0])
        half = np.interp(HALF, self.modulation[[i, i - 1]], self.per_px[[i, i - 1]])
        return math.sqrt(math.log(1 / HALF) / 2) / (math.pi * float(half))

    @property
    def peak(self) -> float:
        """Most contrast at frequencies that a ripple may have: over 1 by sharpening only."""
        return float(self.modulation[self.per_px <= FASTEST_PER_PX].max())


def sheet_response(photo: Photo, sheet: SheetView) -> EdgeResponse | None:
    """Response across the sheet's upright edges: along the tower's layers, if it lies straight.

    None if too few edges are large and bright enough.
    """
    spots = {
        (round(x / SQUARE_MM), round(y / SQUARE_MM)): px
        for (x, y), px in zip(sheet.corners_mm.tolist(), sheet.corners_px, strict=True)
    }
    middle = np.array(TOWER_CENTRE) / SQUARE_MM
    pairs = sorted(
        (math.dist((column, row + 0.5), middle), column, row)
        for column, row in spots
        if (column, row + 1) in spots
    )
    found = []
    for _, column, row in pairs:
        ends = np.array([spots[column, row], spots[column, row + 1]])
        response = edge_response(photo, ends)
        if response is not None:
            found.append(response)
        if len(found) == NEAREST:
            break
    if len(found) < MIN_EDGES:
        return None
    return EdgeResponse(
        per_px=FREQUENCIES, modulation=np.median(np.array(found), axis=0), edges=len(found)
    )


FREQUENCIES = np.linspace(0.0, 0.5, 101)
"""Up to the pixels' own limit, cycles per px."""


def edge_response(photo: Photo, ends_px: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Response across one edge of a square, between two of its corners, (2, 2).

    Returns the modulation at FREQUENCIES, or None where the edge is too short or too faint.
    """
    length = float(np.linalg.norm(ends_px[1] - ends_px[0]))
    px_per_mm = length / SQUARE_MM
    reach = REACH * (SQUARE_MM - MARKER_MM) / 2 * px_per_mm
    if reach < MIN_REACH_PX:
        return None
    along, out, light = _pixels(photo, ends_px, reach, END_MM * px_per_mm)
    if len(light) < MIN_PIXELS:
        return None
    level = np.abs(out) > LEVEL_SHARE * reach
    right, left = light[level & (out > 0)].mean(), light[level & (out < 0)].mean()
    if abs(right - left) < MIN_CONTRAST:
        return None
    off = out - _bend(along, out, (light - left) / (right - left), reach)
    if (np.abs(off) < reach - 1).sum() < MIN_PIXELS:
        return None
    return _response(off, light, reach - 1)


def _pixels(
    photo: Photo, ends: NDArray[np.float64], reach: float, margin: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Pixels near an edge: place along it, distance from it, linear light."""
    low = np.maximum(np.floor(ends.min(axis=0) - reach - 1), 0).astype(int)
    high = np.ceil(ends.max(axis=0) + reach + 2).astype(int)
    light = photo.linear(slice(low[1], high[1]), slice(low[0], high[0]))
    x, y = np.meshgrid(
        low[0] + np.arange(light.shape[1]) - ends[0, 0],
        low[1] + np.arange(light.shape[0]) - ends[0, 1],
    )
    dx, dy = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    along, out = x * dx + y * dy, y * dx - x * dy
    length = float(np.linalg.norm(ends[1] - ends[0]))
    near = (np.abs(out) < reach) & (along > margin) & (along < length - margin)
    return along[near], out[near], light[near].astype(np.float64)


def _bend(
    along: NDArray[np.float64],
    out: NDArray[np.float64],
    rise: NDArray[np.float64],
    reach: float,
) -> NDArray[np.float64]:
    """Where the edge really is: a line through its places in short pieces, as ISO 12233 has it.

    `rise` goes from 0 to 1 across the edge, so its mean over -reach to reach tells the place.
    """
    pieces = max(4, int(np.ptp(along) / 6))
    which = np.minimum(((along - along.min()) / np.ptp(along) * pieces).astype(int), pieces - 1)
    count = np.maximum(np.bincount(which, minlength=pieces), 1)
    # pixels of a piece need not lie evenly on both sides: compare with a sharp edge's mean
    excess = rise - (out > 0)
    place = -2 * reach * np.bincount(which, excess, minlength=pieces) / count
    middle = np.bincount(which, along, minlength=pieces) / count
    line = np.polyval(np.polyfit(middle, place, 1), along)
    return np.asarray(line, dtype=np.float64)


def _response(
    off: NDArray[np.float64], light: NDArray[np.float64], reach: float
) -> NDArray[np.float64]:
    """Modulation at FREQUENCIES of an edge's pixels."""
    half = int(reach * OVERSAMPLING)
    place = np.floor(off * OVERSAMPLING).astype(int) + half
    inside = (place >= 0) & (place < 2 * half)
    count = np.bincount(place[inside], minlength=2 * half)
    total = np.bincount(place[inside], light[inside], minlength=2 * half)
    filled = np.flatnonzero(count)
    profile = np.interp(np.arange(2 * half), filled, total[filled] / count[filled])
    line = np.diff(profile)
    at = (np.arange(len(line)) - (len(line) - 1) / 2) / OVERSAMPLING
    # the white beside an edge is short: only its outer parts may be tapered
    line *= np.clip(TAPER * (1 - np.abs(at) / np.abs(at).max()), 0, 1)
    waves = np.exp(-2j * np.pi * FREQUENCIES[:, None] * at)
    kept = np.abs(waves @ line) / max(abs(float(line.sum())), 1e-12)
    # averaging over a bin and differencing bins each take off a sinc
    modulation = kept / np.sinc(FREQUENCIES / OVERSAMPLING) ** 2
    return np.asarray(modulation, dtype=np.float64)
