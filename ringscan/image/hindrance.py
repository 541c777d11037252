"""Why a tower may not be found though it lies there.

But for other sheets, it is looked for on the way to a refusal only.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ringscan.image.exposure import ill_lit
from ringscan.image.photo import Photo
from ringscan.image.reference import SheetView
from ringscan.image.sharpness import sheet_response
from ringscan.layout import ring_corners

MAX_OUTSIDE = 0.1
"""Share of the sheet's corners outside the picture: one of its short sides has 0.23 of them."""
MANY_REPEATED = 8
"""Markers: a tenth of another sheet's; none is seen twice in rendered pictures of one sheet."""
USUAL_SHAPES = (1.0, 4 / 3, 3 / 2, 16 / 9, 2.0, 13 / 6, 20 / 9)
SHAPE_SLACK = 0.01
"""Long side over short side of pictures as cameras take them, and how far they may be off that,
relative. Common practice, no source."""
FINE_PER_PX, MIN_KEPT = 0.1, 0.5
"""Cycles per px, and the contrast that the sheet's edges keep there: 0.63 and more in rendered
pictures, 0.48 and less in the same with a blur of 2 px (standard deviation)."""


def hindrance(photo: Photo, view: SheetView) -> str | None:
    """Say what is wrong with the picture, and what to do; None if nothing is seen to be."""
    return misplaced(photo, view) or blurred(photo, view)


def code_hindrance(photo: Photo, view: SheetView) -> str | None:
    """Say why the sheet's code cannot be read, if that is seen."""
    if _outside(photo, view.code_px).any():
        return "the picture's edge cuts the code off"
    return ill_lit(photo) or blurred(photo, view)


def misplaced(photo: Photo, view: SheetView) -> str | None:
    """Say that there is another sheet, or too little of this one, if so.

    Either makes a tower seem to be of another size.
    """
    return several(view) or _cut_off(photo, view)


def several(view: SheetView) -> str | None:
    """Say that there is another sheet, if so."""
    if view.repeated < MANY_REPEATED:
        return None
    return (
        f"more than one scan sheet is in view, {view.repeated} markers are seen twice; leave one, "
        "in the middle of the picture"
    )


def _cut_off(photo: Photo, view: SheetView) -> str | None:
    """Say that the sheet reaches out of the picture, if it does.

    The principal point of a cropped picture is elsewhere than a camera has it, so that also a tower
    that is all in view may seem to be of another size.
    """
    outside = _outside(photo, view.seen_px(np.array(list(ring_corners().values()))))
    if outside.mean() <= MAX_OUTSIDE:
        return None
    return (
        f"the picture's edge cuts the scan sheet off, {outside.sum()} of its {len(outside)} "
        "corners lie outside; photograph it again with the whole ring of squares in view, and do "
        "not crop"
    )


def cropped(photo: Photo) -> str | None:
    """Say that the picture has a shape that no camera gives, if so.

    Its middle is then not where the lens looked, and a tower seems to be of another size.
    """
    width, height = photo.width_px, photo.height_px
    shape = max(width, height) / min(width, height)
    if any(abs(shape / usual - 1) <= SHAPE_SLACK for usual in USUAL_SHAPES):
        return None
    return (
        f"the picture seems to be cropped, {width} × {height} px is no camera's shape; give it as "
        "the phone took it"
    )


def _outside(photo: Photo, points_px: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which of points (n, 2) the picture does not hold, (n,)."""
    size = np.array([photo.width_px, photo.height_px])
    return np.asarray(((points_px < -0.5) | (points_px > size - 0.5)).any(axis=1))


def blurred(photo: Photo, view: SheetView) -> str | None:
    """Say that the sheet's edges are soft, if they are."""
    response = sheet_response(photo, view)
    if response is None or response.at(FINE_PER_PX) >= MIN_KEPT:
        return None
    return (
        f"the picture is blurred: the sheet's edges keep only {response.at(FINE_PER_PX):.0%} of "
        f"their contrast at {1 / FINE_PER_PX:.0f} px; clean the lens, focus on the face, support "
        "the phone"
    )
