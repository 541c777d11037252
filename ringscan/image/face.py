"""Find the tower's face: a box of known size on the sheet, fitted to the edges that are seen."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan import layout
from ringscan.errors import FaceError, PlanError
from ringscan.image.box import Box, Side
from ringscan.image.camera import Camera
from ringscan.image.corners import Corners
from ringscan.image.edges import MIN_EDGE_POINTS, MIN_WALL_MM, EdgePoints, comb_edge, step_edges
from ringscan.image.faceview import FaceView, px_per_mm_by_area
from ringscan.image.hindrance import blurred, cropped, hindrance, misplaced
from ringscan.image.lens import find_through_lens
from ringscan.image.outline import Outline, fit_outline
from ringscan.image.photo import Photo
from ringscan.image.pose import Pose, unevenness
from ringscan.image.reference import SheetView
from ringscan.image.strip import Crop, Place
from ringscan.image.wire import snap_to_edges
from ringscan.plan import Axis, Plan

__all__ = ["FaceView", "locate_face"]

MAX_STRAIN = 5.0
"""Standard deviations: a printed tower's size, or the picture's focal length or middle, that must
be off by more to fit the plan, means another tower or another plan."""
MAX_PROPORTION = 0.02
"""Width by height may be off the plan's by this much: camera and print scale tell on both alike.
On 27 rendered pictures it was off by 0.25 % (root mean square), 0.54 % at most; on a sheet with a
corner up by 12 mm, by 1.5 %."""
EDGE_MM = 0.8
"""Edges are off by fractions of a mm whatever the size, which of a narrow tower is more of its
width: 0.4 mm on one of 26 mm."""
CLEAR_RMS_MM = 0.3
"""Edges that fit their outline better than this are where they seem to be: then it is another tower
if its proportion is another one. Otherwise one of them may be wrong, as on one of 89 pictures."""
WIDE_MM, NARROW_MM = 4.0, 1.5
"""Reach of the search for edges: after the coarse search, and after a fit."""
MAX_RMS_MM = 0.5
MIN_ABOVE_MM = 60.0
"""Nearer no lens sees the sheet around a tower: the picture was stretched."""
MAX_MOVED_MM = 3.0
"""Between the place where the search began and the fit to the edges' points: less than 1.3 mm on
rendered pictures."""
APART_MM, APART_SIZE = 1.5, 0.02
"""The comb and the edges seen all at once agree to within this on three of four rendered pictures;
where they do not, either may have taken something else for the tower."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Found:
    """The tower as found from one start: the camera is believed, the size is free.

    seen : what the start was made from
    """

    seen: Box
    outline: Outline
    edges: list[EdgePoints]

    @property
    def moved_mm(self) -> float:
        return _moved_mm(self.seen, self.outline.box)

    @property
    def doubt(self) -> tuple[bool, bool, float]:
        """The smaller the better: what would be refused last, then by the edges' fit."""
        outline = self.outline
        return outline.strain > MAX_STRAIN, self.moved_mm > MAX_MOVED_MM, outline.rms_mm


def locate_face(
    photo: Photo,
    view: SheetView,
    pose: Pose,
    plan: Plan,
    axis: Axis,
    *,
    base_away: bool = False,
) -> FaceView:
    """Find the face of the tower that lies on the sheet.

    With `base_away` it is taken to lie turned by 180°, its top where its base should be: the face
    is then read from there, and its corners are rounded as they are at the other end.

    Raises
    ------
    FaceError
        If there is no tower, or too little of its edges is seen.
    PlanError
        If the tower is not of the plan's size.
    """
    planned = Corners.of(plan, axis)
    corners = planned.turned_over() if base_away else planned
    sizes = (plan.size.width_mm, plan.height_mm)
    above_mm = _above_mm(pose, plan)
    if above_mm < MIN_ABOVE_MM:
        raise FaceError(
            f"{photo.source}: by the sheet's squares the camera was {above_mm:.0f} mm above the "
            f"tower's face, at least {MIN_ABOVE_MM:.0f} mm are needed; give the photo as the phone "
            f"took it, not stretched or cropped"
        )
    pose, seen = find_through_lens(photo, view, pose, plan)
    starts = _starts(photo, pose.camera, seen, sizes)
    corners_px = pose.camera.project(np.concatenate([box.face_corners for box, _ in starts]))
    scale = px_per_mm_by_area(corners_px[:4], *sizes)
    crop = Crop.around(photo, corners_px, 2 * WIDE_MM * scale)

    def found_from(start: Box, seen: Box) -> _Found:
        now = Outline.before(pose, start)
        for reach in (WIDE_MM, NARROW_MM):
            edges = _find_edges(crop, now, pose, plan, corners, reach)
            _check_edges(photo, view, edges)
            now = fit_outline(view, pose, sizes, corners, edges, now, camera_free=False)
        return _Found(seen=seen, outline=now, edges=edges)

    found, refused = [], []
    for start in starts:
        try:
            found.append(found_from(*start))
        except FaceError as error:
            refused.append(error)
    if not found:
        raise refused[0]
    best = min(found, key=lambda one: one.doubt)
    now, edges = best.outline, best.edges
    size = _measured_size(now)
    size_sd = pose.focal_sd * sizes[0] / _above_mm(pose, plan)
    free = fit_outline(view, pose, sizes, corners, edges, now, camera_free=True)
    moved_px = np.abs(_corners_px(free) - _corners_px(now)).max()
    if moved_px > NARROW_MM / 3 * scale:
        edges = _find_edges(crop, free, pose, plan, corners, NARROW_MM)
        _check_edges(photo, view, edges)
        free = fit_outline(view, pose, sizes, corners, edges, free, camera_free=True)
    now = free
    uneven = unevenness(view, pose)
    _check_outline(photo, view, plan, replace(best, outline=now), size, uneven)
    face = FaceView.of(plan, planned, now, measured_mm=size, doubt=2 * size_sd)
    if uneven is not None:
        face = replace(face, flags=(*face.flags, uneven))
    return face.turned() if base_away else face


def _above_mm(pose: Pose, plan: Plan) -> float:
    """How far the camera is above the face."""
    return float(-pose.camera.position_mm[2] - plan.size.width_mm)


def _starts(
    photo: Photo, camera: Camera, found: Box, sizes: tuple[float, float]
) -> list[tuple[Box, Box]]:
    """Where to look for the tower's edges from, when the comb says that it is at `found`.

    Each start comes with the box that was seen.
    """
    snapped = snap_to_edges(photo, camera, found)
    planned = replace(found, width_mm=sizes[0], height_mm=sizes[1])
    resized = max(abs(found.width_mm / sizes[0] - 1), abs(found.height_mm / sizes[1] - 1))
    if _moved_mm(found, snapped) <= APART_MM and resized <= APART_SIZE:
        return [(snapped, snapped)]
    return [(snapped, snapped), (planned, found)]


def _moved_mm(before: Box, after: Box) -> float:
    """How far a box is from another; of two sizes, by those edges that are nearest."""
    way = np.array([after.x_mm - before.x_mm, after.y_mm - before.y_mm])
    across, along = np.abs(np.array(after.axes) @ way)
    across -= abs(after.width_mm - before.width_mm) / 2
    along -= abs(after.height_mm - before.height_mm) / 2
    turned = math.radians(after.yaw_deg - before.yaw_deg) * after.height_mm / 2
    return math.hypot(max(across, 0.0), max(along, 0.0)) + abs(turned)


def _corners_px(outline: Outline) -> NDArray[np.float64]:
    return outline.camera.project(outline.box.face_corners)


def _find_edges(
    crop: Crop, now: Outline, pose: Pose, plan: Plan, corners: Corners, reach: float
) -> list[EdgePoints]:
    """Edge points of all sides: by the comb and, where that is not enough, by brightness."""
    drawn = layout.tower_outline(plan)
    eye = now.camera.position_mm
    edges = []
    for side in Side:
        wall_mm = -now.box.lean_mm(side, eye) * now.box.width_mm / eye[2]
        wall_seen = wall_mm > MIN_WALL_MM
        place = Place(
            camera=now.camera,
            box=now.box,
            side=side,
            corners=corners,
            foot=wall_mm > 0,
            round_by=now.rounding,
        )
        comb = comb_edge(crop, place, reach_mm=reach, outline=drawn, sheet_scale=pose.sheet_scale)
        by_comb = len(comb.points_px) >= MIN_EDGE_POINTS
        if by_comb:
            edges.append(comb)
        if not by_comb or (wall_seen and reach == NARROW_MM):
            if wall_seen:
                place = replace(place, foot=False, round_by=0.0)
            steps = step_edges(crop, place, reach_mm=reach, wall_mm=wall_mm if wall_seen else 0.0)
            if not wall_seen:
                steps = [_beside_the_head(part, now.camera, pose) for part in steps]
            edges += [part for part in steps if len(part.points_px) >= MIN_EDGE_POINTS]
    return edges


def _beside_the_head(edge: EdgePoints, camera: Camera, pose: Pose) -> EdgePoints:
    """The points beyond which the sheet's head is not seen: words and lines look like edges."""
    drawn = camera.to_plane(edge.points_px, 0.0) / pose.sheet_scale
    return replace(edge, points_px=edge.points_px[drawn[:, 1] > layout.HEAD_BOTTOM_MM])


def _check_edges(photo: Photo, view: SheetView, edges: list[EdgePoints]) -> None:
    sides = {part.side for part in edges}
    if not (any(s.upright for s in sides) and any(not s.upright for s in sides)):
        seen = ", ".join(sorted(sides)) or "none"
        raise FaceError(
            f"{photo.source}: too few of the tower's edges stand out against the sheet (found: "
            f"{seen}); "
            + (hindrance(photo, view) or "keep the bars around it in view, sharp and well lit")
        )


def _check_outline(
    photo: Photo,
    view: SheetView,
    plan: Plan,
    found: _Found,
    measured: tuple[float, float],
    uneven: str | None,
) -> None:
    """Whether what was found is this plan's tower; `uneven`: what is wrong with the sheet."""
    now = found.outline
    width, height = measured
    # NaN where one is not seen
    wide, tall = width / plan.size.width_mm, height / plan.height_mm
    most = max(MAX_PROPORTION, EDGE_MM / plan.size.width_mm)
    # it is the height by which towers differ, and a wall's foot may pass for an upright edge
    by_height = abs(wide / tall - 1) > most and abs(tall - 1) > abs(wide - 1)
    other = by_height and now.rms_mm < CLEAR_RMS_MM
    if now.strain > MAX_STRAIN or other:
        why = misplaced(photo, view)
        if why is not None:
            raise FaceError(f"{photo.source}: the tower's face cannot be measured: {why}")
        seen = " × ".join("?" if math.isnan(mm) else f"{mm:.1f}" for mm in measured)
        raise PlanError(
            f"{photo.source}: the tower's face measures {seen} mm (width × height), but plan "
            f"'{plan.tower}' says {plan.size.width_mm:g} × {plan.height_mm:g} mm; "
            + (
                uneven
                or blurred(photo, view)
                or cropped(photo)
                or "use the plan this tower was printed with, the measured length of the sheet's "
                "100 mm line (--check-line), and the photo as the phone took it"
            )
        )
    if now.rms_mm > MAX_RMS_MM:
        raise FaceError(
            f"{photo.source}: the tower's edges are {now.rms_mm:.1f} mm off a straight outline; "
            + (uneven or hindrance(photo, view) or "lay it flat on its back, and clear the sheet")
        )
    if found.moved_mm > MAX_MOVED_MM:
        raise FaceError(
            f"{photo.source}: the tower's edges do not stand out from what is around them; "
            + (hindrance(photo, view) or "clear the sheet, and photograph it from straight above")
        )


def _measured_size(outline: Outline) -> tuple[float, float]:
    sides = {part.side for part in outline.edges if len(part.points_px) >= MIN_EDGE_POINTS}
    width = outline.box.width_mm if {Side.LEFT, Side.RIGHT} <= sides else math.nan
    height = outline.box.height_mm if {Side.BASE, Side.TOP} <= sides else math.nan
    return width, height
