"""The printed line's section, and the filament it takes."""

from __future__ import annotations

from math import pi

from ringscan.errors import PlanError


def bead_section_mm2(line_width_mm: float, layer_height_mm: float) -> float:
    """Section of a line with round sides: a rectangle between two half circles.

    Raises
    ------
    PlanError
        If the line would be narrower than high.
    """
    w, h = line_width_mm, layer_height_mm
    if not 0 < h <= w:
        raise PlanError(
            f"a layer of {h:g} mm must be above 0 and at most as high as the line is wide, {w:g} mm"
        )
    return (w - h) * h + pi * (h / 2) ** 2


def filament_per_mm(section_mm2: float, filament_mm: float) -> float:
    """Length of filament of a diameter for each mm of path."""
    return section_mm2 / (pi * (filament_mm / 2) ** 2)
