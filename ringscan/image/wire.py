"""Where the tower's edges are in the picture, all at once: for views in which the comb is hidden.

The box's visible edges are drawn where a camera would see them; brightness should change across
each of them all along, whatever lies on both sides. Nothing else on the sheet has such a frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Box, Side
from ringscan.image.camera import Camera
from ringscan.image.photo import Photo

Array = NDArray[np.float64]

PX_PER_MM = 3.0
"""Of the reduced picture in which edges are looked for, at least."""
POINTS = 32
"""Per edge."""
FAINT = 0.05
"""Change of brightness, of full scale per mm, that counts half."""
REACH_MM, REACH_DEG = 8.0, 8.0
"""How far the comb may have been off, seen past a corner of the tower."""
FAR_DOUBT = 0.05
"""Of the agreement, taken off at the ends of that reach: what is printed, or a shadow, may agree as
well 8 mm away as the tower does where the comb says (rendered pictures agree by .34 to .55)."""
STAGES = ((1.5, 2.0), (0.7, 0.7), (0.4, 0.25))
"""Blur of the picture and step of the search, both mm, coarse to fine."""
REACH = np.array([REACH_MM, REACH_MM, REACH_DEG])
DEG_PER_MM = 1.0
"""A turn of 1° moves the ends of a tower of 100 mm by 1 mm."""


def snap_to_edges(photo: Photo, camera: Camera, box: Box) -> Box:
    """Move and turn the box to where its edges are seen best, near where it is."""
    reach = REACH
    part = _Part.of(photo, camera, box)
    for blur_mm, step_mm in STAGES:
        slopes = _Slopes.of(part, blur_mm)
        step = np.array([step_mm, step_mm, step_mm * DEG_PER_MM])
        axes = [np.arange(-r, r + s / 2, s) for r, s in zip(reach, step, strict=True)]
        offers = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
        doubt = FAR_DOUBT * ((offers / REACH) ** 2).sum(axis=1)
        best = offers[int(np.argmax(slopes.agreement(camera, box, offers) - doubt))]
        box = box.moved(*best.tolist())
        reach = step
    return box


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part:
    """A part of the picture around the box, reduced: brightness, 0 to 1.

    px_per_mm : of the reduced part
    scale, origin_px : where the part is in the picture
    """

    light: NDArray[np.float32]
    px_per_mm: float
    scale: float
    origin_px: Array

    @classmethod
    def of(cls, photo: Photo, camera: Camera, box: Box) -> _Part:
        edges = _visible_edges(box, camera)
        seen = camera.project(edges.reshape(-1, 3)).reshape(-1, 2, 2)
        lengths = np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1)
        px_per_mm = float(np.median(np.linalg.norm(seen[:, 1] - seen[:, 0], axis=1) / lengths))
        margin = 2 * REACH_MM * px_per_mm
        low = np.clip(np.floor(seen.min(axis=(0, 1)) - margin), 0, None).astype(int)
        high = np.ceil(seen.max(axis=(0, 1)) + margin).astype(int)
        part = photo.grey8()[low[1] : high[1], low[0] : high[0]]
        # by a whole number: much faster
        scale = 1 / max(1, int(px_per_mm / PX_PER_MM))
        small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        return cls(
            light=small.astype(np.float32) / np.float32(255),
            px_per_mm=px_per_mm * scale,
            scale=scale,
            origin_px=low.astype(float),
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Slopes:
    """Slope of brightness in a reduced part of the picture, of full scale per mm.

    scale, origin_px : where the part is in the picture
    """

    along_x: NDArray[np.float32]
    along_y: NDArray[np.float32]
    scale: float
    origin_px: Array

    @classmethod
    def of(cls, part: _Part, blur_mm: float) -> _Slopes:
        smooth = cv2.GaussianBlur(part.light, (0, 0), blur_mm * part.px_per_mm)
        rows, cols = np.gradient(smooth)
        return cls(
            along_x=np.asarray(cols * part.px_per_mm, dtype=np.float32),
            along_y=np.asarray(rows * part.px_per_mm, dtype=np.float32),
            scale=part.scale,
            origin_px=part.origin_px,
        )

    def agreement(self, camera: Camera, box: Box, offers: Array) -> Array:
        """How well brightness changes across all edges of boxes moved by `offers`, (n, 3)."""
        agreement = np.empty(len(offers))
        # edges are seen or not by where the box is now: it does not move far
        shape = _visible_edges(box, camera) - [box.x_mm, box.y_mm, 0]
        for turn in np.unique(offers[:, 2]):
            which = offers[:, 2] == turn
            c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
            turned = shape @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])
            middles = np.column_stack(
                [offers[which, :2] + [box.x_mm, box.y_mm], np.zeros(which.sum())]
            )
            ends = middles[:, None, None] + turned
            seen = camera.project(ends.reshape(-1, 3)).reshape(*ends.shape[:3], 2)
            agreement[which] = self._across(seen).mean(axis=(1, 2))
        return agreement

    def _across(self, ends_px: Array) -> NDArray[np.float32]:
        """Share of the slope along edges from end to end, (n, edges, 2, 2), that is across them."""
        ends = ((ends_px - self.origin_px + 0.5) * self.scale - 0.5).astype(np.float32)
        ways = (ends[:, :, 1] - ends[:, :, 0])[:, :, None]
        share = ((np.arange(POINTS, dtype=np.float32) + np.float32(0.5)) / POINTS)[:, None]
        at = (ends[:, :, :1] + share * ways).reshape(len(ends), -1, 2)
        x, y = (
            cv2.remap(slope, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=0)
            for slope in (self.along_x, self.along_y)
        )
        x, y = (slope.reshape(*ends.shape[:2], POINTS) for slope in (x, y))
        ways /= np.sqrt((ways**2).sum(axis=-1, keepdims=True))
        over = np.abs(y * ways[..., 0] - x * ways[..., 1])
        return np.asarray(over / (np.sqrt(x * x + y * y) + np.float32(FAINT)))


def _visible_edges(box: Box, camera: Camera) -> Array:
    """Ends of the edges that the camera sees, in the sheet's frame, (n, 2, 3)."""
    half_w, half_h = box.width_mm / 2, box.height_mm / 2
    u, v = np.array([-1, 1, 1, -1]) * half_w, np.array([-1, -1, 1, 1]) * half_h
    foot, face = box.points(u, v, 0.0), box.points(u, v, box.width_mm)
    sides = (Side.BASE, Side.RIGHT, Side.TOP, Side.LEFT)
    seen = [box.lean_mm(side, camera.position_mm) > 0 for side in sides]
    edges = [(face[k], face[k - 3]) for k in range(4)]
    edges += [(foot[k], foot[k - 3]) for k in range(4) if seen[k]]
    edges += [(foot[k], face[k]) for k in range(4) if seen[k] or seen[k - 1]]
    return np.array(edges)
