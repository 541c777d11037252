"""What is said of a reference that lies in the face's own plane, before any picture is seen."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringscan.image.beside import PictureSide

CARD_MM = (85.60, 53.98)
"""ISO/IEC 7810 ID-1."""
SIDES_MM = (20.0, 300.0)
"""A reference must have sides in this range: to be seen sharply, and to be in view at all."""


class Kind(StrEnum):
    """What tells the scale."""

    SHEET = "sheet"
    CARD = "card"
    FACE = "face"
    CORNERS = "corners"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Flush:
    """A reference in the face's plane: given corners, or a rectangle, or the face itself.

    corners_px : of the face, in the order of FaceView.corners_px, (4, 2); all else is then left out
    rectangle_mm : sides of a card beside the face
    base : where in the picture the tower's base lies; needed unless corners are given
    card_side : where the card lies, seen from the face; needed where both are of about one size

    Plain lists, and the names of sides, are taken for what they say. Raises TypeError or ValueError
    for what can be no reference.
    """

    corners_px: NDArray[np.float64] | None = None
    rectangle_mm: tuple[float, float] | None = None
    base: PictureSide | None = None
    card_side: PictureSide | None = None

    def __post_init__(self) -> None:
        """Refuse what can be no reference, or leaves open where the base lies."""
        for name, read in (
            ("corners_px", _corners),
            ("rectangle_mm", _sides),
            ("base", _side),
            ("card_side", _side),
        ):
            given = getattr(self, name)
            if given is not None:
                object.__setattr__(self, name, read(name, given))
        if self.card_side is not None and self.rectangle_mm is None:
            raise ValueError("card_side goes with rectangle_mm")
        if self.corners_px is None and self.base is None:
            raise ValueError("base must be given unless corners_px are")
        if self.corners_px is not None and (self.base or self.rectangle_mm):
            raise ValueError("corners_px go without rectangle_mm and base")

    @property
    def kind(self) -> Kind:
        """Which of them."""
        if self.corners_px is not None:
            return Kind.CORNERS
        return Kind.FACE if self.rectangle_mm is None else Kind.CARD

    @property
    def said(self) -> list[Any]:
        """All of it in plain values, to tell results by one reference from those by another."""
        corners = None if self.corners_px is None else self.corners_px.tolist()
        return [corners, self.rectangle_mm, self.base, self.card_side]


def _corners(name: str, given: Any) -> NDArray[np.float64]:
    """Whole numbers and lists of lists are what one types."""
    try:
        corners = np.asarray(given, dtype=np.float64)
    except (TypeError, ValueError) as exc:
        raise type(exc)(f"{name} must be four pairs of numbers") from exc
    if corners.shape != (4, 2):
        raise ValueError(f"{name} must be (4, 2), not {corners.shape}")
    if not np.isfinite(corners).all():
        raise ValueError(f"{name} must be finite, not {corners.tolist()}")
    return corners


def _sides(name: str, given: Any) -> tuple[float, float]:
    try:
        one, other = (float(side) for side in given)
    except (TypeError, ValueError) as exc:
        raise type(exc)(f"{name} must be two lengths, not {given!r}") from exc
    low, high = SIDES_MM
    if not (low <= one <= high and low <= other <= high):
        raise ValueError(
            f"a rectangle of {one:g} × {other:g} mm: its sides must be {low:g} to {high:g} mm"
        )
    return one, other


def _side(name: str, given: Any) -> PictureSide:
    try:
        return PictureSide(given)
    except ValueError as exc:
        raise ValueError(f"{name} must be {', '.join(PictureSide)}, not {given!r}") from exc
