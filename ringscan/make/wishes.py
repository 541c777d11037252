"""What a tower is planned from: what the machine can do, and what the person wants to know."""

from __future__ import annotations

from dataclasses import dataclass

from ringscan.errors import OptionError, PlanError
from ringscan.make.limits import (
    require_acceleration,
    require_bead,
    require_bed,
    require_damping_setting,
    require_limits,
    require_machine,
    require_nozzle,
    require_range,
    require_speed,
)
from ringscan.model.motion import CornerMotion
from ringscan.plan import Axis, Direction, Family, Plan, Quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """What the person knows of the machine and intends to print with.

    bed_mm : along x and y
    max_height_mm : of a print
    nozzle_mm : diameter of its bore
    line_width_mm, layer_height_mm : of the printed line, as intended; layers may get thinner
    flow_limit_mm3_s : most that the hot end melts
    speed_mm_s, acceleration_mm_s2 : of the outer wall, as intended
    corner_speed_mm_s : at which a 90° corner is taken
    max_speed_mm_s, max_acceleration_mm_s2 : how far the proposal may go above the intentions
    filament_mm : diameter
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

    def face_motion(
        self, speed_mm_s: float, acceleration_mm_s2: float, width_mm: float
    ) -> CornerMotion:
        """Travel along one face of a tower so wide, on the middle of the printed line."""
        return CornerMotion(
            speed_mm_s=speed_mm_s,
            acceleration_mm_s2=acceleration_mm_s2,
            corner_speed_mm_s=self.corner_speed_mm_s,
            length_mm=width_mm - self.line_width_mm,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What is to be measured, and with what.

    tower : label
    axes : to have a ramp
    families : shaper families the firmware offers
    low_hz, high_hz : rough range of the natural frequency
    damping_setting : the shaper's own damping ratio
    reference : whether the firmware can switch the shaper off during a print
    direction : of travel along the wall, seen from above
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
    """Refuse what no tower can be planned with, before one is looked for.

    Raises
    ------
    OptionError
        If machine or wishes are impossible.
    PlanError
        If the earlier tower is none that a second one can be like.
    """
    require_machine(
        bed_mm=machine.bed_mm,
        max_height_mm=machine.max_height_mm,
        flow_limit_mm3_s=machine.flow_limit_mm3_s,
        filament_mm=machine.filament_mm,
    )
    require_nozzle(machine.nozzle_mm)
    require_limits(
        line_width=(machine.line_width_mm, "mm"), layer_height=(machine.layer_height_mm, "mm")
    )
    require_range(wishes.low_hz, wishes.high_hz)
    require_damping_setting(wishes.damping_setting)
    require_bead(
        machine.nozzle_mm,
        line_width_mm=machine.line_width_mm,
        layer_height_mm=machine.layer_height_mm,
    )
    require_acceleration(machine.acceleration_mm_s2, machine.max_acceleration_mm_s2)
    if wishes.like is None:
        require_bed(machine.bed_mm)
        require_speed(
            machine.speed_mm_s,
            highest_mm_s=machine.max_speed_mm_s,
            corner_speed_mm_s=machine.corner_speed_mm_s,
        )
    else:  # its speed is kept, whatever it is
        require_like(wishes.like)
        require_bed(machine.bed_mm, wishes.like.size.width_mm)
        require_label(wishes.tower, wishes.like)
    if not wishes.axes or not wishes.families:
        raise OptionError("give at least one axis and one shaper family")
    require_families(wishes.families, wishes.like)


def require_families(families: tuple[Family, ...], like: Plan | None = None) -> None:
    """Refuse a shaper that no plan is proposed with. Raises OptionError."""
    if Family.LIST in families and like is None:
        raise OptionError(
            "family LIST has no impulses here: plan with a family of the literature, then write "
            "the impulses into the plan file"
        )


def require_like(first: Plan) -> None:
    """Refuse an earlier tower that no proposal can be like. Raises PlanError."""
    for axis in first.axes:
        if first.ramp_of(axis).quantity is not Quantity.FREQUENCY:
            raise PlanError(
                f"plan '{first.tower}' raises the damping ratio for axis {axis.upper()}, and a "
                f"proposal raises the frequency; for a second tower of that kind copy the plan "
                f"file and give the copy another label"
            )


def require_label(tower: str, first: Plan) -> None:
    """Refuse the label of the earlier tower itself. Raises OptionError."""
    if tower == first.tower:
        raise OptionError(
            f"'{tower}' is the label of the earlier tower itself; give the second one its own, or "
            f"their photos are taken for two of one tower"
        )
