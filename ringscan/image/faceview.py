"""Where the tower's face is in a picture, however it was found."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Box, Side
from ringscan.image.camera import Camera
from ringscan.image.corners import Corners
from ringscan.image.edges import MIN_EDGE_POINTS, EdgePoints
from ringscan.image.flushfit import Plane
from ringscan.image.outline import Outline
from ringscan.plan import Plan

SIZE_NOTICE = 0.015
"""The user is told of a size that is off the plan's by more."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FaceView:
    """Where the face is in the picture.

    Face frame: s mm from the entry edge along travel, z mm from the base up, both in the plan's
    mm: the printed outline has exactly the plan's size.

    camera : refined with the face's edges
    box : the tower on the sheet, true mm
    entry : the face's edge at which s is 0
    width_mm, height_mm : of the face, by the plan
    corners_px : of (s, z) = (0, 0), (width, 0), (width, height), (0, height), (4, 2)
    px_per_mm : pixels per mm in the middle of the face
    sheet_size_mm : width and height as the sheet alone measures them; NaN where not seen
    rms_mm : of the edge points about the fitted box
    corners, rounding : how round the upright corners are commanded, and the factor found
    edge_points : found along each side
    flags : what the user should know
    """

    camera: Camera
    box: Box
    entry: Side
    width_mm: float
    height_mm: float
    corners_px: NDArray[np.float64]
    px_per_mm: float
    sheet_size_mm: tuple[float, float]
    rms_mm: float
    corners: Corners
    rounding: float
    edge_points: tuple[EdgePoints, ...]
    flags: tuple[str, ...]

    @classmethod
    def of(
        cls,
        plan: Plan,
        corners: Corners,
        found: Outline | Plane,
        *,
        measured_mm: tuple[float, float],
        doubt: float,
        by: str = "",
    ) -> FaceView:
        """What was found, as the plan has it.

        Parameters
        ----------
        measured_mm : width and height as the reference measures them; NaN where not seen
        doubt : of that, relative
        by : what measured it, in words
        """
        sizes = plan.size.width_mm, plan.height_mm
        seen = {edge.side for edge in found.edges if len(edge.points_px) >= MIN_EDGE_POINTS}
        flags = [
            f"the face's {side} edge was not seen; its place is worked out from the plan's size"
            for side in Side
            if side not in seen
        ]
        for name, want, got in zip(("wide", "tall"), sizes, measured_mm, strict=True):
            if abs(got / want - 1) > SIZE_NOTICE + doubt:
                flags.append(f"the face is {got:.1f} mm {name}{by}, {want:.1f} mm in the plan")
        px = found.camera.project(found.box.face_corners)
        entry_left = plan.motion.entry_left
        return cls(
            camera=found.camera,
            box=found.box,
            entry=Side.LEFT if entry_left else Side.RIGHT,
            width_mm=sizes[0],
            height_mm=sizes[1],
            corners_px=px if entry_left else px[[1, 0, 3, 2]],
            px_per_mm=px_per_mm_by_area(px, *sizes),
            sheet_size_mm=measured_mm,
            rms_mm=found.rms_mm,
            corners=corners,
            rounding=found.rounding,
            edge_points=tuple(found.edges),
            flags=tuple(flags),
        )

    def turned(self) -> FaceView:
        """The same outline read as that of a tower that lies with its base away."""
        box = replace(self.box, yaw_deg=self.box.yaw_deg + 180)
        return replace(self, box=box, corners_px=np.roll(self.corners_px, 2, axis=0))

    def points_mm(
        self, s_mm: NDArray[np.float64], z_mm: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Points of the face in the sheet's frame, true mm, (n, 3)."""
        u = (s_mm / self.width_mm - 0.5) * self.box.width_mm * (-self.entry.sign)
        v = (z_mm / self.height_mm - 0.5) * self.box.height_mm
        return self.box.points(u, v, self.box.width_mm)

    def to_px(self, s_mm: NDArray[np.float64], z_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points of the face appear in the picture, (n, 2)."""
        return self.camera.project(self.points_mm(s_mm, z_mm))

    def missing_mm(self, z_mm: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
        """How far the sheet is seen inside the outline at the entry and the far edge, (n,) each.

        Where a corner is round its silhouette lies lower than the face, and so further in.
        """
        drop = self.rounding * self.corners.at(z_mm)[0]
        eye = self.camera.position_mm
        far = Side.RIGHT if self.entry is Side.LEFT else Side.LEFT
        slopes = [
            max(0.0, -self.box.lean_mm(side, eye)) / (-eye[2] - self.box.width_mm)
            for side in (self.entry, far)
        ]
        return tuple(drop * slope for slope in slopes)


def px_per_mm_by_area(corners_px: NDArray[np.float64], width_mm: float, height_mm: float) -> float:
    """Pixels per mm by area."""
    x, y = corners_px.T
    area = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2
    return math.sqrt(area / (width_mm * height_mm))
