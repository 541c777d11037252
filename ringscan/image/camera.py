"""A camera over the sheet: where its points are seen, and what its pixels look at."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """A pinhole camera with one radial term; the sheet's frame is the world.

    focal_px : focal length
    centre_px : principal point (x, y), near the middle of the picture
    k1 : radial distortion, r' = r (1 + k1 r²) with r in units of the focal length
    rotation : from the sheet's frame to the camera's, Rodrigues vector, (3,)
    translation_mm : the sheet's origin in the camera's frame, (3,)
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]

    @property
    def position_mm(self) -> NDArray[np.float64]:
        """Where the camera stood, in the sheet's frame (z is negative above the sheet), (3,)."""
        turn, _ = cv2.Rodrigues(self.rotation)
        where: NDArray[np.float64] = -turn.T @ self.translation_mm
        return where

    @property
    def tilt_deg(self) -> float:
        """Angle between the camera's axis and the sheet's normal."""
        turn, _ = cv2.Rodrigues(self.rotation)
        return math.degrees(math.acos(float(np.clip(turn[2, 2], -1, 1))))

    def seen_from(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the sheet's frame, (n, 3), in the camera's frame, mm, (n, 3)."""
        turn, _ = cv2.Rodrigues(self.rotation)
        seen: NDArray[np.float64] = points_mm @ turn.T + self.translation_mm
        return seen

    def project(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points of the sheet's frame, (n, 3), appear in the picture, px, (n, 2)."""
        seen = self.seen_from(points_mm)
        flat = seen[:, :2] / seen[:, 2:]
        bent = flat * (1 + self.k1 * (flat**2).sum(axis=1, keepdims=True))
        px: NDArray[np.float64] = self.focal_px * bent + self.centre_px
        return px

    def project_rows(
        self, starts_mm: NDArray[np.float64], way: NDArray[np.float64], along: NDArray[np.float64]
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Where points `along` one way from each start, (n, 3), appear: x and y, px, (n, m) each.

        In single precision: to 0.001 px, and much faster than `project`.
        """
        starts = self.seen_from(starts_mm)
        step = self.seen_from(way[None])[0] - self.translation_mm
        x, y, depth = (
            starts[:, k, None].astype(np.float32) + (step[k] * along).astype(np.float32)
            for k in range(3)
        )
        x /= depth
        y /= depth
        bend = np.float32(self.k1) * (x * x + y * y)
        bend += 1
        bend *= np.float32(self.focal_px)
        x *= bend
        y *= bend
        x += np.float32(self.centre_px[0])
        y += np.float32(self.centre_px[1])
        return x, y

    def rays(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Ways in the sheet's frame that pixels, (n, 2), look along; of any length, (n, 3)."""
        bent = (points_px - np.asarray(self.centre_px)) / self.focal_px
        flat = bent
        for _ in range(6):  # a contraction: k1 r² is a few per cent
            flat = bent / (1 + self.k1 * (flat**2).sum(axis=1, keepdims=True))
        turn, _ = cv2.Rodrigues(self.rotation)
        rays: NDArray[np.float64] = np.column_stack([flat, np.ones(len(flat))]) @ turn
        return rays

    def at_height(
        self, rays: NDArray[np.float64], height_mm: float | NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Where rays are at a height above the sheet, mm, (n, 2)."""
        eye = self.position_mm
        reach = (-height_mm - eye[2]) / rays[:, 2]
        on_plane: NDArray[np.float64] = eye[:2] + reach[:, None] * rays[:, :2]
        return on_plane

    def to_plane(
        self, points_px: NDArray[np.float64], height_mm: float | NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Where rays through pixels, (n, 2), are at a height above the sheet, mm, (n, 2)."""
        return self.at_height(self.rays(points_px), height_mm)

    def slopes(
        self, points_mm: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """How the picture of points, (n, 3), moves, px.

        With the points themselves, (n, 2, 3), and with the camera's rotation, translation, ln focal
        length, k1 and centre in px, (n, 2, 10).
        """
        matrix = np.array(
            [
                [self.focal_px, 0, self.centre_px[0]],
                [0, self.focal_px, self.centre_px[1]],
                [0, 0, 1],
            ]
        )
        bend = np.array([self.k1, 0.0, 0.0, 0.0])
        _, slope = cv2.projectPoints(points_mm, self.rotation, self.translation_mm, matrix, bend)
        slope = slope.reshape(len(points_mm), 2, -1)
        turn, _ = cv2.Rodrigues(self.rotation)
        ln_focal = slope[..., 6:8].sum(axis=2, keepdims=True) * self.focal_px
        lens = [slope[..., :6], ln_focal, slope[..., 10:11], slope[..., 8:10]]
        by_point = np.asarray(slope[..., 3:6] @ turn, dtype=np.float64)
        return by_point, np.concatenate(lens, axis=2)
