"""Find the tower's face: a box of known size on the sheet, fitted to the edges that are seen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import FaceError, PlanError
from ringscan.image.box import Box, Side
from ringscan.image.comb import find_tower
from ringscan.image.edges import Crop, EdgePoints, comb_edge, crop_around, step_edge
from ringscan.image.photo import Photo
from ringscan.image.pose import (
    CORNER_SD_PX,
    Camera,
    Pose,
    prior_misses,
    sheet_misses,
    unpack,
)
from ringscan.image.reference import SheetView
from ringscan.layout import Outline, tower_outline
from ringscan.plan import Axis, Direction, Plan

SIZE_SD = 0.004
"""Printed towers shrink or swell by about this much (common practice)."""
SIZE_LIMIT = 0.04
"""A tower off its plan's size by more is another tower, or another plan."""
ASPECT_LIMIT = 0.03
"""The same for width against height, which no error of the focal length can change."""
WIDE_MM, NARROW_MM = 4.0, 1.5
"""Reach of the search for edges: first after the coarse search, then after a fit."""
MIN_EDGE_POINTS = 5
MAX_RMS_MM = 0.5


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
    size_sd : relative standard deviation of that, from the focal length
    rms_mm : of the edge points about the fitted box
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
    size_sd: float
    rms_mm: float
    edge_points: tuple[EdgePoints, ...]
    flags: tuple[str, ...]

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


def locate_face(photo: Photo, view: SheetView, pose: Pose, plan: Plan, axis: Axis) -> FaceView:
    """Find the face of the tower that lies on the sheet.

    Raises
    ------
    FaceError
        If there is no tower, or too little of its edges is seen.
    PlanError
        If the tower is not of the plan's size.
    """
    plan.ramp_of(axis)
    outline = tower_outline(plan)
    box = find_tower(photo, view, pose, plan)
    corners = pose.camera.project(_corner_points(box))
    px_per_mm = _scale(corners, box.width_mm, box.height_mm)
    crop = crop_around(photo, corners, 2 * WIDE_MM * px_per_mm)
    vector, camera = pose.vector, pose.camera
    edges = _comb_edges(crop, camera, box, WIDE_MM, outline, pose)
    box, _ = _fit_box(photo, edges, camera, box, plan)
    edges = _comb_edges(crop, camera, box, NARROW_MM, outline, pose)
    box, _ = _fit_box(photo, edges, camera, box, plan)
    size = _measured_size(edges, box)
    size_sd = pose.focal_sd * box.width_mm / (-camera.position_mm[2] - box.width_mm)
    _check_size(photo, plan, size, size_sd)
    for _ in range(2):
        vector, box, kept = _fit_all(view, pose, plan, edges, vector, box)
        camera = unpack(vector, camera.centre_px)
        edges = _comb_edges(crop, camera, box, NARROW_MM, outline, pose) + [
            step_edge(crop, camera, box, side, reach_mm=NARROW_MM)
            for side in Side
            if box.shows_wall(side, camera.position_mm)
        ]
    vector, box, kept = _fit_all(view, pose, plan, edges, vector, box)
    camera = unpack(vector, camera.centre_px)
    off = np.concatenate([_out_mm(part, camera, box) for part in kept])
    rms = float(np.sqrt((off**2).mean()))
    if rms > MAX_RMS_MM:
        raise FaceError(
            f"{photo.source}: the tower's edges fit its outline to {rms:.1f} mm only; lay it flat "
            f"on its back, and clear the sheet"
        )
    entry = Side.LEFT if plan.motion.direction is Direction.COUNTER_CLOCKWISE else Side.RIGHT
    corners = camera.project(_corner_points(box))
    return FaceView(
        camera=camera,
        box=box,
        entry=entry,
        width_mm=plan.size.width_mm,
        height_mm=plan.height_mm,
        corners_px=corners if entry is Side.LEFT else corners[[1, 0, 3, 2]],
        px_per_mm=_scale(corners, plan.size.width_mm, plan.height_mm),
        sheet_size_mm=size,
        size_sd=size_sd,
        rms_mm=rms,
        edge_points=tuple(kept),
        flags=(),
    )


def _corner_points(box: Box) -> NDArray[np.float64]:
    w, h = box.width_mm / 2, box.height_mm / 2
    return box.points(np.array([-w, w, w, -w]), np.array([-h, -h, h, h]), box.width_mm)


def _scale(corners_px: NDArray[np.float64], width_mm: float, height_mm: float) -> float:
    """Pixels per mm by area."""
    x, y = corners_px.T
    area = abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2
    return math.sqrt(area / (width_mm * height_mm))


def _comb_edges(
    crop: Crop, camera: Camera, box: Box, reach: float, outline: Outline, pose: Pose
) -> list[EdgePoints]:
    return [
        comb_edge(
            crop,
            camera,
            box,
            side,
            reach_mm=reach,
            outline=outline,
            sheet_scale=pose.sheet_scale,
        )
        for side in Side
    ]


def _out_mm(part: EdgePoints, camera: Camera, box: Box) -> NDArray[np.float64]:
    """How far edge points lie outside the box's edge, mm."""
    flat = camera.to_plane(part.points_px, 0.0 if part.on_sheet else box.width_mm)
    right, up = box.axes
    away = (flat - np.array([box.x_mm, box.y_mm])) @ (right if part.side.upright else up)
    off: NDArray[np.float64] = away * part.side.sign - box.reach_mm(part.side)
    return off


def _box_of(values: NDArray[np.float64]) -> Box:
    x, y, yaw, width, height = values.tolist()
    return Box(x_mm=x, y_mm=y, yaw_deg=yaw, width_mm=width, height_mm=height)


def _values_of(box: Box) -> NDArray[np.float64]:
    return np.array([box.x_mm, box.y_mm, box.yaw_deg, box.width_mm, box.height_mm])


def _fit_box(
    photo: Photo, edges: list[EdgePoints], camera: Camera, start: Box, plan: Plan
) -> tuple[Box, list[EdgePoints]]:
    """Fit the box alone, size free; the camera is believed."""
    from scipy.optimize import least_squares

    found = sum(len(part.points_px) >= MIN_EDGE_POINTS for part in edges)
    if found < 3:
        raise FaceError(
            f"{photo.source}: only {found} of the tower's 4 edges can be told from the sheet; "
            f"show the bars around the tower, sharp and lit"
        )
    # weak, and only there so that an edge that is not seen leaves the size at the plan's
    loose = 0.02 * np.array([plan.size.width_mm, plan.height_mm])
    sizes = np.array([plan.size.width_mm, plan.height_mm])

    def residuals(values: NDArray[np.float64]) -> NDArray[np.float64]:
        box = _box_of(values)
        misses = [_out_mm(part, camera, box) / part.sd_mm for part in edges]
        return np.concatenate([*misses, (values[3:] - sizes) / loose])

    fit = least_squares(residuals, _values_of(start), loss="soft_l1", f_scale=2.0)
    return _box_of(fit.x), edges


def _fit_all(
    view: SheetView,
    pose: Pose,
    plan: Plan,
    edges: list[EdgePoints],
    vector: NDArray[np.float64],
    box: Box,
) -> tuple[NDArray[np.float64], Box, list[EdgePoints]]:
    """Fit camera and box together, and drop edge points that lie off."""
    from scipy.optimize import least_squares

    centre = pose.camera.centre_px
    scale = float(pose.sheet_scale[0])
    sizes = np.array([plan.size.width_mm, plan.height_mm])
    for last in (False, True):
        kept = edges

        def residuals(
            values: NDArray[np.float64], edges: list[EdgePoints] = kept
        ) -> NDArray[np.float64]:
            trial, camera = _box_of(values[9:]), unpack(values, centre)
            sheet = sheet_misses(values, centre, view, scale)[pose.used].ravel() / CORNER_SD_PX
            outline = [_out_mm(part, camera, trial) / part.sd_mm for part in edges]
            size = (values[12:] / sizes - 1) / SIZE_SD
            return np.concatenate([sheet, *outline, size, prior_misses(values, pose.focal_prior)])

        start = np.concatenate([vector, _values_of(box)])
        fit = least_squares(residuals, start, x_scale="jac", loss="soft_l1", f_scale=2.0)
        vector, box = fit.x[:9], _box_of(fit.x[9:])
        if not last:
            edges = [_without_outliers(part, unpack(vector, centre), box) for part in edges]
    return vector, box, kept


def _without_outliers(part: EdgePoints, camera: Camera, box: Box) -> EdgePoints:
    if len(part.points_px) == 0:
        return part
    off = _out_mm(part, camera, box)
    middle = np.median(off)
    spread = 1.4826 * float(np.median(np.abs(off - middle)))
    inside = np.abs(off - middle) <= max(3 * spread, part.sd_mm)
    return EdgePoints(
        side=part.side, on_sheet=part.on_sheet, points_px=part.points_px[inside], sd_mm=part.sd_mm
    )


def _measured_size(edges: list[EdgePoints], box: Box) -> tuple[float, float]:
    seen = {part.side for part in edges if len(part.points_px) >= MIN_EDGE_POINTS}
    width = box.width_mm if {Side.LEFT, Side.RIGHT} <= seen else math.nan
    height = box.height_mm if {Side.BASE, Side.TOP} <= seen else math.nan
    return width, height


def _check_size(photo: Photo, plan: Plan, size: tuple[float, float], size_sd: float) -> None:
    """Refuse a tower that is not the plan's."""
    ratios = np.array(size) / (plan.size.width_mm, plan.height_mm)
    limit = SIZE_LIMIT + 2 * size_sd
    off = np.abs(np.log(ratios))
    aspect = abs(math.log(ratios[0] / ratios[1]))
    if np.nanmax(off, initial=0.0) > limit or aspect > ASPECT_LIMIT:
        seen = " × ".join("?" if math.isnan(mm) else f"{mm:.1f}" for mm in size)
        raise PlanError(
            f"{photo.source}: the tower's face measures {seen} mm (width × height), but plan "
            f"'{plan.tower}' says {plan.size.width_mm:g} × {plan.height_mm:g} mm; use the plan "
            f"this tower was printed with"
        )
