"""Samples of the picture along an edge of the box, straightened."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Box, Side
from ringscan.image.camera import Camera
from ringscan.image.corners import Corners
from ringscan.image.photo import Photo

ALONG_PX, ACROSS_PX = 3.0, 0.5
"""Steps of sampling along and across an edge."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crop:
    """A part of the picture.

    light : linear light, 0 to 1, (rows, cols)
    origin_px : its pixel (0, 0) in the picture, (x, y)
    """

    light: NDArray[np.float32]
    origin_px: tuple[int, int]

    @classmethod
    def around(cls, photo: Photo, points_px: NDArray[np.float64], margin_px: float) -> Crop:
        """The upright rectangle around points, as far as it is in the picture."""
        low = np.floor(points_px.min(axis=0) - margin_px).astype(int)
        high = np.ceil(points_px.max(axis=0) + margin_px).astype(int) + 1
        x0, y0 = np.clip(low, 0, None).tolist()
        x1, y1 = np.minimum(high, [photo.width_px, photo.height_px]).tolist()
        if x1 - x0 < 2 or y1 - y0 < 2:
            return cls(light=np.full((2, 2), np.nan, np.float32), origin_px=(0, 0))
        return cls(light=photo.linear(slice(y0, y1), slice(x0, x1)), origin_px=(x0, y0))

    def sample(self, points_px: NDArray[np.float64]) -> NDArray[np.float32]:
        """Light at points (..., 2), interpolated linearly; NaN outside."""
        at = points_px.astype(np.float32)
        return self.sample_at(at[..., 0], at[..., 1])

    def sample_at(self, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
        """Light at points of the picture, px, interpolated linearly; NaN outside."""
        left, top = self.origin_px
        border = (float("nan"),) * 4
        sampled = cv2.remap(self.light, x - left, y - top, cv2.INTER_LINEAR, borderValue=border)
        return np.asarray(sampled, dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """Which line of the box a strip follows.

    camera : what sees it
    box : the tower on the sheet, true mm
    side : along which of its edges
    corners : how round the upright ones are
    foot : the wall's foot on the sheet, rather than the face's edge
    round_by : factor of Corners.drop_mm by which the line is lowered (the foot's raised)
    """

    camera: Camera
    box: Box
    side: Side
    corners: Corners
    foot: bool
    round_by: float

    def above_mm(self, along_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Height of the line above the sheet, at places along it from its middle."""
        above = np.full(len(along_mm), 0.0 if self.foot else self.box.width_mm)
        if self.side.upright:
            z = (along_mm / self.box.height_mm + 0.5) * self.corners.height_mm
            drop = self.round_by * self.corners.at(z)[0]
            above += drop if self.foot else -drop
        return above

    def points_mm(
        self, along_mm: NDArray[np.float64], out_mm: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Points `along` the line and `out` of it, in the sheet's frame, (n, 3)."""
        o = self.side.sign * (self.box.reach_mm(self.side) + out_mm)
        u, v = (o, along_mm) if self.side.upright else (along_mm, o)
        return self.box.points(u, v, self.above_mm(along_mm))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """Samples along an edge: rows run along it, columns outward across it.

    along, out : mm, from the edge's middle and from the edge
    starts_mm : where the edge is, in the sheet's frame, (n_along, 3)
    way : outward, along the sheet, (3,)
    light : (n_along, n_out)
    """

    along: NDArray[np.float64]
    out: NDArray[np.float64]
    starts_mm: NDArray[np.float64]
    way: NDArray[np.float64]
    light: NDArray[np.float32]

    @classmethod
    def of(cls, crop: Crop, place: Place, reach_mm: float, beyond_mm: float = 0.0) -> Strip:
        """Sample within `reach_mm` of a line, and `beyond_mm` more on its outer side."""
        half = place.box.length_mm(place.side) / 2
        ends = place.points_mm(np.array([-half, half]), np.zeros(2))
        seen = place.camera.project(ends)
        px_per_mm = float(np.linalg.norm(seen[1] - seen[0])) / (2 * half)
        along = np.arange(-half, half, ALONG_PX / px_per_mm)
        out = np.arange(-reach_mm, reach_mm + beyond_mm, ACROSS_PX / px_per_mm)
        starts = place.points_mm(along, np.zeros(len(along)))
        way = place.points_mm(np.zeros(1), np.ones(1))[0] - place.points_mm(*np.zeros((2, 1)))[0]
        light = crop.sample_at(*place.camera.project_rows(starts, way, out))
        return cls(along=along, out=out, starts_mm=starts, way=way, light=light)
