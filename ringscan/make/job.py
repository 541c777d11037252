"""How a tower's toolpath is to be made, and between which marks each part of it stands."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

BEGIN_START = "; -- the user's start text"
BEGIN_TOWER = "; -- the tower"
BEGIN_END = "; -- the user's end text"


class Style(StrEnum):
    """A spiral has no seam; layers have one, at the rear left corner."""

    SPIRAL = "spiral"
    LAYERS = "layers"


class BrimSide(StrEnum):
    """Inside keeps the tower's base edge clean, and can stay on."""

    INSIDE = "inside"
    OUTSIDE = "outside"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """Where the machine can print, and how much it can melt.

    size_mm : along x and y
    origin_mm : machine coordinates of the front left corner
    max_height_mm : of a print
    flow_limit_mm3_s : most that the hot end melts
    filament_mm : diameter
    """

    size_mm: tuple[float, float]
    origin_mm: tuple[float, float] = (0.0, 0.0)
    max_height_mm: float
    flow_limit_mm3_s: float
    filament_mm: float = 1.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """How the toolpath is to be made.

    bed : where the tower is to stand in the middle
    start_text, end_text : the user's own G-code
    style : as a spiral or in layers
    brim_loops : lines of brim; 0 for none
    brim_side : of the tower's wall
    """

    bed: Bed
    start_text: str
    end_text: str
    style: Style = Style.SPIRAL
    brim_loops: int = 8
    brim_side: BrimSide = BrimSide.INSIDE
