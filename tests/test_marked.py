"""The marked photo: its size, that marks lie where the face is, and that it is written whole."""

from dataclasses import replace

import numpy as np
import pytest
from PIL import Image
from ringing import picture, scanned

from ringscan.errors import OutputError
from ringscan.model.verdict import Outcome
from ringscan.show.marked import (
    FITTED,
    LONGEST_SIDE_PX,
    MEASURED,
    OUTLINE,
    QUIET,
    draw_marked,
    write_marked,
)


@pytest.fixture(scope="module")
def photo_path(tmp_path_factory):
    path = tmp_path_factory.mktemp("marked") / "wren.jpg"
    path.write_bytes(picture())
    return path


@pytest.fixture(scope="module")
def photo(photo_path):
    from ringscan.image.photo import read_photo

    return read_photo(photo_path)


def drawn(photo, outcome: Outcome) -> np.ndarray:
    scan = scanned()
    return np.asarray(
        draw_marked(photo, replace(scan, verdict=replace(scan.verdict, outcome=outcome)))
    )


def where(pixels: np.ndarray, colour: tuple[int, int, int], below_px: int = 60) -> np.ndarray:
    """Points (x, y) of exactly this colour, caption and legend left out."""
    body = pixels[below_px:-140]
    y, x = np.nonzero((body == np.array(colour)).all(axis=2))
    return np.column_stack([x, y + below_px])


def test_marks_lie_on_the_face(photo):
    pixels = drawn(photo, Outcome.CALL)
    scale = pixels.shape[0] / photo.height_px
    corners = scanned().view.corners_px * scale
    outline = where(pixels, OUTLINE)
    # half the thick line along the entry edge, and a pixel of rounding
    assert outline.min(axis=0) == pytest.approx(corners.min(axis=0), abs=5)
    assert outline.max(axis=0) == pytest.approx(corners.max(axis=0), abs=5)
    quiet = where(pixels, QUIET)
    at = scanned().view.to_px(np.array([30.0]), np.array([scanned().quiet_height_mm]))[0] * scale
    assert np.abs(quiet - at).sum(axis=1).min() < 4
    for colour in (MEASURED, FITTED):
        inside = where(pixels, colour)
        assert len(inside) > 100
        assert (inside.min(axis=0) > corners.min(axis=0)).all()
        assert (inside.max(axis=0) < corners.max(axis=0)).all()


def test_only_a_call_shows_the_quiet_band(photo):
    assert not len(where(drawn(photo, Outcome.DISAGREEMENT), QUIET))
    assert len(where(drawn(photo, Outcome.DISAGREEMENT), MEASURED))


def test_no_call_shows_the_face_alone(photo):
    pixels = drawn(photo, Outcome.NO_CALL)
    assert len(where(pixels, OUTLINE))
    for colour in (QUIET, MEASURED, FITTED):
        assert not len(where(pixels, colour))


def test_the_file_is_a_png_small_enough_to_send(photo_path, tmp_path):
    out = tmp_path / "marked.png"
    write_marked(photo_path, scanned(), out)
    with Image.open(out) as image:
        assert image.format == "PNG"
        assert max(image.size) == min(LONGEST_SIDE_PX, 2080)
    assert list(tmp_path.iterdir()) == [out]


def test_a_name_of_a_jpeg_gives_one(photo_path, tmp_path):
    write_marked(photo_path, scanned(), tmp_path / "marked.JPG")
    with Image.open(tmp_path / "marked.JPG") as image:
        assert image.format == "JPEG"


def test_an_unwritable_place_is_told_and_leaves_nothing(photo_path, tmp_path):
    with pytest.raises(OutputError, match=r"cannot be written: there is no folder"):
        write_marked(photo_path, scanned(), tmp_path / "missing" / "marked.png")
    assert list(tmp_path.iterdir()) == []
