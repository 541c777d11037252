"""Where the lamp stands: by the shadow that the tower throws on the scan sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan import layout
from ringscan.image.box import Box
from ringscan.image.face import FaceView
from ringscan.image.photo import BLACK_LIGHT, Photo
from ringscan.image.pose import Pose
from ringscan.image.reference import SheetView
from ringscan.image.shrink import shrunk

MAP_PX_PER_MM = 2
CLOSE_MM = 13.0
"""What is printed is narrower (squares of 12 mm); a grey closing of this width leaves paper."""
GRID_MM = 6.0
MARGIN_MM = 4.0
"""Nearer to the tower, its wall throws light back."""
TURNS_DEG = np.arange(0.0, 360.0, 7.5)
LENGTHS_MM = np.arange(10.0, 160.0, 10.0)
"""Shadows that are tried; longer ones leave the sheet."""
AS_GOOD = 0.98
"""Of the best agreement: shorter shadows that reach this cannot be told from it."""
MIN_POINTS = 100
MIN_SHADOW_POINTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """The lamp as the shadow tells it.

    turn_deg : direction toward it, seen on the face with the base down: 0 right, 90 top, 180 left
    elevation_deg : above the face's plane, at most; a shadow that leaves the sheet hides how low
    share : of the light beside the tower that the shadow takes away
    clearness : share of the paper's brightness pattern that the shadow explains, 0 to 1
    """

    turn_deg: float
    elevation_deg: float
    share: float
    clearness: float

    @property
    def gain(self) -> float:
        """Contrast of a ripple over its slope, at least: Lambert's law for a lamp so placed."""
        along = abs(math.cos(math.radians(self.turn_deg)))
        return along / math.tan(math.radians(self.elevation_deg))


def find_lamp(photo: Photo, sheet: SheetView, pose: Pose, view: FaceView) -> Lamp | None:
    """Find the shadow of the box that explains the paper's brightness best.

    The logarithm of the paper's brightness is fitted by a quadratic (the light's own fall) and
    a step at the shadow of each length and direction. None if too little paper is seen.
    """
    paper = _paper(photo, sheet)
    drawn, light = _samples(paper)
    true_mm = drawn * pose.sheet_scale
    hull = view.box.shadow_hull(view.camera.position_mm)
    away = np.array([cv2.pointPolygonTest(hull, p, True) for p in true_mm.tolist()])
    seen = (away < -MARGIN_MM) & (light > 1.5 * BLACK_LIGHT)
    if seen.sum() < MIN_POINTS:
        return None
    u, v = view.box.inside_out(true_mm[seen])
    turns, lengths = np.meshgrid(np.radians(TURNS_DEG), LENGTHS_MM, indexing="ij")
    throws = np.stack([lengths * np.cos(turns), lengths * np.sin(turns)], axis=-1)
    # turn by turn: the arrays of each then stay in a core's own cache
    shaded = np.concatenate([_shaded(view.box, u, v, turn) for turn in throws])
    step, clearness = _explained(u / 100, v / 100, np.log(light[seen]), shaded)
    clearness = clearness.reshape(turns.shape)
    i, j = np.unravel_index(int(np.argmax(clearness)), clearness.shape)
    shortest = int(np.flatnonzero(clearness[i] >= AS_GOOD * clearness[i, j])[0])
    return Lamp(
        turn_deg=float((TURNS_DEG[i] + 180) % 360),
        elevation_deg=math.degrees(math.atan(view.box.width_mm / LENGTHS_MM[shortest])),
        share=1 - math.exp(min(0.0, float(step.reshape(turns.shape)[i, j]))),
        clearness=float(clearness[i, j]),
    )


def _paper(photo: Photo, sheet: SheetView) -> NDArray[np.float32]:
    """Linear light of the sheet as if nothing were printed on it, MAP_PX_PER_MM; 0 outside."""
    k = MAP_PX_PER_MM
    small, shrink = shrunk(photo.grey8(), sheet.px_per_mm / k)
    off = (shrink - 1) / 2
    to_small = np.array([[shrink, 0, off], [0, shrink, off], [0, 0, 1.0]])
    warp = np.diag([k, k, 1.0]) @ np.linalg.inv(to_small @ sheet.homography)
    size = (round(layout.WIDTH_MM * k), round(layout.HEIGHT_MM * k))
    flat = cv2.warpPerspective(small, warp, size, flags=cv2.INTER_LINEAR, borderValue=0)
    window = np.ones((round(CLOSE_MM * k) + 1,) * 2, np.uint8)
    paper = np.asarray(cv2.morphologyEx(flat, cv2.MORPH_CLOSE, window), dtype=np.uint8)
    return photo.light_of_grey8()[paper]


def _samples(paper: NDArray[np.float32]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    x = np.arange(GRID_MM / 2, layout.WIDTH_MM, GRID_MM)
    y = np.arange(GRID_MM / 2, layout.HEIGHT_MM, GRID_MM)
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    column, row = (points.T * MAP_PX_PER_MM).astype(int)
    return points, paper[row, column].astype(np.float64)


def _shaded(
    box: Box, u: NDArray[np.float64], v: NDArray[np.float64], throws: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which points lie in the box's shadow, (throws, points).

    A throw is how far the face's shadow is moved from the box's foot; a point is shaded if the
    way back toward the lamp meets the foot.
    """
    enter = np.zeros((len(throws), len(u)), np.float32)
    leave = np.ones_like(enter)
    halves = box.width_mm / 2, box.height_mm / 2
    for at, half, throw in zip((u, v), halves, throws.T[:, :, None], strict=True):
        per_mm = (1 / np.where(np.abs(throw) < 1e-6, 1e-6, throw)).astype(np.float32)
        a, b = (at - half).astype(np.float32) * per_mm, (at + half).astype(np.float32) * per_mm
        np.maximum(enter, np.minimum(a, b), out=enter)
        np.minimum(leave, np.maximum(a, b), out=leave)
    return enter <= leave


def _explained(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    log_light: NDArray[np.float64],
    shaded: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Step of ln(light) at each shadow, and the share of the sum of squares that it explains."""
    smooth, _ = np.linalg.qr(np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y]))
    rest = log_light - smooth @ (smooth.T @ log_light)
    # single precision is enough to choose among shadows, and much faster
    inner = shaded.astype(np.float32) @ np.column_stack([smooth, rest]).astype(np.float32)
    size = shaded.sum(axis=1) - (inner[:, :-1].astype(float) ** 2).sum(axis=1)
    step = np.where(size > MIN_SHADOW_POINTS, inner[:, -1] / np.maximum(size, 1e-9), 0.0)
    # only what darkens is a shadow
    explained = np.where(step < 0, step**2 * size, 0.0) / max(float(rest @ rest), 1e-12)
    return step, explained
