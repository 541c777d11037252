"""The face on its grid, under a camera that looks straight down: a pixel is then 1/8 mm everywhere.

Pictures are linear light in 16 bits, so that neither coding nor rounding counts.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from ringscan.errors import FaceError
from ringscan.image.box import Box, Side
from ringscan.image.camera import Camera
from ringscan.image.corners import Corners
from ringscan.image.faceview import FaceView
from ringscan.image.photo import Photo
from ringscan.image.rectify import rectify_face

WIDTH_MM, HEIGHT_MM = 40.0, 50.0
MIDDLE_MM = (96.0, 144.0)
PX_PER_MM = 8.0
EYE_ABOVE_FACE_MM = 300.0
LEFT_PX, TOP_PX = 24, 30  # between the picture's edges and the face's
CODES = np.linspace(0, 1, 2**16).astype(np.float32)


def view(entry: Side = Side.LEFT, *, eye_right_mm: float = 0.0, drop_mm: float = 0.0) -> FaceView:
    """Of a face `LEFT_PX` and `TOP_PX` from the edges of the picture."""
    eye = np.array([MIDDLE_MM[0] + eye_right_mm, MIDDLE_MM[1], -(EYE_ABOVE_FACE_MM + WIDTH_MM)])
    camera = Camera(
        focal_px=PX_PER_MM * EYE_ABOVE_FACE_MM,
        centre_px=(
            # pixel centres are at whole numbers
            LEFT_PX - 0.5 + PX_PER_MM * (WIDTH_MM / 2 + eye_right_mm),
            TOP_PX - 0.5 + PX_PER_MM * HEIGHT_MM / 2,
        ),
        k1=0.0,
        rotation=np.zeros(3),
        translation_mm=-eye,
    )
    box = Box(
        x_mm=MIDDLE_MM[0],
        y_mm=MIDDLE_MM[1],
        yaw_deg=0.0,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
    )
    corners = Corners(
        top_mm=np.array([HEIGHT_MM / 2, HEIGHT_MM]),
        drop_mm=np.array([drop_mm, 0.0]),
        known=np.ones(2, bool),
        height_mm=HEIGHT_MM,
    )
    px = camera.project(box.face_corners)
    return FaceView(
        camera=camera,
        box=box,
        entry=entry,
        width_mm=WIDTH_MM,
        height_mm=HEIGHT_MM,
        corners_px=px if entry is Side.LEFT else px[[1, 0, 3, 2]],
        px_per_mm=PX_PER_MM,
        sheet_size_mm=(WIDTH_MM, HEIGHT_MM),
        rms_mm=0.0,
        corners=corners,
        rounding=1.0,
        edge_points=(),
        flags=(),
    )


def photo(light: Callable[[np.ndarray, np.ndarray], Any], *, cut_px: int = 0) -> Photo:
    """Of light by mm from the face's left edge and from its base up; cut off at the right."""
    columns, rows = round(PX_PER_MM * WIDTH_MM), round(PX_PER_MM * HEIGHT_MM)
    columns, rows = columns + 2 * LEFT_PX, rows + 2 * TOP_PX
    right = (np.arange(columns - cut_px) - LEFT_PX + 0.5) / PX_PER_MM
    up = HEIGHT_MM - (np.arange(rows) - TOP_PX + 0.5) / PX_PER_MM
    values = np.broadcast_to(light(right[None], up[:, None]), (rows, columns - cut_px))
    codes = np.rint(values * 65535).astype(np.uint16)
    return Photo(source="a.png", sha256="", luma=codes, half_rgb=None, focal_px=None, curve=CODES)


@pytest.mark.parametrize("entry", [Side.LEFT, Side.RIGHT])
@pytest.mark.parametrize("step_mm", [0.1, 0.16, 0.4])
def test_every_place_has_the_light_that_was_there(entry: Side, step_mm: float) -> None:
    """Light that rises evenly, which interpolation and the mean over a column leave as it is."""
    rises = photo(lambda right, up: 0.2 + 0.006 * right + 0.004 * up)
    face = rectify_face(rises, view(entry), step_mm=step_mm)
    assert face.s_mm == pytest.approx(step_mm * (np.arange(round(WIDTH_MM / step_mm)) + 0.5))
    # a row for each of the picture's
    assert face.z_mm == pytest.approx((np.arange(PX_PER_MM * HEIGHT_MM) + 0.5) / PX_PER_MM)
    right = face.s_mm if entry is Side.LEFT else WIDTH_MM - face.s_mm
    true = 0.2 + 0.006 * right[None] + 0.004 * face.z_mm[:, None]
    # remap knows places to 1/32 px, which is 0.004 mm; codes are 1.5e-5 apart
    assert np.abs(face.intensity - true).max() < 0.005 * (0.006 + 0.004)
    assert face.usable.all()
    assert (face.clipped_fraction, face.dark_fraction) == (0, 0)
    assert face.px_per_mm == PX_PER_MM


def test_what_is_finer_than_a_column_is_averaged() -> None:
    """Four pixels are a column, and a wave; one sample of it would be off by up to 0.3."""
    waves = photo(lambda right, up: 0.4 + 0.3 * np.cos(2 * np.pi * right / 0.5) + 0 * up)
    face = rectify_face(waves, view(), step_mm=0.5)
    assert np.abs(face.intensity - 0.4).max() < 0.001


def test_samples_are_at_most_a_pixel_apart() -> None:
    """A column of 1.92 px has two. In a wave of 2.2 px they are 0.96 / 2.2 of it apart, so that
    their mean is cos(0.96 pi / 2.2) = 0.2 of it; a single one would be off by up to all of it."""
    waves = photo(lambda right, up: 0.4 + 0.3 * np.cos(2 * np.pi * right / 0.275) + 0 * up)
    face = rectify_face(waves, view(), step_mm=0.24)
    # so near to the shortest wave that pixels hold the interpolation may add a fourth
    assert np.abs(face.intensity - 0.4).max() < 1.25 * 0.2 * 0.3


def test_waves_of_a_few_pixels_keep_their_size() -> None:
    """Of 8 px, along the layers. Half way between pixels linear interpolation would leave
    cos(pi / 8) of it, which is 7.6 % less; OpenCV's cubic kernel (Keys, a = -0.75, from memory)
    leaves 1.1875 cos(pi / 8) - 0.1875 cos(3 pi / 8), which is 2.5 % more."""
    waves = photo(lambda right, up: 0.4 + 0.3 * np.cos(2 * np.pi * right) + 0 * up)
    face = rectify_face(waves, view(), step_mm=0.1)
    true = 0.4 + 0.3 * np.cos(2 * np.pi * face.s_mm)
    assert np.abs(face.intensity.mean(axis=0) - true).max() < 0.035 * 0.3


@pytest.mark.parametrize(("light", "which"), [(1.0, "clipped"), (0.0, "dark")])
def test_what_holds_no_signal_is_counted_and_not_usable(light: float, which: str) -> None:
    """A patch from 10 to 14 mm along and 20 to 30 mm up is 2 % of the face."""
    patched = photo(
        lambda right, up: np.where((right > 10) & (right < 14) & (up > 20) & (up < 30), light, 0.3)
    )
    face = rectify_face(patched, view())
    found = {"clipped": face.clipped_fraction, "dark": face.dark_fraction}
    assert found.pop(which) == pytest.approx(0.02, rel=0.01)
    assert list(found.values()) == [0]
    s, z = face.s_mm[None], face.z_mm[:, None]
    patch = (s > 10) & (s < 14) & (z > 20) & (z < 30)
    # a column may reach a pixel of the patch beside it
    near = (s > 9.9) & (s < 14.1) & (z > 20) & (z < 30)
    assert not face.usable[patch].any()
    assert face.usable[~near].all()


def test_a_column_with_one_bad_pixel_in_it_is_not_usable() -> None:
    lined = photo(lambda right, up: np.where((right > 20) & (right < 20.125), 1.0, 0.3) + 0 * up)
    face = rectify_face(lined, view(), step_mm=1.0)
    assert np.flatnonzero(~face.usable.all(axis=0)).tolist() == [20]
    assert not face.usable[:, 20].any()
    assert face.clipped_fraction == pytest.approx(0.125 / WIDTH_MM)


@pytest.mark.parametrize("percent", [9, 11])
def test_a_tenth_of_the_face_may_lie_outside_the_picture(percent: int) -> None:
    missing_mm = percent / 100 * WIDTH_MM
    cut = photo(
        lambda right, up: 0.3 + 0 * right * up, cut_px=LEFT_PX + round(PX_PER_MM * missing_mm)
    )
    if percent > 10:
        with pytest.raises(FaceError, match=r"^a\.png: 1[12] % of the tower's face is outside"):
            rectify_face(cut, view())
        return
    face = rectify_face(cut, view())
    seen = face.s_mm < WIDTH_MM - missing_mm
    # the interpolation's support, two pixels or three
    edge = np.abs(face.s_mm - WIDTH_MM + missing_mm) < 0.4
    assert face.usable[:, seen & ~edge].all()
    assert not face.usable[:, ~seen & ~edge].any()
    assert np.isnan(face.intensity[:, ~seen & ~edge]).all()
    assert np.isfinite(face.intensity[face.usable]).all()


@pytest.mark.parametrize("entry", [Side.LEFT, Side.RIGHT])
def test_the_sheet_beside_round_corners_is_not_usable(entry: Side) -> None:
    """Corners round by 10 mm in the lower half. The eye is 8 mm right of the middle, so the ray
    past the left edge runs 28 mm out in 300 mm, and the one past the right edge 12 mm."""
    grey = photo(lambda right, up: 0.3 + 0 * right * up)
    face = rectify_face(grey, view(entry, eye_right_mm=8.0, drop_mm=10.0))
    left, right = 10 * 28 / 300, 10 * 12 / 300
    at_entry, at_far = (left, right) if entry is Side.LEFT else (right, left)
    on_tower = (face.s_mm > at_entry) & (face.s_mm < WIDTH_MM - at_far)
    lower = face.z_mm < HEIGHT_MM / 2
    assert (face.usable[lower] == on_tower).all()
    assert face.usable[~lower].all()


@pytest.mark.parametrize("entry", [Side.LEFT, Side.RIGHT])
def test_the_fall_off_is_that_of_the_middle(entry: Side) -> None:
    """Light that grows by 1 % per mm to the right and 0.5 % up, but for a bright rim of 3 mm."""

    def light(right: np.ndarray, up: np.ndarray) -> np.ndarray:
        rim = (right < 3) | (right > WIDTH_MM - 3) | (up < 3)
        return np.where(rim, 0.9, 0.2 * np.exp(0.01 * right + 0.005 * up))

    face = rectify_face(photo(light), view(entry))
    along_s, along_z = face.falloff_per_mm
    # means of columns that hold the rim's rows, too: what those add is even along s
    inner = (np.exp(0.005 * 50) - np.exp(0.005 * 3)) / 0.005
    of_s = 0.2 * inner * np.exp(0.01 * np.array([4.0, 36.0]))
    assert along_s * (1 if entry is Side.LEFT else -1) == pytest.approx(
        np.diff(np.log(of_s + 3 * 0.9))[0] / 32, rel=0.02
    )
    across = 0.2 * (np.exp(0.01 * 37) - np.exp(0.01 * 3)) / 0.01
    of_z = across * np.exp(0.005 * np.array([5.0, 45.0]))
    assert along_z == pytest.approx(np.diff(np.log(of_z + 6 * 0.9))[0] / 40, rel=0.02)


def test_the_fall_off_of_a_face_that_is_partly_outside_is_that_of_what_is_seen() -> None:
    """Turned by 5°, a face of 50 mm leans over by 4.4 mm: a cut along its right edge takes
    something of half its rows, of each another share. Light grows by 2 % per mm up the face."""
    turn = np.radians(5.0)

    def light(right: np.ndarray, up: np.ndarray) -> np.ndarray:
        along = (right - WIDTH_MM / 2) * np.sin(turn) + (up - HEIGHT_MM / 2) * np.cos(turn)
        return 0.3 * np.exp(0.02 * along)

    straight = view()
    turned = replace(straight, box=replace(straight.box, yaw_deg=5.0))
    turned = replace(turned, corners_px=turned.camera.project(turned.box.face_corners))
    face = rectify_face(photo(light, cut_px=LEFT_PX), turned)
    lacking = np.isnan(face.intensity).any(axis=1)
    assert 0.3 < lacking.mean() < 0.7
    assert face.falloff_per_mm[1] == pytest.approx(0.02, rel=0.02)


@pytest.mark.parametrize("step_mm", [0.0199, 1.01, float("nan")])
def test_steps_that_no_face_is_sampled_in_are_refused(step_mm: float) -> None:
    with pytest.raises(ValueError, match=r"must be 0\.02 to 1"):
        rectify_face(photo(lambda right, up: 0.3 + 0 * right * up), view(), step_mm=step_mm)
