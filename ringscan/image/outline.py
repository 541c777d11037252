"""Fit the box, and with it the camera, to the edge points.

A shaper rounds the tower's upright corners (see corners.py). The silhouette of such a corner
lies below the face, or above the sheet at the wall's foot, by a length that follows from the plan
up to a factor near 1, which is fitted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringscan.image.box import Box
from ringscan.image.camera import Camera
from ringscan.image.corners import Corners
from ringscan.image.descent import descend
from ringscan.image.edges import EdgePoints, Kind
from ringscan.image.pose import CORNER_SD_PX, Pose, sheet_misses, sheet_slopes
from ringscan.image.reference import SheetView

SIZE_SD = 0.004
"""Printed towers shrink or swell by about this much (common practice)."""
FREE_SIZE_SD = 0.02
"""While the size is measured: weak, for edges that are not seen."""
SHEET_SD_MM = 0.06
"""Of an edge point against the sheet: a printed edge is no straighter."""
FOOT_SD_MM = 0.1
"""Of one at the foot of an upright wall."""
DARK_FOOT_SD_MM = 0.2
"""Of one at the foot of the tower's open ends, where it is dark and the first layers are wide."""
CREASE_IN_MM, CREASE_SD_MM = 0.15, 0.2
"""How far inside the outline an upright corner's step of brightness lies: the bead is round."""
CREASE_SHARE, CREASE_SHARE_SD = 0.8, 0.5
"""The same for the shaper's rounding, relative to Corners.drop_mm."""
UNKNOWN_SD_MM = 0.3
"""Of one at a height of which the plan does not say what the shaper did."""
MAX_SHARP_MM = 0.8
"""Where corners are rounded by more (Corners.drop_mm), there is no line between face and wall."""
ROUNDING_SD = 0.15
"""Of the factor by which silhouettes drop more than Corners.drop_mm."""
SOFT_SDS = 2.0
"""While outliers are among the points, what is farther off counts less."""
OUTLIER_SDS = 3.0
MAX_STEPS = 40
"""Of the fit; a tower takes some ten, what is none may wander for hundreds."""
FREE_POINTS, FREE_CREASE_POINTS = 5, 1
"""Points of one edge share their errors (a bulge, a bow): more of them than this add nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """A camera and a box that agree with what was seen.

    vector : the camera's and the sheet's parameters as in Pose, (11,)
    camera : the camera
    box : the tower on the sheet, true mm
    rounding : fitted factor of Corners.drop_mm
    edges : the edge points that were kept
    rms_mm : of these about the box
    strain : the farthest that anything is from what was expected of it, in standard deviations
    """

    vector: NDArray[np.float64]
    camera: Camera
    box: Box
    rounding: float
    edges: list[EdgePoints]
    rms_mm: float
    strain: float

    @classmethod
    def before(cls, pose: Pose, box: Box) -> Outline:
        """To start from: nothing is fitted yet."""
        return cls(
            vector=pose.vector,
            camera=pose.camera,
            box=box,
            rounding=1.0,
            edges=[],
            rms_mm=0.0,
            strain=0.0,
        )


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

    def surprises(values: NDArray[np.float64]) -> NDArray[np.float64]:
        parts = [(values[3:5] / sizes - 1) / size_sd, [(values[5] - 1) / ROUNDING_SD]]
        if camera_free:
            parts.append(pose.expected.misses(values[6:]))
        return np.concatenate(parts)

    def residuals(values: NDArray[np.float64], points: OutlinePoints) -> NDArray[np.float64]:
        camera, box = unpacked(values)
        off, sd = points.out_mm(camera, box, values[5], corners)
        parts = [off / (sd * points.share), surprises(values)]
        if camera_free:
            sheet = sheet_misses(values[6:], pose.expected, view, scale)[pose.used]
            parts.append(sheet.ravel() / CORNER_SD_PX)
        return np.concatenate(parts)

    def slopes(values: NDArray[np.float64], points: OutlinePoints) -> NDArray[np.float64]:
        camera, box = unpacked(values)
        places = points.places(camera, box, values[5], corners)
        weight = 1 / (points.sd_mm(places) * points.share)[:, None]
        expected = np.diag([*(1 / (sizes * size_sd)), 1 / ROUNDING_SD])
        rows = [weight * points.box_slopes(places, box), np.pad(expected, ((0, 0), (3, 0)))]
        if not camera_free:
            return np.concatenate(rows)
        by_camera = points.camera_slopes(places, camera, box)
        sheet = sheet_slopes(values[6:], pose.expected, view, scale)[pose.used]
        camera_rows = [
            weight * pose.expected.camera_slopes(by_camera[:, None])[:, 0],
            np.zeros((3, 11)),
            pose.expected.miss_slopes,
            sheet.reshape(-1, 11) / CORNER_SD_PX,
        ]
        below = np.zeros((len(camera_rows[2]) + len(camera_rows[3]), 6))
        return np.hstack([np.concatenate([*rows, below]), np.concatenate(camera_rows)])

    box = start.box
    values = np.array([box.x_mm, box.y_mm, box.yaw_deg, box.width_mm, box.height_mm])
    values = np.append(values, start.rounding)
    if camera_free:
        values = np.concatenate([values, start.vector])
    for soft in (SOFT_SDS, None):
        points = OutlinePoints.of(edges)
        values, _ = descend(
            partial(residuals, points=points),
            partial(slopes, points=points),
            values,
            soft=soft,
            tolerance=1e-5,
            max_steps=MAX_STEPS,
        )
        off, sd = points.out_mm(*unpacked(values), values[5], corners)
        kept = points.without_outliers(off, sd)
        edges = [replace(e, points_px=e.points_px[k]) for e, k in zip(edges, kept, strict=True)]
    camera, box = unpacked(values)
    off = off[np.concatenate(kept)]
    return Outline(
        vector=values[6:] if camera_free else start.vector,
        camera=camera,
        box=box,
        rounding=float(values[5]),
        edges=edges,
        rms_mm=float(np.sqrt((off**2).mean())) if off.size else math.inf,
        strain=float(np.abs(surprises(values)).max()),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutlinePoints:
    """The points of all edges in one array, and per point what it is.

    px : where they are in the picture, (n, 2)
    upright : whether on an upright edge, (n,)
    sign : outward direction of its edge as in Side, 1 or -1, (n,)
    foot : whether at a wall's foot on the sheet, (n,)
    crease : whether where face and wall meet, (n,)
    share : by how much its standard deviation grows because its edge's points share errors, (n,)
    counts : number of points of each edge
    """

    px: NDArray[np.float64]
    upright: NDArray[np.bool_]
    sign: NDArray[np.float64]
    foot: NDArray[np.bool_]
    crease: NDArray[np.bool_]
    share: NDArray[np.float64]
    counts: list[int]

    @classmethod
    def of(cls, edges: list[EdgePoints]) -> OutlinePoints:
        """All points of these edges."""
        counts = [len(edge.points_px) for edge in edges]

        def spread(values: list[Any]) -> NDArray[Any]:
            return np.repeat(np.array(values), counts)

        return cls(
            px=np.concatenate([edge.points_px for edge in edges]),
            upright=spread([edge.side.upright for edge in edges]),
            sign=spread([float(edge.side.sign) for edge in edges]),
            foot=spread([edge.kind is Kind.WALL_SHEET for edge in edges]),
            crease=spread([edge.kind is Kind.FACE_WALL for edge in edges]),
            share=spread([_share(edge) for edge in edges]),
            counts=counts,
        )

    def places(self, camera: Camera, box: Box, rounding: float, corners: Corners) -> Places:
        """Where the points are, if they lie on the silhouette."""
        height = np.where(self.foot, 0.0, box.width_mm)
        rays = camera.rays(self.px)
        _, v = box.inside_out(camera.at_height(rays, height))
        drop, known = corners.at((v / box.height_mm + 0.5) * corners.height_mm)
        drop, known = np.where(self.upright, drop, 0.0), known | ~self.upright
        lower = np.where(self.crease, 0.0, rounding * drop)
        height += np.where(self.foot, lower, -lower)
        u, v = box.inside_out(camera.at_height(rays, height))
        return Places(rays=rays, height_mm=height, u_mm=u, v_mm=v, drop_mm=drop, known=known)

    def out_mm(
        self, camera: Camera, box: Box, rounding: float, corners: Corners
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """How far points lie outside where they should, and their standard deviation, mm."""
        places = self.places(camera, box, rounding, corners)
        return self.beyond_mm(places, box) + self.inward_mm(places), self.sd_mm(places)

    def beyond_mm(self, places: Places, box: Box) -> NDArray[np.float64]:
        """How far points lie outside the outline itself."""
        reach = np.where(self.upright, box.width_mm, box.height_mm) / 2
        across = np.where(self.upright, places.u_mm, places.v_mm)
        return across * self.sign - reach

    def inward_mm(self, places: Places) -> NDArray[np.float64]:
        """How far inside the outline the points should lie: upright creases do."""
        deep = CREASE_IN_MM + CREASE_SHARE * places.drop_mm
        return np.where(self.crease & self.upright, deep, 0.0)

    def sd_mm(self, places: Places) -> NDArray[np.float64]:
        """Standard deviation of `out_mm`."""
        drop, known = places.drop_mm, places.known
        sd = np.where(self.foot, np.where(self.upright, FOOT_SD_MM, DARK_FOOT_SD_MM), SHEET_SD_MM)
        sd[self.crease] = np.hypot(CREASE_SD_MM, CREASE_SHARE_SD * drop[self.crease])
        sd[self.crease & (drop > MAX_SHARP_MM)] = np.inf
        sd[~known] = np.maximum(sd[~known], UNKNOWN_SD_MM)
        return sd

    def box_slopes(self, places: Places, box: Box) -> NDArray[np.float64]:
        """Slopes of `out_mm` with box and rounding, (n, 6)."""
        outward = self._outward(box)
        higher = -(outward * places.rays[:, :2]).sum(axis=1) / places.rays[:, 2]
        lower = np.where(self.crease, 0.0, np.where(self.foot, 1.0, -1.0) * places.drop_mm)
        turning = np.where(self.upright, -places.v_mm, places.u_mm) * self.sign
        by_box = [
            -outward,
            math.radians(1) * turning,
            np.where(self.foot, 0.0, higher) - self.upright / 2,
            -(~self.upright / 2),
            higher * lower,
        ]
        return np.column_stack(by_box)

    def camera_slopes(self, places: Places, camera: Camera, box: Box) -> NDArray[np.float64]:
        """Slopes of `out_mm` with the camera as in `Camera.slopes`, (n, 10)."""
        # the point stays in its pixel: what the camera moves there, the point makes good
        on_plane = camera.at_height(places.rays, places.height_mm)
        at_mm = np.column_stack([on_plane, -places.height_mm])
        by_point, by_camera = camera.slopes(at_mm)
        outward = self._outward(box)[..., None]
        way = np.linalg.solve(by_point[..., :2].transpose(0, 2, 1), outward)
        return np.asarray(-(by_camera.transpose(0, 2, 1) @ way)[..., 0])

    def _outward(self, box: Box) -> NDArray[np.float64]:
        """Way along the sheet that leads out of the box across each point's edge, (n, 2)."""
        right, up = box.axes
        return np.where(self.upright[:, None], right, up) * self.sign[:, None]

    def without_outliers(
        self, off: NDArray[np.float64], sd: NDArray[np.float64]
    ) -> list[NDArray[np.bool_]]:
        """Per edge: which of its points lie on one line, and say something."""
        ends = np.cumsum(self.counts)[:-1]
        kept = []
        for off_, sd_ in zip(np.split(off, ends), np.split(sd, ends), strict=True):
            if not off_.size:
                kept.append(np.zeros(0, bool))
                continue
            middle = np.median(off_)
            spread = 1.4826 * float(np.median(np.abs(off_ - middle)))
            near = np.abs(off_ - middle) <= np.maximum(OUTLIER_SDS * spread, sd_)
            kept.append(near & np.isfinite(sd_))
        return kept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Where points are.

    rays : from the camera to them, of any length, (n, 3)
    height_mm : above the sheet, (n,)
    u_mm, v_mm : right and up of the box's middle, (n,) each
    drop_mm, known : Corners.at their heights, (n,) each
    """

    rays: NDArray[np.float64]
    height_mm: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]
    drop_mm: NDArray[np.float64]
    known: NDArray[np.bool_]


def _share(edge: EdgePoints) -> float:
    free = FREE_CREASE_POINTS if edge.kind is Kind.FACE_WALL else FREE_POINTS
    return math.sqrt(max(1.0, len(edge.points_px) / free))


def _box(values: NDArray[np.float64]) -> Box:
    x, y, yaw, width, height = values[:5].tolist()
    return Box(x_mm=x, y_mm=y, yaw_deg=yaw, width_mm=width, height_mm=height)
