"""A machine's limits are numbers: what is none would switch them off."""

from __future__ import annotations

from math import isfinite

from ringscan.errors import PlanError

HIGHEST = {"mm": 10_000.0, "mm/s": 2000.0, "mm/s²": 100_000.0, "mm³/s": 1000.0}
"""By unit: more than any such machine has; of speeds, the most that a plan may hold."""


def require_machine(
    *,
    bed_mm: tuple[float, float],
    max_height_mm: float,
    flow_limit_mm3_s: float,
    filament_mm: float,
) -> None:
    """Refuse what no machine can be. Raises PlanError."""
    require_limits(
        bed_width=(bed_mm[0], "mm"),
        bed_depth=(bed_mm[1], "mm"),
        greatest_height=(max_height_mm, "mm"),
        flow_limit=(flow_limit_mm3_s, "mm³/s"),
        filament=(filament_mm, "mm"),
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
