"""The face seen straight on: linear light on a regular grid in mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.errors import FaceError
from ringscan.image.face import FaceView
from ringscan.image.photo import Photo
from ringscan.image.strip import Crop

CROP_MARGIN_PX = 4.0
"""Room for the interpolation's support."""
MIN_INSIDE = 0.9
"""Share of the face that must be in the picture."""
STRIP_SAMPLES = 60_000
"""Samples that are worked on at once: their arrays then stay in a core's own cache."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """Linear light of the face in its own frame.

    s_mm : columns: distance from the entry edge, (n_s,)
    z_mm : rows, from the base up, (n_z,)
    intensity : linear light, 0 to 1, float32, (n_z, n_s); NaN outside the picture
    usable : on the tower, and neither clipped, near black nor outside the picture, (n_z, n_s)
    clipped_fraction : share of the face that is clipped
    dark_fraction : share of the face that is near black
    px_per_mm : of the picture, in the middle of the face
    falloff_per_mm : slope of ln(light) along s and along z: light comes from where it is brighter
    """

    s_mm: NDArray[np.float64]
    z_mm: NDArray[np.float64]
    intensity: NDArray[np.float32]
    usable: NDArray[np.bool_]
    clipped_fraction: float
    dark_fraction: float
    px_per_mm: float
    falloff_per_mm: tuple[float, float]


def rectify_face(photo: Photo, view: FaceView, *, step_mm: float = 0.1) -> Face:
    """Sample the face on a grid of `step_mm` along s and about one pixel along z.

    Along s several samples, at most a pixel apart, are averaged per column, so that nothing
    between them is lost or aliased; along z every row of the picture is kept, because a shrunk
    picture of layer lines is moiré.

    Raises
    ------
    FaceError
        If more than a tenth of the face is outside the picture.
    """
    if not 0.02 <= step_mm <= 1:
        raise ValueError(f"step_mm = {step_mm:g} must be 0.02 to 1")
    fine = max(1, math.ceil(step_mm * view.px_per_mm))
    columns = int(view.width_mm / step_mm)
    rows = max(2, round(view.height_mm * view.px_per_mm))
    s_fine = (np.arange(columns * fine) + 0.5) * step_mm / fine
    z = (np.arange(rows) + 0.5) * view.height_mm / rows
    crop = Crop.around(photo, view.corners_px, CROP_MARGIN_PX)
    (x0, y0), (height, width) = crop.origin_px, crop.light.shape
    clipped, dark = photo.unusable(slice(y0, y0 + height), slice(x0, x0 + width))
    states = clipped.astype(np.uint8) | 2 * dark.astype(np.uint8)
    light = np.empty((rows, columns), dtype=np.float32)
    usable = np.empty((rows, columns), dtype=bool)
    clipped_count = dark_count = 0
    border, outside = (math.nan,) * 4, (4,) * 4
    at_once = max(1, STRIP_SAMPLES // s_fine.size)
    for first in range(0, rows, at_once):
        part = slice(first, first + at_once)
        x, y = _grid_px(view, s_fine, z[part], (x0, y0))
        # cubic: linear interpolation would take up to 8 % off the shortest ripples
        samples = cv2.remap(crop.light, x, y, cv2.INTER_CUBIC, borderValue=border)
        state = np.asarray(cv2.remap(states, x, y, cv2.INTER_NEAREST, borderValue=outside))
        # column by column: sums along a short last axis are slow
        light[part] = np.stack([samples[:, i::fine] for i in range(fine)]).mean(axis=0)
        usable[part] = np.bitwise_or.reduce([state[:, i::fine] for i in range(fine)]) == 0
        clipped_count += int(np.count_nonzero(state == 1))
        dark_count += int(np.count_nonzero(state == 2))
    inside = np.isfinite(light)
    if inside.mean() < MIN_INSIDE:
        raise FaceError(
            f"{photo.source}: {100 * (1 - inside.mean()):.0f} % of the tower's face is outside the "
            f"picture; show the whole sheet"
        )
    s_mm = s_fine.reshape(columns, fine).mean(axis=1)
    return Face(
        s_mm=s_mm,
        z_mm=z,
        intensity=light,
        usable=usable & inside & _on_tower(view, s_mm, z),
        clipped_fraction=clipped_count / (rows * s_fine.size),
        dark_fraction=dark_count / (rows * s_fine.size),
        px_per_mm=view.px_per_mm,
        falloff_per_mm=(_slope(s_mm, light, axis=0), _slope(z, light, axis=1)),
    )


def _on_tower(
    view: FaceView, s_mm: NDArray[np.float64], z_mm: NDArray[np.float64]
) -> NDArray[np.bool_]:
    entry, far = view.missing_mm(z_mm)
    return (s_mm > entry[:, None]) & (s_mm < view.width_mm - far[:, None])


def _slope(at_mm: NDArray[np.float64], light: NDArray[np.float32], *, axis: int) -> float:
    """Slope of ln(mean light) over the middle 80 %, per mm; 0 where there is too little of it."""
    lines = light if axis == 1 else light.T
    lit = np.isfinite(lines)
    seen = np.asarray(lit.any(axis=1))
    seen[: len(seen) // 10] = seen[-(len(seen) // 10) :] = False
    if seen.sum() < 2:
        return 0.0
    mean = np.where(lit, lines, 0.0)[seen].sum(axis=1) / lit[seen].sum(axis=1)
    return float(np.polyfit(at_mm[seen], np.log(np.maximum(mean, 1e-4)), 1)[0])


def _grid_px(
    view: FaceView,
    s_mm: NDArray[np.float64],
    z_mm: NDArray[np.float64],
    origin_px: tuple[int, int],
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """A grid of the face, x and y, (n_z, n_s) each, in a part of the picture from a pixel on."""
    starts = view.points_mm(np.zeros(z_mm.size), z_mm)
    edge, further = view.points_mm(np.array([0.0, 1.0]), np.zeros(2))
    x, y = view.camera.project_rows(starts, further - edge, s_mm)
    x -= np.float32(origin_px[0])
    y -= np.float32(origin_px[1])
    return x, y
