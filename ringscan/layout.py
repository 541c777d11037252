"""Where everything lies on the scan sheet, in mm: the one truth for drawing and for reading it.

Sheet frame: origin at the upper left corner of the fiducial grid, x to the right, y down, as
the page is read. Right-handed with z *into* the paper, so a point `h` above the sheet has
z = -h. The same layout serves A4 and US Letter; only the grid's place on the page differs.

The fiducials are a ring, two squares wide, of a ChArUco chessboard whose middle is left free.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ringscan.errors import PlanError
from ringscan.plan import Plan

COLUMNS = 16
ROWS = 21
SQUARE_MM = 12.0
MARKER_MM = 9.0
RING_SQUARES = 2
DICTIONARY = "DICT_5X5_100"

WIDTH_MM = COLUMNS * SQUARE_MM
HEIGHT_MM = ROWS * SQUARE_MM

CODE_BOX = (30.0, 27.0, 60.0, 57.0)
"""x0, y0, x1, y1 of the QR code's square, quiet zone excluded."""

CHECK_LINE = (64.0, 164.0, 54.0)
"""x0, x1, y of the line that must measure 100 mm."""

TOWER_CENTRE = (96.0, 144.0)
COMB_PERIOD_MM = 6.0
"""Bars at right angles to the tower's edges: half black, half white, whatever the filament."""
COMB_BOX = (38.0, 62.0, 154.0, 226.0)

MAX_TOWER_WIDTH_MM = 80.0
MAX_TOWER_HEIGHT_MM = 130.0
"""Beyond these the tower, seen from a usual distance, would hide the fiducials or the code."""


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
    """The tower's outline on the sheet, mm in the sheet frame; the base is its lower side."""

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
    width, height = plan.size.width_mm, plan.height_mm
    if width > MAX_TOWER_WIDTH_MM or height > MAX_TOWER_HEIGHT_MM:
        raise PlanError(
            f"plan '{plan.tower}': a tower of {width:g} × {height:g} mm does not fit the scan "
            f"sheet; at most {MAX_TOWER_WIDTH_MM:g} mm wide and {MAX_TOWER_HEIGHT_MM:g} mm tall"
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
