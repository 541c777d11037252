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
from ringscan.image.hindrance import hindrance
from ringscan.image.photo import Photo
from ringscan.image.pose import Pose
from ringscan.image.reference import SheetView
from ringscan.layout import (
    COMB_BOX,
    COMB_PERIOD_MM,
    TOWER_CENTRE,
    Outline,
    bars_within,
    tower_outline,
)
from ringscan.plan import Plan

FINE_PX_PER_MM = 4
"""Of the map in which bars are compared; the search then runs on a map of 1 px per mm."""
WINDOW_MM = (COMB_PERIOD_MM, 2.0)
"""Along and across the bars' direction of change: one whole period, and little more."""
MIN_SHARE = 0.15
"""Share of a window that must lie in white bars, and in black ones."""
SEEN_CONTRAST = 0.25
"""Michelson contrast from which the comb counts as seen; print has over .6, a tower under .1."""
SEARCH_MM, SEARCH_DEG = 10.0, 12.0
"""A tower laid down by hand is off its place by less."""
GRID = 4.0
STEPS = (12.0, 6.0, 3.0, 1.5, 0.8, 0.4)
"""Of the grid over place and turn, and of the pattern search after it, mm and degrees."""
SIZE_DOUBT, SIZE_SLACK = 0.02, 0.03
"""A size off the plan's by SIZE_SLACK must explain some SIZE_DOUBT of the map; more is no worse."""
ORIGIN = np.array(COMB_BOX[:2], np.float32) + np.float32(0.5)
"""Of the map of 1 px per mm: the centre of its pixel (0, 0), mm."""
MAX_STRETCH = 0.5
MIN_HIDDEN = 0.6
"""Share of the comb below a tower that must be hidden by it."""
MIN_SEEN = 0.4
"""Share of the comb beside the tower that must be seen."""


Array = NDArray[np.floating]


def ink(along_mm: Array, side: Side) -> Array:
    """Signed comb at places along a side of the sheet as drawn: cosine, positive on black bars.

    Places are y for the upright sides, x for the others.
    """
    middle = TOWER_CENTRE[1 if side.upright else 0]
    wave: Array = np.cos((along_mm - middle) * (2 * math.pi / COMB_PERIOD_MM))
    return wave


def comb_depth(across_mm: Array, side: Side, outline: Outline) -> Array:
    """How far places on the sheet as drawn lie outside the tower's printed outline, mm.

    Places are x for the upright sides, y for the others.
    """
    low = {Side.LEFT: outline.left, Side.TOP: outline.top}
    if side in low:
        return low[side] - across_mm
    return across_mm - (outline.right if side is Side.RIGHT else outline.bottom)


def comb_ends(side: Side, outline: Outline) -> tuple[float, float, float]:
    """Where along a side its first bar begins and its last one ends, and how deep they are."""
    left, top, right, bottom = COMB_BOX
    if side.upright:
        bars = bars_within(TOWER_CENTRE[1], top, bottom)
        outer = left if side is Side.LEFT else right
    else:
        bars = bars_within(TOWER_CENTRE[0], outline.left, outline.right)
        outer = top if side is Side.TOP else bottom
    return bars[0][0], bars[-1][1], float(comb_depth(np.array(outer), side, outline))


def find_tower(photo: Photo, view: SheetView, pose: Pose, plan: Plan) -> Box:
    """Find the tower to about half a mm by what it hides of the comb.

    Raises
    ------
    FaceError
        If nothing lies on the sheet, or not where it should.
    """
    outline = tower_outline(plan)
    seen, known = seen_map(photo, view, outline)
    if known.sum() < 0.3 * known.size:
        raise FaceError(
            f"{photo.source}: the middle of the scan sheet is outside the picture; photograph it "
            "again with the whole ring of squares in view"
        )
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
    gain = np.where(known, np.where(seen, -1, 1), 0).astype(np.float32).ravel()
    known_all = float(known.sum())

    def score(box: Box) -> float:
        stretch = (
            abs(box.width_mm / start.width_mm - 1),
            abs(box.height_mm / start.height_mm - 1),
        )
        if max(stretch) > MAX_STRETCH:
            return -math.inf
        gained = float(gain @ _hidden(box, eye, seen.shape).ravel())
        doubt = sum(SIZE_DOUBT * (1 - math.exp(-part / SIZE_SLACK)) for part in stretch)
        return gained / known_all - doubt

    box = _search(start, score)
    hidden = _hidden(box, eye, seen.shape)
    grown = cv2.dilate(hidden, np.ones((9, 9), np.uint8)).astype(bool)
    inside = hidden.astype(bool)
    below, beside = inside & known, grown & ~inside & known
    if not below.any() or (~seen[below]).mean() < MIN_HIDDEN:
        raise FaceError(
            f"{photo.source}: no tower is found on the scan sheet; "
            + (hindrance(photo, view) or "lay it on its outline, on its back")
        )
    if not beside.any() or seen[beside].mean() < MIN_SEEN:
        raise FaceError(
            f"{photo.source}: something hides the scan sheet around the tower, or it is too dark "
            "there; "
            + (hindrance(photo, view) or "clear the sheet and let some light into the room")
        )
    return replace(
        box,
        x_mm=float(box.x_mm * pose.sheet_scale[0]),
        y_mm=float(box.y_mm * pose.sheet_scale[1]),
        width_mm=box.width_mm * scale,
        height_mm=box.height_mm * scale,
    )


def _search(start: Box, score: Callable[[Box], float]) -> Box:
    """Grid over place and turn, then a pattern search; only then may the size change as well.

    Else it would at once, in the stead of a place that is a little off the grid.
    """
    grid = [
        start.moved(dx, dy, turn)
        for dx in np.arange(-SEARCH_MM, SEARCH_MM + 1, GRID)
        for dy in np.arange(-SEARCH_MM, SEARCH_MM + 1, GRID)
        for turn in np.arange(-SEARCH_DEG, SEARCH_DEG + 1, GRID)
    ]
    finer = tuple(step for step in STEPS if step < GRID)
    best = _climb(max(grid, key=score), score, _moved, finer)
    return _climb(best, score, lambda box, step: _moved(box, step) + _resized(box, step), STEPS)


def _climb(
    best: Box,
    score: Callable[[Box], float],
    near: Callable[[Box, float], list[Box]],
    steps: tuple[float, ...],
) -> Box:
    """The best box that steps lead to."""
    value = score(best)
    for step in steps:
        improved = True
        while improved:
            improved = False
            for trial in near(best, step):
                trial_value = score(trial)
                if trial_value > value:
                    best, value, improved = trial, trial_value, True
    return best


def _moved(box: Box, step: float) -> list[Box]:
    """The box moved or turned, both ways."""
    near = []
    for d in (-step, step):
        near += [box.moved(0, 0, d), box.moved(d, 0, 0), box.moved(0, d, 0)]
    return near


def _resized(box: Box, step: float) -> list[Box]:
    """The box with one of its edges moved, both ways."""
    near = []
    for d in (-step, step):
        for shift in (-d / 2, d / 2):
            near += [replace(box, x_mm=box.x_mm + shift, width_mm=box.width_mm + d)]
            near += [replace(box, y_mm=box.y_mm + shift, height_mm=box.height_mm + d)]
    return near


def seen_map(
    photo: Photo, view: SheetView, outline: Outline
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where the comb is seen, and where that is known; 1 px per mm over COMB_BOX."""
    left, top, right, bottom = COMB_BOX
    k = FINE_PX_PER_MM
    size = (round((right - left) * k), round((bottom - top) * k))
    to_map = np.array([[k, 0, -left * k], [0, k, -top * k], [0, 0, 1.0]])
    warp = to_map @ np.linalg.inv(view.homography)
    grey = cv2.warpPerspective(photo.grey8(), warp, size, flags=cv2.INTER_LINEAR, borderValue=0)
    light = np.asarray(cv2.LUT(grey, photo.light_of_grey8()), dtype=np.float32)
    x, y = left + np.arange(size[0]) / k, top + np.arange(size[1]) / k
    inside = _in_picture(photo, view, x, y)
    seen = np.zeros(light.shape, dtype=bool)
    known = np.zeros(light.shape, dtype=bool)
    for side in Side:
        low, high, outer = comb_ends(side, outline)
        along, across = (y, x) if side.upright else (x, y)
        depth = comb_depth(across, side, outline)
        strips = _stretch((along > low) & (along < high)), _stretch((depth >= 0) & (depth < outer))
        zone = strips if side.upright else strips[::-1]
        wave = ink(along[strips[0]], side)
        contrast, held = _contrast(light[zone], wave[:, None] if side.upright else wave)
        held &= inside[zone]
        seen[zone] |= held & (contrast > SEEN_CONTRAST)
        known[zone] |= held
    coarse = slice(k // 2, None, k)
    return seen[coarse, coarse], known[coarse, coarse]


def _in_picture(photo: Photo, view: SheetView, x_mm: Array, y_mm: Array) -> NDArray[np.bool_]:
    """Which points of a grid on the sheet as drawn are in the picture, (y, x)."""
    x, y, depth = (
        (row[0] * x_mm + row[2]).astype(np.float32) + (row[1] * y_mm[:, None]).astype(np.float32)
        for row in view.homography
    )
    in_x = np.abs(x / depth - (photo.width_px - 1) / 2) < photo.width_px / 2
    return np.asarray(in_x & (np.abs(y / depth - (photo.height_px - 1) / 2) < photo.height_px / 2))


def _stretch(which: NDArray[np.bool_]) -> slice:
    """From the first to the last that is so."""
    places = np.flatnonzero(which)
    return slice(places[0], places[-1] + 1) if len(places) else slice(0, 0)


def _contrast(light: NDArray[np.float32], wave: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Michelson contrast of the bars around each place, and where there are enough of both."""
    along = 1 if wave.ndim == 1 else 0
    window = tuple(round(mm * FINE_PX_PER_MM) for mm in WINDOW_MM)
    box = window if along == 1 else window[::-1]

    def summed(values: Array) -> NDArray[np.float32]:
        return np.asarray(
            cv2.boxFilter(values.astype(np.float32), -1, box, borderType=cv2.BORDER_CONSTANT)
        )

    shares = [summed(np.broadcast_to(bars, light.shape)) for bars in (wave < 0, wave > 0)]
    with np.errstate(divide="ignore", invalid="ignore"):
        white, black = (
            summed(light * bars) / share
            for bars, share in zip((wave < 0, wave > 0), shares, strict=True)
        )
        contrast = (white - black) / (white + black)
    return contrast, np.asarray((shares[0] > MIN_SHARE) & (shares[1] > MIN_SHARE))


def _hidden(box: Box, eye: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.float32]:
    """Map of what the box hides of the comb's area: 1 there, else 0."""
    hull = box.shadow_hull(eye)
    hull -= ORIGIN
    hull *= 16
    mask = np.zeros(shape, dtype=np.float32)
    cv2.fillConvexPoly(mask, np.rint(hull).astype(np.int32), 1.0, shift=4)
    return mask
