"""OpenCV finds what is left of the sheet's ring when much of it is hidden."""

import cv2
import numpy as np
import pytest
from pages import Picture, found_corners, rendered, to_px
from plans import plan_with

from ringscan import layout
from ringscan.layout import Paper
from ringscan.make.sheet import sheet_pdf


@pytest.fixture(scope="module")
def photo_like() -> Picture:
    return rendered(sheet_pdf(plan_with(), Paper.A4), 0, 200)


def whole_corners(hidden: set[tuple[int, int]]) -> set[int]:
    """Corners none of whose four squares is hidden."""
    return {
        number
        for number, (x, y) in layout.ring_corners().items()
        if not hidden & {(round(y / 12) - i, round(x / 12) - j) for i in (0, 1) for j in (0, 1)}
    }


def with_hidden(picture: Picture, hidden: set[tuple[int, int]]) -> Picture:
    """A copy of a 200 dpi A4 picture with these squares painted over."""
    copy = picture.copy()
    for row, column in hidden:
        x, y = to_px(np.array([column * 12.0, row * 12.0]), Paper.A4, 200 / 25.4)
        side = round(12 * 200 / 25.4)
        copy[round(y) : round(y) + side, round(x) : round(x) + side] = 100
    return copy


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom", "all but a quarter"])
def test_rest_of_the_ring_is_found_when_half_of_it_is_hidden(
    photo_like: Picture, side: str
) -> None:
    hidden = {
        (row, column)
        for row, column in layout.drawn_squares()
        if {
            "left": column < 8,
            "right": column >= 8,
            "top": row < 10,
            "bottom": row >= 11,
            "all but a quarter": row < 13 or column < 7,
        }[side]
    }
    found = found_corners(with_hidden(photo_like, hidden))
    assert set(found) == whole_corners(hidden)
    for number, place in found.items():
        truth = to_px(np.array(layout.ring_corners()[number]), Paper.A4, 200 / 25.4)
        # PDFium's stretch, up to a pixel at the page's far end, and OpenCV's 0.1 px
        assert np.abs(place - truth).max() < 1.1


def test_ring_is_found_in_perspective_with_a_third_of_its_squares_hidden(
    photo_like: Picture,
) -> None:
    squares = layout.drawn_squares()
    chosen = np.random.default_rng(5).permutation(len(squares))[: len(squares) // 3]
    hidden = {squares[k] for k in chosen}
    picture = with_hidden(photo_like, hidden)
    height, width = picture.shape
    page = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    seen = np.array([[250, 120], [1750, 60], [1500, 2300], [60, 2150]], np.float32)
    turn = cv2.getPerspectiveTransform(page, seen)
    found = found_corners(cv2.warpPerspective(picture, turn, (1800, 2400), borderValue=180))
    whole = whole_corners(hidden)
    assert len(whole) >= 8  # enough for a homography, twice over
    assert whole <= set(found)
    for number in whole:
        flat = to_px(np.array(layout.ring_corners()[number]), Paper.A4, 200 / 25.4)
        truth = cv2.perspectiveTransform(flat.reshape(1, 1, 2), turn).ravel()
        # as above, and the resampling's and blur's share
        assert np.abs(found[number] - truth).max() < 1.3
