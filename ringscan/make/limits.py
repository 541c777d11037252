"""A machine's limits are numbers: what is none would switch them off."""

from __future__ import annotations

from math import isfinite

from ringscan.errors import PlanError

HIGHEST = {"mm": 10_000.0, "mm/s": 2000.0, "mm/s²": 100_000.0, "mm³/s": 1000.0}
"""By unit: more than any such machine has; of speeds, the most that a plan may hold."""
FILAMENT_MM = (1.0, 4.0)
NOZZLE_MM = (0.1, 3.0)
THICKEST_OF_NOZZLE = 0.8
WIDTHS_OF_NOZZLE = (0.8, 2.5)


def require_machine(
    *,
    bed_mm: tuple[float, float],
    max_height_mm: float,
    flow_limit_mm3_s: float,
    filament_mm: float,
) -> None:
    """Refuse what no machine can be. Raises PlanError."""
    low, high = FILAMENT_MM
    if not low <= filament_mm <= high:
        raise PlanError(
            f"the filament must be {low:g} to {high:g} mm in diameter, not {filament_mm:g} mm"
        )
    require_limits(
        bed_width=(bed_mm[0], "mm"),
        bed_depth=(bed_mm[1], "mm"),
        greatest_height=(max_height_mm, "mm"),
        flow_limit=(flow_limit_mm3_s, "mm³/s"),
    )


def require_nozzle(nozzle_mm: float) -> None:
    """Refuse a bore that no nozzle has. Raises PlanError."""
    low, high = NOZZLE_MM
    if not low <= nozzle_mm <= high:
        raise PlanError(f"a nozzle of {nozzle_mm:g} mm: its bore must be {low:g} to {high:g} mm")


def require_bead(
    nozzle_mm: float, *, line_width_mm: float | None = None, layer_height_mm: float | None = None
) -> None:
    """Refuse a line that the nozzle cannot lay; common practice, no source. Raises PlanError."""
    if layer_height_mm is not None:
        require_limits(layer_height=(layer_height_mm, "mm"))
    if layer_height_mm is not None and layer_height_mm > THICKEST_OF_NOZZLE * nozzle_mm:
        raise PlanError(
            f"a layer height of {layer_height_mm:g} mm is too much for a nozzle of {nozzle_mm:g} "
            f"mm; at most {THICKEST_OF_NOZZLE * nozzle_mm:.2f} mm"
        )
    narrowest, widest = (part * nozzle_mm for part in WIDTHS_OF_NOZZLE)
    if line_width_mm is not None and not narrowest <= line_width_mm <= widest:
        raise PlanError(
            f"a line width of {line_width_mm:g} mm does not suit a nozzle of {nozzle_mm:g} mm; "
            f"{narrowest:.2f} to {widest:.2f} mm"
        )


def require_limits(**numbers: tuple[float, str]) -> None:
    """Refuse what is not above 0 or absurdly large.

    Parameters
    ----------
    numbers : by name, value and unit

    Raises
    ------
    PlanError
        For the first that is wrong.
    """
    for name, (value, unit) in numbers.items():
        if not (isfinite(value) and 0 < value <= HIGHEST[unit]):
            raise PlanError(
                f"the {name.replace('_', ' ')} must be above 0 and at most {HIGHEST[unit]:g} "
                f"{unit}, not {value:g}"
            )
