"""A machine's limits are numbers: what is none would switch them off."""

from __future__ import annotations

from math import floor, isfinite

from ringscan.errors import OptionError
from ringscan.plan import LEAST_ACCELERATION_MM_S2, MOST_DAMPING_SETTING

HIGHEST = {"mm": 10_000.0, "mm/s": 2000.0, "mm/s²": 100_000.0, "mm³/s": 1000.0}
"""By unit: more than any such machine has; of speeds, the most that a plan may hold."""
FILAMENT_MM = (1.0, 4.0)
NOZZLE_MM = (0.1, 3.0)
THICKEST_OF_NOZZLE = 0.8
WIDTHS_OF_NOZZLE = (0.8, 2.5)
RANGE_HZ = (5.0, 300.0)
LEAST_WIDTH_MM = 30.0
BED_MARGIN_MM = 10.0
"""Kept free around the tower for brim and clips."""
MIN_SPEED_MM_S = 15
ABOVE_CORNER_MM_S = 5
"""Without braking there is no ripple."""


def require_machine(
    *,
    bed_mm: tuple[float, float],
    max_height_mm: float,
    flow_limit_mm3_s: float,
    filament_mm: float,
) -> None:
    """Refuse what no machine can be. Raises OptionError."""
    require_filament(filament_mm)
    require_limits(
        bed_width=(bed_mm[0], "mm"),
        bed_depth=(bed_mm[1], "mm"),
        greatest_height=(max_height_mm, "mm"),
        flow_limit=(flow_limit_mm3_s, "mm³/s"),
    )


def require_filament(filament_mm: float) -> None:
    """Refuse a diameter that no filament has. Raises OptionError."""
    low, high = FILAMENT_MM
    if not low <= filament_mm <= high:
        raise OptionError(
            f"the filament must be {low:g} to {high:g} mm in diameter, not {filament_mm:g} mm"
        )


def require_bed(bed_mm: tuple[float, float], width_mm: float = LEAST_WIDTH_MM) -> None:
    """Refuse a bed without room for a tower of a width. Raises OptionError."""
    require_limits(bed_width=(bed_mm[0], "mm"), bed_depth=(bed_mm[1], "mm"))
    needed = width_mm + 2 * BED_MARGIN_MM
    if min(bed_mm) < needed:
        raise OptionError(
            f"a bed of {min(bed_mm):g} mm is too small: a tower of {width_mm:g} mm needs a bed of "
            f"{needed:g} mm"
        )


def require_range(low_hz: float, high_hz: float) -> None:
    """Refuse a range of frequencies that no tower has. Raises OptionError."""
    lowest, highest = RANGE_HZ
    if not lowest <= low_hz < high_hz <= highest:
        raise OptionError(
            f"the frequency range {low_hz:g} to {high_hz:g} Hz must rise and lie within "
            f"{lowest:g} to {highest:g} Hz"
        )


def require_damping_setting(damping_ratio: float) -> None:
    """Refuse a damping ratio that no shaper is told. Raises OptionError."""
    most = MOST_DAMPING_SETTING
    if not 0 <= damping_ratio <= most:
        raise OptionError(
            f"the damping setting must be 0 to {most:g}, not {damping_ratio:g}"
            + ("; in per cent?" if 1 <= damping_ratio <= 100 * most else "")
        )


def least_speed_mm_s(corner_speed_mm_s: float) -> int:
    """Lowest speed to propose."""
    return max(MIN_SPEED_MM_S, floor(corner_speed_mm_s) + ABOVE_CORNER_MM_S)


def require_speed(
    speed_mm_s: float, *, highest_mm_s: float | None = None, corner_speed_mm_s: float = 0.0
) -> None:
    """Refuse speeds that no tower is proposed for; the highest is the intended one where none is
    given. Raises OptionError.
    """
    highest = speed_mm_s if highest_mm_s is None else highest_mm_s
    require_limits(speed=(speed_mm_s, "mm/s"), highest_speed=(highest, "mm/s"))
    least = least_speed_mm_s(corner_speed_mm_s)
    if highest < least:
        corner = f" with a corner speed of {corner_speed_mm_s:g} mm/s"
        raise OptionError(
            f"a speed of {highest:g} mm/s is too low for a tower"
            f"{corner if least > MIN_SPEED_MM_S else ''}; it takes {least} mm/s at least"
        )
    _require_rise("speed", speed_mm_s, highest)


def require_acceleration(acceleration_mm_s2: float, highest_mm_s2: float | None = None) -> None:
    """Refuse accelerations that no plan has, as `require_speed` does. Raises OptionError."""
    highest = acceleration_mm_s2 if highest_mm_s2 is None else highest_mm_s2
    require_limits(
        acceleration=(acceleration_mm_s2, "mm/s²"), highest_acceleration=(highest, "mm/s²")
    )
    if acceleration_mm_s2 < LEAST_ACCELERATION_MM_S2:
        raise OptionError(
            f"an acceleration of {acceleration_mm_s2:g} mm/s² leaves no ripple; a plan has "
            f"{LEAST_ACCELERATION_MM_S2:g} mm/s² at least"
        )
    _require_rise("acceleration", acceleration_mm_s2, highest)


def _require_rise(name: str, intended: float, highest: float) -> None:
    if highest < intended:
        raise OptionError(f"the highest {name} {highest:g} is below the intended {intended:g}")


def require_nozzle(nozzle_mm: float) -> None:
    """Refuse a bore that no nozzle has. Raises OptionError."""
    low, high = NOZZLE_MM
    if not low <= nozzle_mm <= high:
        raise OptionError(f"a nozzle of {nozzle_mm:g} mm: its bore must be {low:g} to {high:g} mm")


def require_bead(
    nozzle_mm: float, *, line_width_mm: float | None = None, layer_height_mm: float | None = None
) -> None:
    """Refuse a line that the nozzle cannot lay; common practice, no source. Raises OptionError."""
    if layer_height_mm is not None:
        require_limits(layer_height=(layer_height_mm, "mm"))
    # the limits as they are told, to the last binary place
    thickest = round(THICKEST_OF_NOZZLE * nozzle_mm, 9)
    if layer_height_mm is not None and layer_height_mm > thickest:
        raise OptionError(
            f"a layer height of {layer_height_mm:g} mm is too much for a nozzle of {nozzle_mm:g} "
            f"mm; at most {thickest:.2f} mm"
        )
    narrowest, widest = (round(part * nozzle_mm, 9) for part in WIDTHS_OF_NOZZLE)
    if line_width_mm is not None and not narrowest <= line_width_mm <= widest:
        raise OptionError(
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
    OptionError
        For the first that is wrong.
    """
    for name, (value, unit) in numbers.items():
        highest = HIGHEST[unit]
        if isfinite(value) and 0 < value <= highest:
            continue
        per_minute = unit == "mm/s" and highest < value <= 60 * highest
        raise OptionError(
            f"the {name.replace('_', ' ')} must be above 0 and at most {highest:g} {unit}, not "
            f"{value:g}" + (f"; in mm/min that is {value / 60:g} mm/s" if per_minute else "")
        )
