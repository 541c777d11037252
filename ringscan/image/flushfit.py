"""One camera for all that was seen in the face's plane.

The world's frame is as the sheet's (x right, y down as the face is seen with its base down), with
the face in the middle, one tower's width above the plane z = 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Box, Side
from ringscan.image.camera import Camera
from ringscan.image.corners import Corners
from ringscan.image.edges import MIN_EDGE_POINTS, MIN_WALL_MM, EdgePoints, step_edges
from ringscan.image.outline import ROUNDING_SD, SIZE_SD, OutlinePoints
from ringscan.image.photo import Photo
from ringscan.image.plane import CORNER_SD
from ringscan.image.pose import Expected
from ringscan.image.strip import Crop, Place
from ringscan.plan import Plan

UPRIGHT_SD_MM = 0.3
"""Of where an upright edge's step of brightness lies: with the corner's round and the lamp. All its
points share that, so that they tell the edge's direction better than its place."""
FLUSH_SD = 0.01
"""Of the card's scale against the face's: 3 mm off its plane at 300 mm."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """A rectangle of known size beside the face.

    corners_px : clockwise as displayed, from a side of size_mm[0] on, (4, 2)
    size_mm : its sides
    """

    corners_px: NDArray[np.float64]
    size_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plane:
    """The camera over the face's plane.

    camera : the camera
    box : of the plan's width, and the height that was found
    scale : true mm per mm of the plan, by the card; 1 without
    rounding : as in FaceView
    edges : points that were used
    rms_mm : of these about the box
    off_sds : of the given corners, root mean square in standard deviations
    """

    camera: Camera
    box: Box
    scale: float
    rounding: float
    edges: tuple[EdgePoints, ...]
    rms_mm: float
    off_sds: float


def fit_plane(
    plan: Plan,
    corners: Corners,
    expected: Expected,
    seen_px: NDArray[np.float64],
    sd_mm: float,
    edges: list[EdgePoints],
    card: Card | None = None,
) -> Plane:
    """Fit the camera to the face's corners (left base, right base, right top, left top), (4, 2).

    Parameters
    ----------
    sd_mm : standard deviation of these corners
    edges : points on the face's edges
    card : a rectangle in the same plane
    """
    from scipy.optimize import least_squares

    width, height = plan.size.width_mm, plan.height_mm
    sides_px = np.linalg.norm(np.roll(seen_px, -1, axis=0) - seen_px, axis=1)
    sd_px = sd_mm * float(sides_px.sum()) / (2 * (width + height))
    points = OutlinePoints.of(edges) if edges else None

    def box(values: NDArray[np.float64]) -> Box:
        tall = height * (1 + float(values[11]))
        return Box(x_mm=0.0, y_mm=0.0, yaw_deg=0.0, width_mm=width, height_mm=tall)

    def out_mm(
        camera: Camera, here: Box, values: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        assert points is not None
        off, sd = points.out_mm(camera, here, float(values[12]), corners)
        shared = np.where(points.sign > 0, values[14], values[13])
        return off - np.where(points.upright, shared, 0.0), sd

    def residuals(values: NDArray[np.float64]) -> NDArray[np.float64]:
        camera, here = expected.camera(values[:11]), box(values)
        parts: list[NDArray[np.float64]] = [
            (camera.project(here.face_corners) - seen_px).ravel() / sd_px,
            expected.misses(values[:11]),
            np.array([values[11] / (math.sqrt(2) * SIZE_SD), (values[12] - 1) / ROUNDING_SD]),
            values[13:15] / UPRIGHT_SD_MM,
        ]
        if points is not None:
            off, sd = out_mm(camera, here, values)
            parts.append(off / (sd * points.share))
        if card is not None:
            parts.append(_card_misses(camera, width, card, values[15:]))
        return np.concatenate(parts)

    values = np.append(_start(expected, seen_px, (width, height)), [0.0, 1.0, 0.0, 0.0])
    if card is not None:
        values = np.append(values, _card_start(expected.camera(values[:11]), width, card))
    fit = least_squares(residuals, values, x_scale="jac", loss="soft_l1", f_scale=2.0)
    camera, here = expected.camera(fit.x[:11]), box(fit.x)
    rms_mm = 0.0
    if points is not None:
        off, sd = out_mm(camera, here, fit.x)
        rms_mm = float(np.sqrt((off[np.isfinite(sd)] ** 2).mean()))
    off_px = camera.project(here.face_corners) - seen_px
    return Plane(
        camera=camera,
        box=here,
        scale=math.exp(-float(fit.x[18])) if card is not None else 1.0,
        rounding=float(fit.x[12]),
        edges=tuple(edges),
        rms_mm=rms_mm,
        off_sds=float(np.sqrt((off_px**2).mean())) / sd_px,
    )


def find_edges(photo: Photo, plane: Plane, corners: Corners, reach_mm: float) -> list[EdgePoints]:
    """Points on the face's edges, by steps of brightness.

    Where the wall below an upright edge is seen, both the wall's edges are steps, and the crest of
    a ripple is one as well: such a side is left out, and follows from the other by the plan.
    """
    px = plane.camera.project(plane.box.face_corners)
    scale = float(np.linalg.norm(px[1] - px[0])) / plane.box.width_mm
    crop = Crop.around(photo, px, (2 * reach_mm + plane.box.width_mm / 4) * scale)
    eye = plane.camera.position_mm
    found = []
    for side in Side:
        wall_mm = -plane.box.lean_mm(side, eye) * plane.box.width_mm / eye[2]
        if side.upright and wall_mm > 0:
            continue
        seen_mm = wall_mm if wall_mm > MIN_WALL_MM else 0.0
        place = Place(
            camera=plane.camera,
            box=plane.box,
            side=side,
            corners=corners,
            foot=False,
            round_by=0.0 if seen_mm else plane.rounding,
        )
        found += step_edges(crop, place, reach_mm=reach_mm, wall_mm=seen_mm)
    return [edge for edge in found if len(edge.points_px) >= MIN_EDGE_POINTS]


def _start(
    expected: Expected, seen_px: NDArray[np.float64], size_mm: tuple[float, float]
) -> NDArray[np.float64]:
    """Camera parameters that see the face's corners about where they are, (11,)."""
    w, h = size_mm[0] / 2, size_mm[1] / 2
    flat = np.array([[-w, h, 0], [w, h, 0], [w, -h, 0], [-w, -h, 0]])
    vector = expected.start(flat, seen_px)
    turn, _ = cv2.Rodrigues(vector[:3])
    # the face lies one width above z = 0
    vector[3:6] += size_mm[0] * turn[:, 2]
    return vector


def _card_start(camera: Camera, above_mm: float, card: Card) -> NDArray[np.float64]:
    """Place of the card's middle on the plane, its turn, and ln of its scale, (4,)."""
    flat = camera.to_plane(card.corners_px, above_mm)
    along = flat[1] - flat[0]
    return np.array([*flat.mean(axis=0), math.atan2(along[1], along[0]), 0.0])


def _card_misses(
    camera: Camera, above_mm: float, card: Card, values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Card's corners less where they are seen, and its scale, in standard deviations, (9,)."""
    x, y, turn, ln_scale = values
    w, h = (side / 2 * math.exp(ln_scale) for side in card.size_mm)
    right = np.array([math.cos(turn), math.sin(turn)])
    down = np.array([-right[1], right[0]])
    flat = np.array([x, y]) + np.array(
        [-w * right - h * down, w * right - h * down, w * right + h * down, -w * right + h * down]
    )
    seen = camera.project(np.column_stack([flat, np.full(4, -above_mm)]))
    sd_px = CORNER_SD * math.sqrt(abs(float(cv2.contourArea(card.corners_px.astype(np.float32)))))
    return np.append((seen - card.corners_px).ravel() / sd_px, ln_scale / FLUSH_SD)
