"""The comb and the tower it tells of, on drawings of the sheet's own plane.

A pixel is a quarter of a mm of the sheet, and what a tower hides is worked out here by the rays
past its corners: no camera, no lens, no shading.
"""

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
import pytest
from tower_scene import make_plan

from ringscan.errors import FaceError
from ringscan.image.box import Box, Side
from ringscan.image.camera import Camera
from ringscan.image.comb import comb_depth, comb_ends, find_tower, ink, seen_map
from ringscan.image.photo import Photo
from ringscan.image.pose import Expected, Pose
from ringscan.image.reference import SheetView
from ringscan.layout import COMB_BOX, TOWER_CENTRE, comb_bars, ring_corners, tower_outline

PX_PER_MM = 4
CODES = np.linspace(0, 1, 2**16).astype(np.float32)
WIDTH_MM, HEIGHT_MM = 192, 252  # of the ring, docs/scan-sheet.md
PLAN = make_plan(width_mm="50.0", layer_height_mm="0.16")  # 50 × 80.14 mm
OUTLINE = tower_outline(PLAN)
EYE_MM = (101.0, 138.0, -290.0)


def drawing(black: float = 0.1, white: float = 0.8) -> np.ndarray:
    """Linear light of the plane, with nothing but the comb, (y, x)."""
    light = np.full((HEIGHT_MM * PX_PER_MM, WIDTH_MM * PX_PER_MM), white, np.float32)
    for bar in comb_bars(OUTLINE):
        x0, y0, x1, y1 = (round(PX_PER_MM * mm) for mm in bar)
        light[y0:y1, x0:x1] = black
    return light


def seen(light: np.ndarray, *, cut_px: int = 0, scale: float = 1.0) -> tuple[Any, Any, Any]:
    """Photo, sheet and pose of it; cut off at the left, and of a sheet that was printed larger."""
    light = light[:, cut_px:]
    photo = Photo(
        source="a.png",
        sha256="",
        luma=np.rint(light * 65535).astype(np.uint16),
        half_rgb=None,
        focal_px=None,
        curve=CODES,
    )
    k = PX_PER_MM
    # the middle of pixel (0, 0) is half a pixel from the corner of the sheet
    to_px = np.array([[k, 0, -0.5 - cut_px], [0, k, -0.5], [0, 0, 1.0]])
    corners = np.array(list(ring_corners().values()))
    view = SheetView(corners_px=k * corners - 0.5, corners_mm=corners, homography=to_px)
    camera = Camera(
        focal_px=1000.0,
        centre_px=(0.0, 0.0),
        k1=0.0,
        rotation=np.zeros(3),
        translation_mm=-scale * np.array(EYE_MM),
    )
    pose = Pose(
        camera=camera,
        sheet_scale=np.full(2, scale),
        rms_px=0.0,
        focal_sd=0.0,
        expected=Expected(**dict.fromkeys(Expected.__dataclass_fields__, 0.0)),
        used=np.ones(len(corners), bool),
        vector=np.zeros(11),
    )
    return photo, view, pose


def hide(light: np.ndarray, box: Box, grey: float = 0.3) -> np.ndarray:
    """The drawing with a tower on it, seen from `EYE_MM`."""
    eye = np.array(EYE_MM)
    turn = np.radians(box.yaw_deg)
    right, up = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
    points = []
    for u in (-box.width_mm / 2, box.width_mm / 2):
        for v in (-box.height_mm / 2, box.height_mm / 2):
            for z in (0.0, -box.width_mm):
                x, y = np.array([box.x_mm, box.y_mm]) + u * right + v * up
                # the ray from the eye past the corner meets the sheet, z = 0
                reach = eye[2] / (eye[2] - z)
                points.append(eye[:2] + reach * (np.array([x, y]) - eye[:2]))
    hull = cv2.convexHull(np.array(points, np.float32))
    hidden = np.zeros(light.shape, np.uint8)
    corners = np.rint((hull * PX_PER_MM - 0.5) * 256).astype(np.int32)
    cv2.fillConvexPoly(hidden, corners, 1, shift=8)
    return np.where(hidden > 0, np.float32(grey), light)


def lying(**off: float) -> Box:
    """A tower of the plan's size; by default a little off its place."""
    x_mm, y_mm, yaw_deg = off.get("x", 2.0), off.get("y", -1.5), off.get("yaw", 2.0)
    return Box(
        x_mm=TOWER_CENTRE[0] + x_mm,
        y_mm=TOWER_CENTRE[1] + y_mm,
        yaw_deg=yaw_deg,
        width_mm=PLAN.size.width_mm + off.get("wider", 0.0),
        height_mm=PLAN.height_mm + off.get("taller", 0.0),
    )


@pytest.mark.parametrize("side", Side)
def test_the_comb_is_what_the_layout_draws(side: Side) -> None:
    """Black where a bar is, as deep as bars reach, from the first bar's begin to the last one's
    end."""
    left, top, right, bottom = OUTLINE.left, OUTLINE.top, OUTLINE.right, OUTLINE.bottom
    bars = np.array(
        [
            bar
            for bar in comb_bars(OUTLINE)
            if {
                Side.LEFT: bar[2] == left,
                Side.RIGHT: bar[0] == right,
                Side.TOP: bar[3] == top,
                Side.BASE: bar[1] == bottom,
            }[side]
        ]
    )
    along, across = ([1, 3], [0, 2]) if side.upright else ([0, 2], [1, 3])
    first, last, deep = comb_ends(side, OUTLINE)
    assert (first, last) == (bars[:, along[0]].min(), bars[:, along[1]].max())
    assert deep == pytest.approx(np.ptp(bars[:, across], axis=1)[0])
    # at the outline, and where the bars end
    ends = bars[0, across]
    assert sorted(comb_depth(ends, side, OUTLINE)) == pytest.approx([0, deep])
    middles = bars[:, along].mean(axis=1)
    assert ink(middles, side) == pytest.approx(1.0)
    assert ink((middles[1:] + middles[:-1]) / 2, side) == pytest.approx(-1.0)
    assert ink(bars[:, along], side) == pytest.approx(0.0, abs=1e-9)


def test_the_whole_comb_is_seen_and_known_on_an_empty_sheet() -> None:
    photo, view, _ = seen(drawing())
    seen_at, known = seen_map(photo, view, OUTLINE)
    left, top, right, bottom = COMB_BOX
    assert seen_at.shape == known.shape == (bottom - top, right - left)
    x, y = left + 0.5 + np.arange(right - left), top + 0.5 + np.arange(bottom - top)
    x, y = x[None], y[:, None]
    # a window is a whole period along the comb: at its ends it holds too little white
    beside = ((x < OUTLINE.left) | (x > OUTLINE.right)) & (y > top + 4) & (y < bottom - 4)
    first, last, _ = comb_ends(Side.TOP, OUTLINE)
    inner = (x > first + 1.5) & (x < last - 1.5)
    over = inner & ((y < OUTLINE.top) | (y > OUTLINE.bottom))
    assert known[beside | over].all()
    assert seen_at[beside | over].all()
    inside = (x > OUTLINE.left) & (x < OUTLINE.right) & (y > OUTLINE.top) & (y < OUTLINE.bottom)
    assert not known[inside].any()


@pytest.mark.parametrize(("contrast", "is_seen"), [(0.2, False), (0.3, True), (-0.6, False)])
def test_bars_are_seen_by_their_contrast(contrast: float, is_seen: bool) -> None:
    """Michelson's, (white - black) / (white + black): print has over 0.6, a tower under 0.1; bars
    in their stead that are bright are none."""
    photo, view, _ = seen(drawing(black=0.4 * (1 - contrast), white=0.4 * (1 + contrast)))
    seen_at, known = seen_map(photo, view, OUTLINE)
    assert seen_at[known].mean() == pytest.approx(1.0 if is_seen else 0.0, abs=0.02)


def test_what_the_picture_does_not_hold_is_not_known() -> None:
    cut_mm = 70
    photo, view, _ = seen(drawing(), cut_px=PX_PER_MM * cut_mm)
    _, known = seen_map(photo, view, OUTLINE)
    whole = seen_map(*seen(drawing())[:2], OUTLINE)[1]
    out = round(cut_mm - COMB_BOX[0])
    assert not known[:, :out].any()
    assert (known[:, out + 1 :] == whole[:, out + 1 :]).all()


@pytest.mark.parametrize(
    "box",
    [
        lying(),
        lying(x=-8.0, y=8.0, yaw=-10.0),
        lying(x=9.0, y=9.0, yaw=11.0),
        lying(wider=8.0),
        lying(taller=12.0),
    ],
    ids=["near", "off one way", "off the other", "wider", "taller"],
)
def test_a_tower_is_found_to_about_half_a_millimetre(box: Box) -> None:
    """In steps of 0.4 mm and degrees, on a map of 1 px per mm."""
    found = find_tower(*seen(hide(drawing(), box)), PLAN)
    assert (found.x_mm, found.y_mm) == pytest.approx((box.x_mm, box.y_mm), abs=1.0)
    assert found.yaw_deg == pytest.approx(box.yaw_deg, abs=1.2)
    # the comb is seen in windows of 2 mm, and so a mm beyond each edge
    sizes = (box.width_mm, box.height_mm)
    assert (found.width_mm, found.height_mm) == pytest.approx(sizes, abs=2.0)


def test_a_size_that_is_the_plans_but_for_a_little_is_the_plans() -> None:
    """What the comb tells is not that fine."""
    found = find_tower(*seen(hide(drawing(), lying(wider=0.5, taller=0.5))), PLAN)
    assert (found.width_mm, found.height_mm) == (PLAN.size.width_mm, PLAN.height_mm)


def test_a_sheet_that_was_printed_larger_tells_true_millimetres() -> None:
    box, scale = lying(), 1.02
    small = replace(box, width_mm=box.width_mm / scale, height_mm=box.height_mm / scale)
    found = find_tower(*seen(hide(drawing(), small), scale=scale), PLAN)
    assert (found.x_mm, found.y_mm) == pytest.approx((scale * box.x_mm, scale * box.y_mm), abs=1.0)
    assert (found.width_mm, found.height_mm) == pytest.approx((box.width_mm, box.height_mm))


def test_a_sheet_that_was_stretched_one_way_tells_places_by_that() -> None:
    box = lying()
    photo, view, pose = seen(hide(drawing(), box))
    found = find_tower(photo, view, replace(pose, sheet_scale=np.array([1.02, 0.98])), PLAN)
    assert (found.x_mm, found.y_mm) == pytest.approx((1.02 * box.x_mm, 0.98 * box.y_mm), abs=1.0)


def test_an_empty_sheet_has_no_tower() -> None:
    with pytest.raises(FaceError, match=r"^a\.png: no tower is found on the scan sheet; "):
        find_tower(*seen(drawing()), PLAN)


def test_a_sheet_of_which_nothing_is_seen_is_not_said_to_be_empty() -> None:
    """However large a tower is looked for, beside it the comb should be seen."""
    with pytest.raises(
        FaceError, match=r"^a\.png: something hides the scan sheet around the tower"
    ):
        find_tower(*seen(np.full_like(drawing(), 0.3)), PLAN)


@pytest.mark.parametrize("known", [0.25, 0.35])
def test_three_tenths_of_the_sheets_middle_must_be_in_the_picture(known: float) -> None:
    """Which is 162 mm tall; what lies in the outline tells nothing at all."""
    box = lying()
    whole = seen_map(*seen(drawing())[:2], OUTLINE)[1]
    by_column = whole.sum(axis=0)[::-1].cumsum() / whole.size
    columns = int(np.searchsorted(by_column, known))
    cut_px = round(PX_PER_MM * (COMB_BOX[2] - columns))
    given = seen(hide(drawing(), box), cut_px=cut_px)
    if known < 0.3:
        with pytest.raises(FaceError, match="the middle of the scan sheet is outside the picture"):
            find_tower(*given, PLAN)
        return
    find_tower(*given, PLAN)
