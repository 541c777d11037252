"""The tower on the sheet, and through which lens it is seen there."""

from __future__ import annotations

from contextlib import suppress

from ringscan.errors import FaceError, SheetError
from ringscan.image.box import Box
from ringscan.image.comb import find_tower
from ringscan.image.photo import Photo
from ringscan.image.pose import Pose, find_pose
from ringscan.image.reference import SheetView
from ringscan.plan import Plan

LONGER = (1.4, 2.0)
"""Lenses that are tried after the usual one: phones have some of about 50 mm (common practice)."""
MAX_SHRUNK = 0.2
"""A tower that seems smaller than planned by more hides less than it would through that lens: by
0.08 at most on rendered pictures, with and without EXIF, but by 0.47 through 52 mm without."""
LIKE_PLANNED = 0.05
"""Through its own lens it is off the plan's size by less."""


def find_through_lens(photo: Photo, view: SheetView, pose: Pose, plan: Plan) -> tuple[Pose, Box]:
    """Find the tower by what it hides of the comb, and the camera that sees it there.

    A sheet that is seen straight on does not tell how high above it the camera was. Where EXIF does
    not either, and nothing like the plan's tower is seen through the lens that phones have mostly,
    longer ones are tried: from higher up a tower hides less.

    Raises
    ------
    FaceError
        If nothing lies on the sheet, or not where it should.
    """
    usual: Box | FaceError
    try:
        usual = find_tower(photo, view, pose, plan)
    except FaceError as error:
        usual = error
    if photo.focal_px is None and (
        isinstance(usual, FaceError) or min(_sizes(usual, plan)) < 1 - MAX_SHRUNK
    ):
        for times in LONGER:
            with suppress(FaceError, SheetError):
                longer = find_pose(
                    photo,
                    view,
                    check_line_mm=100 * float(pose.sheet_scale[0]),
                    expected=pose.expected.longer(times),
                )
                found = find_tower(photo, view, longer, plan)
                if max(abs(size - 1) for size in _sizes(found, plan)) < LIKE_PLANNED:
                    return longer, found
    if isinstance(usual, FaceError):
        raise usual
    return pose, usual


def _sizes(box: Box, plan: Plan) -> tuple[float, float]:
    """Width and height over the plan's."""
    return box.width_mm / plan.size.width_mm, box.height_mm / plan.height_mm
