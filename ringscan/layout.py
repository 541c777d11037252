"""Where everything lies on the scan sheet, in mm: the one truth for drawing and for reading it.

Sheet frame: origin at the upper left corner of the fiducial grid, x to the right, y down, as
the page is read. Right-handed with z *into* the paper, so a point `h` above the sheet has
z = -h. The same layout serves A4 and US Letter; only the grid's place on the page differs.

The fiducials are a ring, two squares wide, of a ChArUco chessboard whose middle is left free.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from ringscan.errors import PlanError
from ringscan.plan import Plan

if TYPE_CHECKING:
    import cv2

COLUMNS = 16
ROWS = 21
SQUARE_MM = 12.0
MARKER_MM = 9.0
RING_SQUARES = 2
DICTIONARY = "DICT_5X5_100"
UNDRAWN_ID = 1000
"""Marker ids from here on belong to the free middle: no dictionary holds them."""

WIDTH_MM = COLUMNS * SQUARE_MM
HEIGHT_MM = ROWS * SQUARE_MM

CODE_BOX = (30.0, 27.0, 60.0, 57.0)
"""x0, y0, x1, y1 of the QR code's square, quiet zone excluded."""

CHECK_LINE = (64.0, 164.0, 54.0)
"""x0, x1, y of the line that must measure 100 mm, from tick to tick."""


def require_check_line(length_mm: float) -> None:
    """Refuse what that line cannot measure on any print. Raises ValueError."""
    if not 90 <= length_mm <= 110:
        raise ValueError(f"check_line_mm = {length_mm:g} must be 90 to 110")


HEAD_BOTTOM_MM = 59.5
"""Above this y stand the code, words, and the check line; between it and the comb is nothing."""

TOWER_CENTRE = (96.0, 144.0)
COMB_PERIOD_MM = 6.0
"""Bars at right angles to the tower's edges: half black, half white, whatever the filament."""
COMB_BOX = (38.0, 63.0, 154.0, 225.0)

MIN_TOWER_WIDTH_MM = 24.0
"""Of a narrower one base and top hide too few bars of the comb to be told."""
MAX_TOWER_WIDTH_MM = 80.0
MAX_TOWER_HEIGHT_MM = 120.0
"""Such a tower's face, 60 mm above the sheet and seen from 230 mm, hides just the comb."""


class Paper(StrEnum):
    """Paper sizes: ISO 216 A4 and US Letter."""

    A4 = "a4"
    LETTER = "letter"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the page."""
        return (210.0, 297.0) if self is Paper.A4 else (215.9, 279.4)

    @property
    def origin_mm(self) -> tuple[float, float]:
        """The grid's upper left corner, from the page's upper left corner: it is centred."""
        width, height = self.size_mm
        return ((width - WIDTH_MM) / 2, (height - HEIGHT_MM) / 2)


@dataclass(frozen=True, slots=True)
class Outline:
    """The tower's outline on the sheet; the base is its lower side.

    left, right : x of its sides, mm in the sheet frame
    top, bottom : y of its top and base, mm in the sheet frame; the base has the greater one
    """

    left: float
    top: float
    right: float
    bottom: float


def tower_outline(plan: Plan) -> Outline:
    """Return where the tower is to be laid.

    Raises
    ------
    PlanError
        If the tower is too large for the sheet.
    """
    # 600 layers of 0.2 mm are 120 mm and a few units of the last place
    width, height = plan.size.width_mm, round(plan.height_mm, 6)
    if not MIN_TOWER_WIDTH_MM <= width <= MAX_TOWER_WIDTH_MM or height > MAX_TOWER_HEIGHT_MM:
        raise PlanError(
            f"plan '{plan.tower}': a tower of {width:g} × {height:g} mm does not fit the scan "
            f"sheet; {MIN_TOWER_WIDTH_MM:g} to {MAX_TOWER_WIDTH_MM:g} mm wide and at most "
            f"{MAX_TOWER_HEIGHT_MM:g} mm tall"
        )
    x, y = TOWER_CENTRE
    return Outline(x - width / 2, y - height / 2, x + width / 2, y + height / 2)


def drawn_squares() -> list[tuple[int, int]]:
    """(row, column) of the chessboard squares that are printed: the ring."""
    return [
        (row, column)
        for row in range(ROWS)
        for column in range(COLUMNS)
        if min(row, column, ROWS - 1 - row, COLUMNS - 1 - column) < RING_SQUARES
    ]


def marker_squares() -> list[tuple[int, int]]:
    """(row, column) of the printed squares that carry a marker; marker id = place in this list."""
    return [(row, column) for row, column in drawn_squares() if (row + column) % 2 == 1]


def ring_corners() -> dict[int, tuple[float, float]]:
    """Position of each chessboard corner whose four squares are all printed, by ChArUco id.

    OpenCV also reports the inner corners (24, 24) and (24, 228), which lack a square: use
    none but these.
    """
    return {
        row * (COLUMNS - 1) + column: ((column + 1) * SQUARE_MM, (row + 1) * SQUARE_MM)
        for row in range(ROWS - 1)
        for column in range(COLUMNS - 1)
        if row in (0, ROWS - 2) or column in (0, COLUMNS - 2)
    }


def charuco_board() -> cv2.aruco.CharucoBoard:
    """Return OpenCV's description of the board; its corners are in mm in the sheet frame.

    Marker squares that are not printed have ids from UNDRAWN_ID, which are never detected.
    """
    import cv2

    printed = {square: number for number, square in enumerate(marker_squares())}
    white = [(r, c) for r in range(ROWS) for c in range(COLUMNS) if (r + c) % 2 == 1]
    ids = [printed.get(square, UNDRAWN_ID + n) for n, square in enumerate(white)]
    every = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, DICTIONARY))
    # comparing with markers that are not on the sheet takes a third of the time
    dictionary = cv2.aruco.Dictionary(
        every.bytesList[: len(printed)], every.markerSize, every.maxCorrectionBits
    )
    return cv2.aruco.CharucoBoard(
        (COLUMNS, ROWS), SQUARE_MM, MARKER_MM, dictionary, np.array(ids, dtype=np.int32)
    )


def comb_bars(outline: Outline) -> list[tuple[float, float, float, float]]:
    """Return the bars around the tower, each as x0, y0, x1, y1.

    Horizontal bars lie left and right of the outline, vertical ones above and below it.
    """
    left, top, right, bottom = COMB_BOX
    beside = bars_within(TOWER_CENTRE[1], top, bottom)
    above = bars_within(TOWER_CENTRE[0], outline.left, outline.right)
    return (
        [(left, y0, outline.left, y1) for y0, y1 in beside]
        + [(outline.right, y0, right, y1) for y0, y1 in beside]
        + [(x0, top, x1, outline.top) for x0, x1 in above]
        + [(x0, outline.bottom, x1, bottom) for x0, x1 in above]
    )


def bars_within(centre: float, low: float, high: float) -> list[tuple[float, float]]:
    """Half-period intervals centred on `centre` + k periods, those that lie within low..high."""
    half = COMB_PERIOD_MM / 4
    most = int((high - low) / COMB_PERIOD_MM)
    middles = [centre + k * COMB_PERIOD_MM for k in range(-most, most + 1)]
    return [(m - half, m + half) for m in middles if low <= m - half and m + half <= high]
