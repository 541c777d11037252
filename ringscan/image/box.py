"""The tower lying on the sheet, as a box: what the camera sees of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

_CORNERS = np.array([[-1.0, -1.0], [1, -1], [1, 1], [-1, 1]])
"""Of the face, from its middle, in halves of its width and height."""


class Side(StrEnum):
    """The face's four edges, as seen with the base down."""

    LEFT = "left"
    RIGHT = "right"
    BASE = "base"
    TOP = "top"

    @property
    def upright(self) -> bool:
        """Whether it runs along the tower's height."""
        return self in (Side.LEFT, Side.RIGHT)

    @property
    def sign(self) -> int:
        """Its outward direction: along the width or the height axis of the face."""
        return 1 if self in (Side.RIGHT, Side.TOP) else -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """The tower on its back, in the sheet's frame, true mm.

    x_mm, y_mm : middle of its place on the sheet
    yaw_deg : turn; positive turns its right end toward the sheet's bottom
    width_mm, height_mm : of the face; the face lies `width_mm` above the sheet
    """

    x_mm: float
    y_mm: float
    yaw_deg: float
    width_mm: float
    height_mm: float

    @property
    def axes(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Unit vectors of the face to the right and up, on the sheet."""
        c, s = math.cos(math.radians(self.yaw_deg)), math.sin(math.radians(self.yaw_deg))
        return np.array([c, s]), np.array([s, -c])

    def moved(self, x_mm: float, y_mm: float, turn_deg: float) -> Box:
        """The box elsewhere: moved along the sheet, and turned."""
        return replace(
            self,
            x_mm=self.x_mm + x_mm,
            y_mm=self.y_mm + y_mm,
            yaw_deg=self.yaw_deg + turn_deg,
        )

    def points(
        self, u: NDArray[np.float64], v: NDArray[np.float64], above_mm: float | NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Points of the sheet's frame, (n, 3): u mm right and v mm up of the box's middle."""
        right, up = self.axes
        flat = np.array([self.x_mm, self.y_mm]) + u[:, None] * right + v[:, None] * up
        return np.column_stack([flat, np.broadcast_to(-above_mm, len(flat))])

    @property
    def face_corners(self) -> NDArray[np.float64]:
        """Left base, right base, right top and left top corner of the face, (4, 3)."""
        w, h = self.width_mm / 2, self.height_mm / 2
        return self.points(np.array([-w, w, w, -w]), np.array([-h, -h, h, h]), self.width_mm)

    def inside_out(
        self, flat_mm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Inverse of `points`: (u, v) of points on the sheet's plane or one above it, (n, 2)."""
        right, up = self.axes
        away = flat_mm - np.array([self.x_mm, self.y_mm])
        return away @ right, away @ up

    def reach_mm(self, side: Side) -> float:
        """Distance of an edge from the middle."""
        return (self.width_mm if side.upright else self.height_mm) / 2

    def length_mm(self, side: Side) -> float:
        """Length of an edge."""
        return self.height_mm if side.upright else self.width_mm

    def lean_mm(self, side: Side, eye_mm: NDArray[np.float64]) -> float:
        """How far the eye is out beyond an edge: if it is, the wall below the edge is seen."""
        u, v = self.inside_out(eye_mm[None, :2])
        return float((u if side.upright else v)[0]) * side.sign - self.reach_mm(side)

    def shadow_hull(self, eye_mm: NDArray[np.float64]) -> NDArray[np.float32]:
        """Convex outline of what the box hides of the sheet from the eye, (n, 2) in sheet mm."""
        # plain numbers: this runs hundreds of times while a tower is looked for
        eye_x, eye_y, eye_z = eye_mm.tolist()
        spread = eye_z / (eye_z + self.width_mm)
        turn = math.radians(self.yaw_deg)
        c, s = math.cos(turn), math.sin(turn)
        corners = []
        for u, v in _CORNERS.tolist():
            u, v = u * self.width_mm / 2, v * self.height_mm / 2
            x, y = self.x_mm + u * c + v * s, self.y_mm + u * s - v * c
            corners += [(x, y), (eye_x + (x - eye_x) * spread, eye_y + (y - eye_y) * spread)]
        hull = cv2.convexHull(np.array(corners, np.float32))
        return np.asarray(hull, dtype=np.float32)[:, 0]
