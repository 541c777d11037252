"""Fit the box, and with it the camera, to the edge points.

A shaper rounds the tower's upright corners: it draws both walls later than commanded, by a
length that follows from the plan up to a factor, which is fitted. Seen from the side, such a
corner's silhouette lies that much below the face (above the sheet, at the wall's foot).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Box
from ringscan.image.edges import EdgePoints, Kind
from ringscan.image.pose import CORNER_SD_PX, Camera, Pose, sheet_misses
from ringscan.image.reference import SheetView
from ringscan.plan import Axis, Plan, State

SIZE_SD = 0.004
"""Printed towers shrink or swell by about this much (common practice)."""
FREE_SIZE_SD = 0.02
"""While the size is measured: weak, for edges that are not seen."""
SHEET_SD_MM = 0.06
"""Of an edge point against the sheet: a printed edge is no straighter."""
FOOT_SD_MM = {True: 0.1, False: 0.2}
"""Of one at the foot of an upright wall, and of the tower's open ends, where it is dark."""
CREASE_SD_MM = 0.12
"""Of a step of brightness between two surfaces."""
CREASE_IN_MM = 0.15
"""How far inside the outline an upright corner's step of brightness lies: the bead is round."""
CREASE_SHARE = 0.35
"""The same for the shaper's rounding, relative to Corners.length_mm, and its uncertainty."""
UNKNOWN_SD_MM = 0.3
"""Of one at a height of which the plan does not say what the shaper did."""
MAX_SHARP_MM = 2.0
"""Where corners are rounded by more, there is no line between face and wall."""
ROUNDING = (0.35, 0.2)
"""Expected silhouette drop, in lengths travelled from the corner in one period of the commanded
frequency, and its standard deviation: ZV gives .25 and ZVD .5 at constant speed."""
MAX_ROUNDING_MM = 15.0
OUTLIER_SDS = 3.0
FREE_POINTS = 5
"""Points of one edge share their errors (a bulge, a bow): more of them than this add nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corners:
    """How rounded the tower's upright corners are, by height.

    z_mm : heights, rising, (n,)
    length_mm : travelled from the corner in one commanded period, (n,); 0 without shaper
    known : whether the plan says it, (n,)
    height_mm : of the tower
    """

    z_mm: NDArray[np.float64]
    length_mm: NDArray[np.float64]
    known: NDArray[np.bool_]
    height_mm: float

    @classmethod
    def of(cls, plan: Plan, axis: Axis) -> Corners:
        """Corners as the plan commanded them."""
        commands, motion = plan.commands(axis), plan.motion
        layers = range(plan.size.layers)
        with np.errstate(divide="ignore"):
            time_s = np.where(commands.frequency_hz > 0, 1 / commands.frequency_hz, 0.0)
        slow, fast = motion.corner_speed_mm_s, motion.speed_mm_s
        rise_s = np.minimum(time_s, (fast - slow) / motion.acceleration_mm_s2)
        length = slow * rise_s + motion.acceleration_mm_s2 * rise_s**2 / 2
        length += fast * (time_s - rise_s)
        return cls(
            z_mm=np.array([plan.layer_top_mm(k) for k in layers]),
            length_mm=np.minimum(length, MAX_ROUNDING_MM),
            known=commands.state != State.OUTSIDE.value,
            height_mm=plan.height_mm,
        )

    def at(self, z_mm: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Length and whether it is known, at heights."""
        layer = np.clip(np.searchsorted(self.z_mm, z_mm), 0, len(self.z_mm) - 1)
        return self.length_mm[layer], self.known[layer]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """A camera and a box that agree with what was seen.

    vector : the camera's and the sheet's parameters as in Pose, (11,)
    rounding : fitted factor of Corners.length_mm
    edges : the edge points that were kept
    """

    vector: NDArray[np.float64]
    camera: Camera
    box: Box
    rounding: float
    edges: list[EdgePoints]


def fit_outline(
    view: SheetView,
    pose: Pose,
    sizes_mm: tuple[float, float],
    corners: Corners,
    edges: list[EdgePoints],
    start: Outline,
    *,
    camera_free: bool,
) -> Outline:
    """Fit the box, and the camera if it is free, to edge points; drop points that lie off.

    With the camera believed, the size is free: so it can be compared with the plan's.
    """
    sizes = np.array(sizes_mm)
    scale = float(pose.sheet_scale[0])
    size_sd = SIZE_SD if camera_free else FREE_SIZE_SD

    def unpacked(values: NDArray[np.float64]) -> tuple[Camera, Box]:
        camera = pose.expected.camera(values[6:]) if camera_free else start.camera
        return camera, _box(values)

    def residuals(values: NDArray[np.float64], edges: list[EdgePoints]) -> NDArray[np.float64]:
        camera, box = unpacked(values)
        parts = [_misses(part, camera, box, values[5], corners) for part in edges]
        parts += [(values[3:5] / sizes - 1) / size_sd]
        parts += [np.array([(values[5] - ROUNDING[0]) / ROUNDING[1]])]
        if camera_free:
            sheet = sheet_misses(values[6:], pose.expected, view, scale)[pose.used]
            parts += [sheet.ravel() / CORNER_SD_PX, pose.expected.misses(values[6:])]
        return np.concatenate(parts)

    from scipy.optimize import least_squares

    box = start.box
    values = np.array([box.x_mm, box.y_mm, box.yaw_deg, box.width_mm, box.height_mm, 0.35])
    values[5] = start.rounding
    if camera_free:
        values = np.concatenate([values, start.vector])
    for loss in ("soft_l1", "linear"):
        fit = least_squares(residuals, values, x_scale="jac", loss=loss, f_scale=2.0, args=(edges,))
        values = fit.x
        camera, box = unpacked(values)
        edges = [_kept(part, camera, box, values[5], corners) for part in edges]
    vector = values[6:] if camera_free else start.vector
    return Outline(vector=vector, camera=camera, box=box, rounding=values[5], edges=edges)


def out_mm(
    part: EdgePoints, camera: Camera, box: Box, rounding: float, corners: Corners
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far points lie outside the box's edge, and their standard deviation, mm, each (n,)."""
    n, upright, kind = len(part.points_px), part.side.upright, part.kind
    height = np.full(n, 0.0 if kind is Kind.WALL_SHEET else box.width_mm)
    u, v = box.inside_out(camera.to_plane(part.points_px, height))
    length, known = np.zeros(n), np.ones(n, dtype=bool)
    if upright:
        length, known = corners.at((v / box.height_mm + 0.5) * corners.height_mm)
    inward = np.zeros(n)
    if kind is Kind.FACE_WALL:
        sd = np.hypot(CREASE_SD_MM, CREASE_SHARE * length)
        sd[length > MAX_SHARP_MM] = np.inf
        if upright:
            inward = CREASE_IN_MM + CREASE_SHARE * length
    else:
        sd = np.full(n, SHEET_SD_MM if kind is Kind.FACE_SHEET else FOOT_SD_MM[upright])
        height += rounding * length * (1 if kind is Kind.WALL_SHEET else -1)
        u, v = box.inside_out(camera.to_plane(part.points_px, height))
    sd[~known] = np.maximum(sd[~known], UNKNOWN_SD_MM)
    off = (u if upright else v) * part.side.sign - box.reach_mm(part.side) + inward
    return off, sd


def _misses(
    part: EdgePoints, camera: Camera, box: Box, rounding: float, corners: Corners
) -> NDArray[np.float64]:
    off, sd = out_mm(part, camera, box, rounding, corners)
    misses: NDArray[np.float64] = off / (sd * np.sqrt(max(1.0, len(off) / FREE_POINTS)))
    return misses


def _kept(
    part: EdgePoints, camera: Camera, box: Box, rounding: float, corners: Corners
) -> EdgePoints:
    """Without points that lie off their own side's line, or that say nothing."""
    if len(part.points_px) == 0:
        return part
    off, sd = out_mm(part, camera, box, rounding, corners)
    middle = np.median(off)
    spread = 1.4826 * float(np.median(np.abs(off - middle)))
    inside = np.abs(off - middle) <= np.maximum(OUTLIER_SDS * spread, sd)
    return replace(part, points_px=part.points_px[inside & np.isfinite(sd)])


def _box(values: NDArray[np.float64]) -> Box:
    x, y, yaw, width, height = values[:5].tolist()
    return Box(x_mm=x, y_mm=y, yaw_deg=yaw, width_mm=width, height_mm=height)
