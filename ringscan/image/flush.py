"""The face without a scan sheet: by references that lie in its own plane.

The face's corners are given, or found as a rectangle of the plan's size, or found in the plane of
a card of known size that is flush with the face; fit_plane then makes one camera of all that was
seen. Which way the base lies is never guessed.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import FaceError, PlanError, RingscanError, SheetError
from ringscan.image.beside import PictureSide, find_face_beside
from ringscan.image.box import Side
from ringscan.image.corners import Corners
from ringscan.image.edges import EdgePoints
from ringscan.image.faceview import FaceView
from ringscan.image.flushfit import Card, Plane, find_edges, fit_plane
from ringscan.image.inplane import Flush
from ringscan.image.outline import OutlinePoints
from ringscan.image.photo import Photo
from ringscan.image.plane import see_rectangle
from ringscan.image.pose import MAX_TILT_DEG, Expected
from ringscan.image.quads import find_rectangles
from ringscan.plan import Axis, Plan

GIVEN_SD_MM = 0.3
"""Of a corner that was pointed at in a picture: some 4 px at 12 px per mm."""
FOUND_SD_MM = 0.5
"""Of a corner of the face that was found by lines: the wall's edge may have been taken for it."""
COARSE_SD_MM = 2.0
"""Of a corner that was found in the plane of a card."""
WIDE_MM, NARROW_MM = 4.0, 1.0
"""Reach of the search for edges: about the coarse place, and about a good one."""
MAX_OFF_SDS = 4.0
"""Given corners that lie farther off any face of the plan's size are not its corners."""
LEVEL = {Side.BASE, Side.TOP}
"""Edges that must be seen: both cross the ripples, and tell how they lean."""
MIN_SIDE_PX = 200
"""Shorter faces are below 4 px per mm."""
SIZE_SD = 0.012
"""Of the face's size by a card: the card lies a few mm off the face's plane, and towers shrink."""
MAX_SIZE_SDS = 4.0
CLEARER = 0.1
"""By so much one card's face must be seen more clearly than that of another thing of its size."""
CROOKED_MM = 0.6
"""How far an upright edge's points may lie off the face, in the median and in their scatter: beyond
it a ripple, or a shadow, was taken for the edge."""
ENOUGH_POINTS = 10
"""Of an edge, to say so."""
ALIKE = 0.06
"""Sides of card and face that differ by less, relative, let one pass for the other."""
MOST_CARDS = 4
"""Things that are tried for the card; the face itself is often one."""


def locate_flush(photo: Photo, plan: Plan, axis: Axis, flush: Flush) -> FaceView:
    """Find the face by a reference in its own plane.

    Raises
    ------
    SheetError
        If there is no such card, or more than one.
    FaceError
        If the face is not found, or the corners cannot be a face's.
    PlanError
        If the face is not of the plan's size, by the card.
    """
    corners, expected = Corners.of(plan, axis), Expected.of(photo)
    size = plan.size.width_mm, plan.height_mm
    card = None
    if flush.corners_px is not None:
        seen = _in_order(photo, plan, flush.corners_px)
        plane = fit_plane(plan, corners, expected, seen, GIVEN_SD_MM, [])
        if plane.off_sds > MAX_OFF_SDS or plane.camera.tilt_deg > MAX_TILT_DEG:
            raise FaceError(
                f"{photo.source}: the four corners are not those of a face of {size[0]:g} × "
                f"{size[1]:g} mm; give them as base at the entry edge, base at the far edge, top "
                "there, top at the entry edge, with the plan of this tower"
            )
        edges = find_edges(photo, plane, corners, NARROW_MM)
        plane = fit_plane(plan, corners, expected, seen, GIVEN_SD_MM, edges)
        # an edge that is not seen lies where the corners say
        return replace(_view(plan, corners, plane, card), flags=())
    assert flush.base is not None  # the reference saw to it
    if flush.rectangle_mm is None:
        seen, sd_mm, reach = _alone(photo, size, flush.base), FOUND_SD_MM, NARROW_MM
    else:
        card, seen = _card_and_face(
            photo, expected, flush.rectangle_mm, size, flush.base, flush.card_side
        )
        sd_mm, reach = COARSE_SD_MM, WIDE_MM
    plane = fit_plane(plan, corners, expected, seen, sd_mm, [], card)
    for within in (reach, NARROW_MM):
        edges = find_edges(photo, plane, corners, within)
        plane = fit_plane(plan, corners, expected, seen, sd_mm, edges, card)
    _check_edges(photo, plane, edges, corners)
    view = _view(plan, corners, plane, card)
    _check_size(photo, plan, view)
    return view


def _in_order(photo: Photo, plan: Plan, corners: NDArray[np.float64]) -> NDArray[np.float64]:
    """Given corners from the left of the base on, if they go around the face as the plan says."""
    size = np.array([photo.width_px, photo.height_px])
    outside = ((corners < -0.5) | (corners > size - 0.5)).any(axis=1)
    if outside.any():
        x, y = corners[np.argmax(outside)]
        raise FaceError(
            f"{photo.source}: the corner {x:g},{y:g} lies outside the picture, which is "
            f"{photo.width_px} × {photo.height_px} px as it is displayed"
        )
    sides = np.roll(corners, -1, axis=0) - corners
    if np.linalg.norm(sides, axis=1).min() < MIN_SIDE_PX:
        raise FaceError(
            f"{photo.source}: two of the corners are closer than {MIN_SIDE_PX} px; give the "
            "position of each, in pixels of the picture at its full size"
        )
    onward = np.roll(sides, -1, axis=0)
    turns = np.sign(sides[:, 0] * onward[:, 1] - sides[:, 1] * onward[:, 0])
    if abs(turns.sum()) < 4:
        raise FaceError(
            f"{photo.source}: the lines from corner to corner cross or bend inward; give them "
            "around the face: base at the entry edge, base at the far edge, top there, top at the "
            "entry edge"
        )
    entry_left = plan.motion.entry_left
    # y points down: from the left of the base to its right and up is a turn to the left
    if (turns[0] < 0) != entry_left:
        raise FaceError(
            f"{photo.source}: the corners go around the wrong way, or the picture is mirrored: by "
            f"the plan the entry edge is the {'left' if entry_left else 'right'} one, seen with "
            "the base down"
        )
    return corners if entry_left else corners[[1, 0, 3, 2]]


def _card_and_face(
    photo: Photo,
    expected: Expected,
    card_mm: tuple[float, float],
    size_mm: tuple[float, float],
    base: PictureSide,
    side: PictureSide | None,
) -> tuple[Card, NDArray[np.float64]]:
    """The rectangle of the card's size that has a face of the plan's size beside it."""
    lengths = zip(sorted(card_mm), sorted(size_mm), strict=True)
    if side is None and all(abs(a / b - 1) < ALIKE for a, b in lengths):
        raise FaceError(
            f"{photo.source}: a rectangle of {card_mm[0]:g} × {card_mm[1]:g} mm and a face of "
            f"{size_mm[0]:g} × {size_mm[1]:g} mm cannot be told apart; say on which side of the "
            "face the card lies, or give the face's corners"
        )
    found = find_rectangles(photo, card_mm)[:MOST_CARDS]
    name = f"rectangle of {card_mm[0]:g} × {card_mm[1]:g} mm"
    if not found:
        raise SheetError(
            f"{photo.source}: no {name} is seen; hold it beside the face, level with it and all in "
            "view, on a background of another brightness, or give the face's corners"
        )
    pairs: list[tuple[float, Card, NDArray[np.float64]]] = []
    refusal: RingscanError | None = None
    for corners in found:
        card = Card(corners_px=corners, size_mm=card_mm)
        camera = see_rectangle(expected, corners, card_mm).camera
        try:
            clear, face = find_face_beside(photo, camera, corners, card_mm, size_mm, base)
        except FaceError as exc:
            refusal = refusal or exc
            continue
        if side is None or _lies(corners, face, side):
            pairs.append((clear, card, face))
        else:
            refusal = SheetError(
                f"{photo.source}: no {name} is seen on the face's {side} side; say on which side "
                "of the face it lies in the picture as it is displayed"
            )
    if not pairs and refusal is not None:
        raise refusal
    pairs.sort(key=lambda pair: -pair[0])
    if len(pairs) > 1 and pairs[0][0] - pairs[1][0] < CLEARER:
        raise SheetError(
            f"{photo.source}: {len(pairs)} things could be the {name}; leave one in view, say on "
            "which side of the face it lies, or give the face's corners"
        )
    return pairs[0][1:]


def _lies(card_px: NDArray[np.float64], face_px: NDArray[np.float64], side: PictureSide) -> bool:
    """Whether the card lies on that side of the face, to an eighth of a turn."""
    way = card_px.mean(axis=0) - face_px.mean(axis=0)
    return bool(-way @ side.away_px > math.sqrt(0.5) * np.linalg.norm(way))


def _alone(photo: Photo, size_mm: tuple[float, float], base: PictureSide) -> NDArray[np.float64]:
    """The face as a rectangle of its size with the base where it is said to lie."""
    found = []
    for corners in find_rectangles(photo, size_mm):
        for turn in range(4):
            # clockwise from the left top
            way = np.roll(corners, -turn, axis=0)
            up = (way[0] + way[1] - way[2] - way[3]) / 2
            as_wide = turn % 2 == 0
            if as_wide and up @ base.away_px > math.sqrt(0.5) * np.linalg.norm(up):
                found.append(way[[3, 2, 1, 0]])
    name = f"face of {size_mm[0]:g} × {size_mm[1]:g} mm with its base {base}"
    if not found:
        raise FaceError(
            f"{photo.source}: no {name} stands out of the picture; give its four corners, or hold "
            "a card beside it"
        )
    if len(found) > 1:
        raise FaceError(
            f"{photo.source}: {len(found)} things could be the {name}; give its four corners"
        )
    return found[0]


def _view(plan: Plan, corners: Corners, plane: Plane, card: Card | None) -> FaceView:
    """What was found; its size is known only by a card."""
    size = (math.nan, math.nan)
    if card is not None:
        size = plane.box.width_mm * plane.scale, plane.box.height_mm * plane.scale
    return FaceView.of(plan, corners, plane, measured_mm=size, doubt=SIZE_SD, by=" by the card")


def _check_edges(photo: Photo, plane: Plane, edges: list[EdgePoints], corners: Corners) -> None:
    """Refuse a face whose edges were not seen, or were taken for something else."""
    doubtful = LEVEL - {edge.side for edge in plane.edges}
    for side in {edge.side for edge in edges if edge.side.upright}:
        # the wall is lighter than what is beside it in one part, and darker in another: the longer
        edge = max((e for e in edges if e.side is side), key=lambda e: len(e.points_px))
        if len(edge.points_px) >= ENOUGH_POINTS:
            points = OutlinePoints.of([edge])
            places = points.places(plane.camera, plane.box, plane.rounding, corners)
            beyond = points.beyond_mm(places, plane.box)
            # a round that faces the lamp is bright up to the outline, one in the shade is not
            off = beyond - np.clip(beyond, -points.inward_mm(places), 0.0)
            middle = float(np.median(off))
            if max(abs(middle), 1.4826 * float(np.median(np.abs(off - middle)))) > CROOKED_MM:
                doubtful.add(side)
    if doubtful:
        sides = " and ".join(side for side in Side if side in doubtful)
        raise FaceError(
            f"{photo.source}: the face's {sides} edge does not stand out from what is beside it; "
            "give the face's corners"
        )


def _check_size(photo: Photo, plan: Plan, view: FaceView) -> None:
    for got, want in zip(view.sheet_size_mm, (plan.size.width_mm, plan.height_mm), strict=True):
        if abs(got / want - 1) > MAX_SIZE_SDS * SIZE_SD:
            seen = " × ".join(f"{mm:.1f}" for mm in view.sheet_size_mm)
            raise PlanError(
                f"{photo.source}: the tower's face measures {seen} mm (width × height) by the "
                f"card, but plan '{plan.tower}' says {plan.size.width_mm:g} × "
                f"{plan.height_mm:g} mm; hold the card level with the face, and use the plan this "
                "tower was printed with"
            )
