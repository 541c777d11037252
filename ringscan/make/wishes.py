"""What a tower is planned from: what the machine can do, and what the person wants to know."""

from __future__ import annotations

from dataclasses import dataclass

from ringscan.errors import PlanError
from ringscan.make.limits import (
    require_bead,
    require_limits,
    require_machine,
    require_nozzle,
)
from ringscan.plan import LEAST_ACCELERATION_MM_S2, Axis, Direction, Family, Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """What the person knows of the machine and intends to print with.

    max_speed_mm_s, max_acceleration_mm_s2 : how far the proposal may go above the intentions
    max_height_mm : of a print
    """

    bed_mm: tuple[float, float]
    max_height_mm: float
    nozzle_mm: float
    line_width_mm: float
    layer_height_mm: float
    flow_limit_mm3_s: float
    speed_mm_s: float
    acceleration_mm_s2: float
    corner_speed_mm_s: float
    max_speed_mm_s: float
    max_acceleration_mm_s2: float
    filament_mm: float = 1.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What is to be measured, and with what.

    families : shaper families the firmware offers
    low_hz, high_hz : rough range of the natural frequency
    damping_setting : the shaper's own damping ratio
    reference : whether the firmware can switch the shaper off during a print
    like : an earlier tower, of which size, motion and shaper are kept, so that the two can be
        compared
    """

    tower: str
    axes: tuple[Axis, ...]
    families: tuple[Family, ...]
    low_hz: float = 15.0
    high_hz: float = 75.0
    damping_setting: float = 0.1
    reference: bool = True
    direction: Direction = Direction.COUNTER_CLOCKWISE
    like: Plan | None = None


def require_possible(machine: Machine, wishes: Wishes) -> None:
    """Refuse what no tower can be planned with, before one is looked for. Raises PlanError."""
    require_machine(
        bed_mm=machine.bed_mm,
        max_height_mm=machine.max_height_mm,
        flow_limit_mm3_s=machine.flow_limit_mm3_s,
        filament_mm=machine.filament_mm,
    )
    require_nozzle(machine.nozzle_mm)
    require_limits(
        line_width=(machine.line_width_mm, "mm"),
        layer_height=(machine.layer_height_mm, "mm"),
        speed=(machine.speed_mm_s, "mm/s"),
        acceleration=(machine.acceleration_mm_s2, "mm/s²"),
        highest_speed=(machine.max_speed_mm_s, "mm/s"),
        highest_acceleration=(machine.max_acceleration_mm_s2, "mm/s²"),
    )
    if not 5 <= wishes.low_hz < wishes.high_hz <= 300:
        raise PlanError(
            f"the frequency range {wishes.low_hz:g} to {wishes.high_hz:g} Hz must rise and lie "
            f"within 5 to 300 Hz"
        )
    require_bead(
        machine.nozzle_mm,
        line_width_mm=machine.line_width_mm,
        layer_height_mm=machine.layer_height_mm,
    )
    if machine.acceleration_mm_s2 < LEAST_ACCELERATION_MM_S2:
        raise PlanError(
            f"an acceleration of {machine.acceleration_mm_s2:g} mm/s² leaves no ripple; a plan has "
            f"{LEAST_ACCELERATION_MM_S2:g} mm/s² at least"
        )
    for name, intended, highest in (
        ("speed", machine.speed_mm_s, machine.max_speed_mm_s),
        ("acceleration", machine.acceleration_mm_s2, machine.max_acceleration_mm_s2),
    ):
        if highest < intended:
            raise PlanError(f"the highest {name} {highest:g} is below the intended {intended:g}")
    if not wishes.axes or not wishes.families:
        raise PlanError("give at least one axis and one shaper family")
    if Family.LIST in wishes.families and wishes.like is None:
        raise PlanError(
            "family LIST has no impulses here: plan with a family of the literature, then write "
            "the impulses into the plan file"
        )
