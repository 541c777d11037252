"""The comb of bars around the tower's place: where it is seen, there is no tower."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.errors import FaceError
from ringscan.image.box import Box, Side
from ringscan.image.photo import Photo
from ringscan.image.pose import Pose
from ringscan.image.reference import SheetView
from ringscan.layout import COMB_BOX, COMB_PERIOD_MM, TOWER_CENTRE, Outline, tower_outline
from ringscan.plan import Plan

FINE_PX_PER_MM = 4
"""Of the map in which bars are compared; the search then runs on a map of 1 px per mm."""
WINDOW_MM = (COMB_PERIOD_MM, 2.0)
"""Along and across the bars' direction of change: one whole period, and little more."""
SEEN_CONTRAST = 0.25
"""Michelson contrast from which the comb counts as seen; print has over .6, a tower under .1."""
SEARCH_MM, SEARCH_DEG = 10.0, 12.0
"""A tower laid down by hand is off its place by less."""
SIZE_DOUBT, SIZE_SLACK = 0.02, 0.03
"""A size off the plan's by SIZE_SLACK must explain some SIZE_DOUBT of the map; more is no worse."""
MAX_STRETCH = 0.5
MIN_HIDDEN = 0.6
"""Share of the comb below a tower that must be hidden by it."""
MIN_SEEN = 0.4
"""Share of the comb beside the tower that must be seen."""


def ink(points_mm: NDArray[np.float64], side: Side, outline: Outline) -> NDArray[np.float64]:
    """Signed comb at points of the sheet as drawn, (..., 2): cosine, positive on black bars.

    NaN beside and beyond the comb of that side; continued inward, under the tower.
    """
    left, top, right, bottom = COMB_BOX
    x, y = points_mm[..., 0], points_mm[..., 1]
    if side.upright:
        inside, phase = (y > top) & (y < bottom), y - TOWER_CENTRE[1]
        inside &= x > left if side is Side.LEFT else x < right
    else:
        inside, phase = (x > outline.left) & (x < outline.right), x - TOWER_CENTRE[0]
        inside &= y > top if side is Side.TOP else y < bottom
    return np.where(inside, np.cos(2 * np.pi * phase / COMB_PERIOD_MM), np.nan)


def comb_depth(points_mm: NDArray[np.float64], side: Side, outline: Outline) -> NDArray[np.float64]:
    """How far points of the sheet as drawn lie outside the tower's printed outline, mm."""
    away = {
        Side.LEFT: outline.left - points_mm[..., 0],
        Side.RIGHT: points_mm[..., 0] - outline.right,
        Side.TOP: outline.top - points_mm[..., 1],
        Side.BASE: points_mm[..., 1] - outline.bottom,
    }
    return away[side]


def find_tower(photo: Photo, view: SheetView, pose: Pose, plan: Plan) -> Box:
    """Find the tower to about half a mm by what it hides of the comb.

    Raises
    ------
    FaceError
        If nothing lies on the sheet, or not where it should.
    """
    outline = tower_outline(plan)
    seen, known = _seen_map(photo, view, outline)
    if known.sum() < 0.3 * known.size:
        raise FaceError(f"{photo.source}: the middle of the scan sheet is outside the picture")
    scale = float(pose.sheet_scale.mean())
    eye = pose.camera.position_mm / scale
    start = Box(
        x_mm=TOWER_CENTRE[0],
        y_mm=TOWER_CENTRE[1],
        yaw_deg=0.0,
        width_mm=plan.size.width_mm / scale,
        height_mm=plan.height_mm / scale,
    )

    # what hiding each place adds to the places that are as they should be
    gain = np.where(known, np.where(seen, -1, 1), 0).astype(np.int32)
    beside_all, known_all = float((seen & known).sum()), float(known.sum())

    def score(box: Box) -> float:
        stretch = (
            abs(box.width_mm / start.width_mm - 1),
            abs(box.height_mm / start.height_mm - 1),
        )
        if max(stretch) > MAX_STRETCH:
            return -math.inf
        inside = _hidden(box, eye, seen.shape)
        agree = beside_all + float(np.vdot(gain, inside.view(np.uint8)))
        doubt = sum(SIZE_DOUBT * (1 - math.exp(-part / SIZE_SLACK)) for part in stretch)
        return agree / known_all - doubt

    box = _search(start, score)
    inside = _hidden(box, eye, seen.shape)
    grown = cv2.dilate(inside.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
    below, beside = inside & known, grown & ~inside & known
    if not below.any() or (~seen[below]).mean() < MIN_HIDDEN:
        raise FaceError(
            f"{photo.source}: no tower on the scan sheet; lay it on its outline, on its back"
        )
    if not beside.any() or seen[beside].mean() < MIN_SEEN:
        raise FaceError(
            f"{photo.source}: something hides the scan sheet around the tower, or it is too dark "
            f"there; clear the sheet and let some light into the room"
        )
    return replace(
        box,
        x_mm=float(box.x_mm * pose.sheet_scale[0]),
        y_mm=float(box.y_mm * pose.sheet_scale[1]),
        width_mm=box.width_mm * scale,
        height_mm=box.height_mm * scale,
    )


def _search(start: Box, score: Callable[[Box], float]) -> Box:
    """Grid over place and turn, then a pattern search that may also change the size."""
    grid = [
        replace(start, x_mm=start.x_mm + dx, y_mm=start.y_mm + dy, yaw_deg=turn)
        for dx in np.arange(-SEARCH_MM, SEARCH_MM + 1, 4)
        for dy in np.arange(-SEARCH_MM, SEARCH_MM + 1, 4)
        for turn in np.arange(-SEARCH_DEG, SEARCH_DEG + 1, 4)
    ]
    best = max(grid, key=score)
    value = score(best)
    for step in (12.0, 6.0, 3.0, 1.5, 0.8, 0.4):
        improved = True
        while improved:
            improved = False
            for trial in _neighbours(best, step):
                trial_value = score(trial)
                if trial_value > value:
                    best, value, improved = trial, trial_value, True
    return best


def _neighbours(box: Box, step: float) -> list[Box]:
    """The box moved, turned, or with one of its edges moved."""
    near = []
    for d in (-step, step):
        near += [replace(box, yaw_deg=box.yaw_deg + d)]
        near += [replace(box, x_mm=box.x_mm + d), replace(box, y_mm=box.y_mm + d)]
        for shift in (-d / 2, d / 2):
            near += [replace(box, x_mm=box.x_mm + shift, width_mm=box.width_mm + d)]
            near += [replace(box, y_mm=box.y_mm + shift, height_mm=box.height_mm + d)]
    return near


def _seen_map(
    photo: Photo, view: SheetView, outline: Outline
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where the comb is seen, and where that is known; 1 px per mm over COMB_BOX."""
    left, top, right, bottom = COMB_BOX
    k = FINE_PX_PER_MM
    size = (round((right - left) * k), round((bottom - top) * k))
    to_map = np.array([[k, 0, -left * k], [0, k, -top * k], [0, 0, 1.0]])
    warp = to_map @ np.linalg.inv(view.homography)
    grey = cv2.warpPerspective(photo.grey8(), warp, size, flags=cv2.INTER_LINEAR, borderValue=0)
    inside = cv2.warpPerspective(
        np.full(photo.luma.shape, 255, np.uint8), warp, size, flags=cv2.INTER_NEAREST
    ).astype(bool)
    light = photo.light_of_grey8()[grey]
    x, y = np.meshgrid(left + np.arange(size[0]) / k, top + np.arange(size[1]) / k)
    points = np.stack([x, y], axis=-1)
    seen = np.zeros(light.shape, dtype=bool)
    known = np.zeros(light.shape, dtype=bool)
    for side in Side:
        wave = ink(points, side, outline)
        wave[comb_depth(points, side, outline) < 0] = np.nan
        window = WINDOW_MM if not side.upright else WINDOW_MM[::-1]
        box = tuple(round(w * k) for w in window)
        white = cv2.boxFilter((light * (wave < 0)).astype(np.float32), -1, box)
        black = cv2.boxFilter((light * (wave > 0)).astype(np.float32), -1, box)
        white_n = cv2.boxFilter((wave < 0).astype(np.float32), -1, box)
        black_n = cv2.boxFilter((wave > 0).astype(np.float32), -1, box)
        zone = np.isfinite(wave) & inside & (white_n > 0.15) & (black_n > 0.15)
        with np.errstate(divide="ignore", invalid="ignore"):
            white, black = white / white_n, black / black_n
            contrast = (white - black) / (white + black)
        seen |= zone & (contrast > SEEN_CONTRAST)
        known |= zone
    coarse = slice(k // 2, None, k)
    return seen[coarse, coarse], known[coarse, coarse]


def _hidden(box: Box, eye: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Map of what the box hides of the comb's area."""
    hull = box.shadow_hull(eye) - np.array(COMB_BOX[:2]) - 0.5
    mask = np.zeros(shape, dtype=np.uint8)
    cv2.fillConvexPoly(mask, np.round(hull * 16).astype(np.int32), 1, shift=4)
    return mask.view(np.bool_)
