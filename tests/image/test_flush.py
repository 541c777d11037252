"""The face without a sheet, on pictures whose geometry is known: see flush_scene.py."""

import re
from dataclasses import replace

import numpy as np
import pytest
from flush_scene import ID1_MM, FlushScene
from tower_scene import make_plan

from ringscan.errors import FaceError, RingscanError, SheetError
from ringscan.image.beside import PictureSide
from ringscan.image.flush import locate_flush
from ringscan.image.inplane import CARD_MM, Flush, Kind
from ringscan.image.photo import Photo
from ringscan.image.plane import see_rectangle
from ringscan.image.pose import Expected
from ringscan.image.quads import find_rectangles

SQUARE_PX = [[10, 900], [800, 900], [800, 10], [10, 10]]
SCENE = FlushScene(
    card_mm=ID1_MM,
    width_px=2400,
    height_px=1800,
    focal_px=1740.0,
    eye_mm=(130.0, 150.0, 370.0),
    aim_mm=(130.0, 140.0),
    albedo=0.7,
    card_light=0.12,
)


def photo_of(scene: FlushScene) -> Photo:
    rgb = scene.render()
    return Photo(
        source="a.jpg",
        sha256="0",
        luma=rgb[..., 0].copy(),
        half_rgb=rgb[::2, ::2],
        focal_px=scene.focal_px,
    )


@pytest.fixture(scope="module")
def photo() -> Photo:
    return photo_of(SCENE)


def off_mm(view, true_px):
    return np.linalg.norm(view.corners_px - true_px, axis=1) / view.px_per_mm


def test_corners_may_be_typed_as_whole_numbers() -> None:
    typed = Flush(corners_px=SQUARE_PX)  # type: ignore[arg-type]
    assert typed.corners_px is not None
    assert typed.corners_px.dtype == np.float64
    with pytest.raises(ValueError, match=r"must be \(4, 2\)"):
        Flush(corners_px=np.zeros((3, 2), int))


def test_the_card_is_that_of_the_standard():
    # ISO/IEC 7810 ID-1
    assert CARD_MM == (85.60, 53.98)


def test_given_corners_are_refined(photo):
    # 3 px are half a mm here: twice as much as someone who points does at 12 px per mm
    rng = np.random.default_rng(1)
    given = SCENE.corners_px + rng.normal(0, 2, (4, 2))
    view = locate_flush(photo, SCENE.plan, "x", Flush(corners_px=given))
    # the scene's corners are round by 0.4 mm, which the steps of brightness see
    assert off_mm(view, SCENE.corners_px).max() < 0.5
    assert off_mm(view, SCENE.corners_px).mean() < 0.35
    assert np.isnan(view.sheet_size_mm).all()


def test_clockwise_towers_have_their_entry_edge_on_the_right(photo):
    plan = make_plan(direction='"clockwise"')
    given = SCENE.corners_px[[1, 0, 3, 2]]
    view = locate_flush(photo, plan, "x", Flush(corners_px=given))
    assert off_mm(view, given).max() < 0.5


def test_a_card_is_found_to_a_pixel(photo):
    (found,) = find_rectangles(photo, ID1_MM)
    true = SCENE.card_corners_px()
    nearest = [np.linalg.norm(true - corner, axis=1).min() for corner in found]
    # corners are where the straight sides meet, however round the card's own are
    assert max(nearest) < 1.0


def test_the_camera_over_a_rectangle():
    # by OpenCV's projection, with no distortion: the card's plane is the world's z = 0
    seen = see_rectangle(
        Expected(source="a.jpg", size_px=(2400, 1800), ln_focal=np.log(1740.0), ln_focal_sd=0.05),
        SCENE.card_corners_px()[[3, 2, 1, 0]],
        ID1_MM,
    )
    assert seen.camera.focal_px == pytest.approx(1740.0, rel=0.005)
    # the eye is 310 mm above the card's plane
    assert -seen.camera.position_mm[2] == pytest.approx(370.0 - 60.0, rel=0.005)
    assert seen.strain < 0.1


def test_the_face_beside_a_card(photo):
    view = locate_flush(photo, SCENE.plan, "x", Flush(rectangle_mm=ID1_MM, base=PictureSide.DOWN))
    assert off_mm(view, SCENE.corners_px).max() < 0.8
    # the card alone measures the face to a hundredth
    assert view.sheet_size_mm[0] == pytest.approx(60.0, rel=0.01)
    assert view.sheet_size_mm[1] == pytest.approx(SCENE.plan.height_mm, rel=0.01)


def test_a_turned_picture_needs_the_base_it_shows(photo):
    turned = replace(
        photo,
        luma=np.ascontiguousarray(np.rot90(photo.luma)),
        half_rgb=np.ascontiguousarray(np.rot90(photo.half_rgb)),
    )
    # turned left by a quarter: what was down is at the right
    view = locate_flush(turned, SCENE.plan, "x", Flush(rectangle_mm=ID1_MM, base=PictureSide.RIGHT))
    true = np.stack([SCENE.corners_px[:, 1], 2399 - SCENE.corners_px[:, 0]], axis=1)
    assert off_mm(view, true).max() < 0.8
    with pytest.raises(FaceError, match=r"no face of|more than one thing"):
        locate_flush(turned, SCENE.plan, "x", Flush(rectangle_mm=ID1_MM, base=PictureSide.DOWN))


def test_the_face_alone(photo):
    view = locate_flush(photo, SCENE.plan, "x", Flush(base=PictureSide.DOWN))
    assert off_mm(view, SCENE.corners_px).max() < 0.8


LIKE_MM = (98.0, 61.0)
"""The scene's face is 60 × 100.1 mm."""


def test_a_rectangle_like_the_face_needs_its_side():
    """Either could be taken for the other."""
    scene = replace(SCENE, card_mm=LIKE_MM, card_at_mm=(130.0, 45.0))
    photo = photo_of(scene)
    flush = Flush(rectangle_mm=LIKE_MM, base=PictureSide.DOWN)
    with pytest.raises(FaceError, match="cannot be told apart; say on which side of the face"):
        locate_flush(photo, scene.plan, "x", flush)
    view = locate_flush(photo, scene.plan, "x", replace(flush, card_side=PictureSide.RIGHT))
    assert off_mm(view, scene.corners_px).max() < 1
    with pytest.raises(RingscanError, match="on the face's left side"):
        locate_flush(photo, scene.plan, "x", replace(flush, card_side=PictureSide.LEFT))


def test_no_card(photo):
    flush = Flush(rectangle_mm=(150.0, 30.0), base=PictureSide.DOWN)
    with pytest.raises(SheetError, match=r"no rectangle of 150 × 30 mm is seen"):
        locate_flush(photo, SCENE.plan, "x", flush)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda c: c[[0, 2, 1, 3]], "cross or bend inward"),
        (lambda c: c[[1, 0, 3, 2]], "go around the wrong way, or the picture is mirrored"),
        (lambda c: c[[1, 2, 3, 0]], "are not those of a face of 60 × 100.1 mm"),
        (lambda c: c + np.array([2000, 0]), "lies outside the picture"),
        (lambda c: c[[0, 0, 2, 3]], "closer than 200 px"),
    ],
)
def test_corners_that_cannot_be(photo, change, says):
    with pytest.raises(FaceError, match=says):
        locate_flush(photo, SCENE.plan, "x", Flush(corners_px=change(SCENE.corners_px)))


def test_a_card_side_without_a_card_is_refused():
    with pytest.raises(ValueError, match="card_side goes with rectangle_mm"):
        Flush(base=PictureSide.UP, card_side=PictureSide.LEFT)


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"base": "north"}, "base must be down, left, up, right, not 'north'"),
        (
            {"base": "up", "rectangle_mm": ID1_MM, "card_side": 3},
            "card_side must be down, left, up, right, not 3",
        ),
        ({"base": "up", "rectangle_mm": (85.6,)}, "rectangle_mm must be two lengths, not (85.6,)"),
        (
            {"base": "up", "rectangle_mm": (1, 2, 3)},
            "rectangle_mm must be two lengths, not (1, 2, 3)",
        ),
        ({"base": "up", "rectangle_mm": "card"}, "rectangle_mm must be two lengths, not 'card'"),
        ({"base": "up", "rectangle_mm": 85.6}, "rectangle_mm must be two lengths, not 85.6"),
        ({"base": "up", "rectangle_mm": (-85, 54)}, "-85 × 54 mm: its sides must be 20 to 300 mm"),
        ({"base": "up", "rectangle_mm": (85, np.nan)}, "85 × nan mm: its sides must be 20 to 300"),
        ({"base": "up", "rectangle_mm": (85, 19.9)}, "85 × 19.9 mm: its sides must be 20 to 300"),
        ({"base": "up", "rectangle_mm": (301, 54)}, "301 × 54 mm: its sides must be 20 to 300 mm"),
        ({"corners_px": np.full((4, 2), np.nan)}, "corners_px must be finite, not [[nan, nan], "),
        ({"corners_px": "here"}, "corners_px must be four pairs of numbers"),
        ({"corners_px": [[1, 2], [3]]}, "corners_px must be four pairs of numbers"),
        ({"corners_px": SQUARE_PX, "base": "up"}, "corners_px go without rectangle_mm and base"),
        (
            {"corners_px": SQUARE_PX, "rectangle_mm": ID1_MM},
            "corners_px go without rectangle_mm and base",
        ),
        ({"corners_px": SQUARE_PX, "card_side": "up"}, "card_side goes with rectangle_mm"),
    ],
)
def test_what_can_be_no_reference_is_refused(given, says):
    with pytest.raises((TypeError, ValueError), match=re.escape(says)) as refused:
        Flush(**given)
    assert "\n" not in str(refused.value)


def test_names_and_whole_numbers_are_the_same_reference():
    typed = Flush(rectangle_mm=[100, 70], base="up", card_side="left")  # type: ignore[arg-type]
    assert typed.base is PictureSide.UP
    same = Flush(rectangle_mm=(100.0, 70.0), base=PictureSide.UP, card_side=PictureSide.LEFT)
    assert repr(typed.said) == repr(same.said)


def test_a_reference_without_a_base_is_refused():
    with pytest.raises(ValueError, match="base must be given"):
        Flush(rectangle_mm=ID1_MM)
    assert Flush(base=PictureSide.UP).kind is Kind.FACE
