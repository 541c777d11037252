"""Towers that are not found though they lie there: the picture is blamed, not tower or plan."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps
from tower_scene import Scene, photo_of

from ringscan.errors import FaceError, PlanError, RingscanError, SheetError
from ringscan.image.face import FaceView, locate_face
from ringscan.image.photo import Photo, read_photo
from ringscan.image.pose import find_pose
from ringscan.image.reference import find_sheet, read_code
from ringscan.look import look_at
from ringscan.plancode import SheetCode

SAMPLES = Path(__file__).parents[2] / "sample_images"


@cache
def pixels(name: str) -> np.ndarray:
    """A sample image, upright, without what EXIF says of the lens."""
    with Image.open(SAMPLES / name) as image:
        return np.asarray(ImageOps.exif_transpose(image))


@cache
def code(name: str) -> SheetCode:
    photo = read_photo(SAMPLES / name)
    found = read_code(photo, find_sheet(photo))
    assert found is not None
    return found


def locate(name: str, photo: Photo) -> FaceView:
    sheet = find_sheet(photo)
    return locate_face(photo, sheet, find_pose(photo, sheet), code(name).plan, code(name).axis)


@pytest.mark.parametrize(
    "part",
    [np.s_[:2419], np.s_[: 4032 // 2], np.s_[:, : 6 * 302], np.s_[:, 3 * 302 :]],
    ids=["upper 60 %", "upper half", "left 60 %", "right 70 %"],
)
def test_a_sheet_cut_off_by_the_pictures_edge(tmp_path: Path, part: tuple[slice, ...]) -> None:
    photo = photo_of(pixels("heron-1-x.jpg")[part], tmp_path, quality=93)
    with pytest.raises(FaceError, match=r"picture's edge cuts .* whole ring of squares in view"):
        locate("heron-1-x.jpg", photo)


@pytest.mark.parametrize("name", ["wren-2-y.jpg", "plover-1-x.jpg"])
def test_a_picture_cut_by_an_editor(tmp_path: Path, name: str) -> None:
    """A fifth is gone at the right: the sheet is nearly whole, but the lens is no longer amidst."""
    with Image.open(SAMPLES / name) as image:
        left = image.crop((0, 0, round(0.8 * image.width), image.height))
        left.save(tmp_path / name, exif=image.getexif(), quality=93)
    photo = read_photo(tmp_path / name)
    with pytest.raises(PlanError, match=r"seems to be cropped, .* as the phone took it"):
        locate(name, photo)


@pytest.mark.parametrize("blur_px", [0.1, 2.0, 3.0])
def test_a_long_lens_that_exif_does_not_tell(tmp_path: Path, blur_px: float) -> None:
    """52 mm, where phones mostly have 27; the file as it is tells that."""
    name = "wren-5-y.jpg"
    true = locate(name, read_photo(SAMPLES / name))
    photo = photo_of(cv2.GaussianBlur(pixels(name), (0, 0), blur_px), tmp_path, quality=93)
    assert photo.focal_px is None
    found = locate(name, photo)
    # a fifth of a mm, which blur may move edges by
    off_mm = np.abs(found.corners_px - true.corners_px).max() / true.px_per_mm
    assert off_mm < 0.2
    assert found.flags == ()


def test_another_size_may_be_a_matter_of_blur(tmp_path: Path) -> None:
    name = "heron-1-x.jpg"
    photo = photo_of(cv2.GaussianBlur(pixels(name), (0, 0), 3.0), tmp_path, quality=93)
    sheet, plan = find_sheet(photo), code(name).plan
    other = plan.model_copy(update={"size": plan.size.model_copy(update={"layers": 560})})
    with pytest.raises(PlanError, match=r"measures .* mm; the picture is blurred: .* focus"):
        locate_face(photo, sheet, find_pose(photo, sheet), other, "x")


@pytest.mark.parametrize(
    ("spoilt", "says"),
    [
        (lambda picture: picture[3 * 403 :], "edge cuts the code off"),
        (lambda picture: cv2.GaussianBlur(picture, (0, 0), 6.0), "the picture is blurred"),
    ],
)
def test_why_a_code_cannot_be_read(tmp_path: Path, spoilt: Any, says: str) -> None:
    photo_of(spoilt(pixels("heron-1-x.jpg")), tmp_path, quality=93)
    with pytest.raises(SheetError, match=f"give the plan file .* photograph again: .*{says}"):
        look_at(tmp_path / "a.jpg")


@pytest.mark.parametrize("other", ["heron-1-x.jpg", "wren-2-y.jpg"])
def test_two_sheets(tmp_path: Path, other: str) -> None:
    """Beside each other in a picture as no camera makes it, which seems to be another size."""
    both = np.hstack([pixels("heron-1-x.jpg"), pixels(other)])
    with pytest.raises(RingscanError, match="more than one scan sheet is in view") as caught:
        locate("heron-1-x.jpg", photo_of(both, tmp_path, quality=93))
    assert isinstance(caught.value, SheetError | FaceError)


@pytest.mark.parametrize(
    ("times", "says"),
    [
        (0.1, "no scan sheet in the picture, or the picture is too dark: .* more light"),
        (8.0, "; the picture is too bright: .* expose less"),
    ],
)
def test_a_picture_of_which_too_little_is_left_by_its_exposure(
    tmp_path: Path, times: float, says: str
) -> None:
    picture = np.clip(pixels("heron-1-x.jpg") * times, 0, 255).astype(np.uint8)
    with pytest.raises(SheetError, match=says):
        find_sheet(photo_of(picture, tmp_path, quality=93))


@pytest.mark.parametrize("grey", [60, 128, 240])
def test_other_pictures_are_neither_dark_nor_bright(tmp_path: Path, grey: int) -> None:
    photo = photo_of(np.full((1300, 1000, 3), grey, np.uint8), tmp_path, quality=93)
    with pytest.raises(SheetError, match="no scan sheet in the picture, or it is blurred"):
        find_sheet(photo)


@pytest.mark.parametrize(
    ("blur_px", "says"), [(0.9, "lay it on its outline"), (2.5, "the picture is blurred")]
)
def test_no_tower_may_be_a_matter_of_blur(tmp_path: Path, blur_px: float, says: str) -> None:
    scene = Scene(
        width_px=2000,
        height_px=2600,
        focal_px=2050,
        eye_mm=(101, 138, 290),
        aim_mm=(96, 132),
        tower=False,
        blur_px=blur_px,
    )
    photo = photo_of(scene.render(), tmp_path, quality=93)
    sheet = find_sheet(photo)
    with pytest.raises(FaceError, match=f"no tower is found on the scan sheet; {says}"):
        locate_face(photo, sheet, find_pose(photo, sheet), scene.plan, "x")
