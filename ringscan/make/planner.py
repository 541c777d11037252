"""Proposes a calibration tower that a photo can be read from, for what the machine can do.

Every speed and acceleration the person allows is tried on a grid. What a tower cannot be
without (flow, bed, sheet, speed reached) is never given up; of the rest, the proposal gives up
as little as it can and says what and why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil, floor, log

import numpy as np

from ringscan import layout
from ringscan.errors import PlanError
from ringscan.make.assess import MIN_LAYERS_PER_HZ, Assessment, assess
from ringscan.make.bead import bead_section_mm2
from ringscan.make.departures import departures
from ringscan.make.limits import BED_MARGIN_MM, least_speed_mm_s
from ringscan.make.visible import (
    MIN_RIPPLE_UM,
    MIN_RIPPLES,
    likely_frequencies,
    ripples_on_face,
    visibility,
)
from ringscan.make.wishes import Machine, Wishes, require_possible
from ringscan.plan import Family, Plan, build_plan
from ringscan.plancode import encode_plan

WIDTHS_MM = (60.0, 70.0, layout.MAX_TOWER_WIDTH_MM)
"""Widths to try; 60 mm stands well at full height and is the easiest to photograph."""

BASE_MM = 3.0
"""The first layers are wide and slow: neither reference nor ramp."""
REFERENCE_MM = 8.0
TOP_MM = 3.0
"""The last layers are ragged."""
MM_PER_HZ = 2.0
"""Height given to each Hz where the sheet has room for it."""
MIN_RAMP_MM = 40.0
"""A lower ramp makes a tower too low to find its edges well."""

SHARPEST_FIRST = (Family.ZV, Family.ZVD, Family.EI, Family.ZVDD, Family.EI2, Family.EI3)
"""By 5 % insensitivity at no damping (.06, .29, .40, .48 ...): the narrower the quiet band, the
more sharply it is located."""

THINNEST_OF_NOZZLE = 0.25
"""Layers thinner than this part of the nozzle's bore do not print evenly (common practice)."""
HEIGHT_STEP_MM = 0.02
ACCELERATIONS = 12
"""Accelerations tried between the intended and the highest allowed one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What is proposed.

    plan : to be printed
    assessment : what it will show
    changes : where it departs from the intentions, and why
    """

    plan: Plan
    assessment: Assessment
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    cost: float
    speed: float
    acceleration: float
    width: float
    layer_height: float


def propose(machine: Machine, wishes: Wishes) -> Proposal:
    """Find the plan that gives up least.

    Raises
    ------
    OptionError
        If a limit or a wish is impossible by itself.
    PlanError
        If no tower at all can be printed with these limits, or wishes contradict each other.
    """
    require_possible(machine, wishes)
    choice = _best(machine, wishes) if wishes.like is None else _kept(machine, wishes.like)
    plan = _plan(machine, wishes, choice)
    layout.tower_outline(plan)
    for axis in plan.axes:
        encode_plan(plan, axis)
    assessment = assess(
        plan,
        wishes.low_hz,
        wishes.high_hz,
        flow_limit_mm3_s=machine.flow_limit_mm3_s,
        filament_mm=machine.filament_mm,
    )
    return Proposal(
        plan=plan,
        assessment=assessment,
        changes=tuple(
            departures(machine, wishes, plan, assessment.visibility, usual_width_mm=WIDTHS_MM[0])
        ),
    )


def _best(machine: Machine, wishes: Wishes) -> _Choice:
    """Try every combination; costs are in units of 'one per cent of the range lost'."""
    room = min(machine.bed_mm) - 2 * BED_MARGIN_MM
    widths = [w for w in WIDTHS_MM if w <= room] or [float(floor(room))]
    heights = [
        (
            h,
            bead_section_mm2(machine.line_width_mm, h),
            max(0.0, 1 - _ramp(machine, wishes, h).layers_per_hz / MIN_LAYERS_PER_HZ),
        )
        for h in _layer_heights(machine)
    ]
    frequency = likely_frequencies(wishes.low_hz, wishes.high_hz)
    slowest = least_speed_mm_s(machine.corner_speed_mm_s)
    speeds = {float(v) for v in range(slowest, floor(machine.max_speed_mm_s) + 1)}
    if machine.speed_mm_s >= slowest:
        speeds.add(machine.speed_mm_s)
    best: _Choice | None = None
    for a in _accelerations(machine):
        for v in sorted(speeds):
            widest = machine.face_motion(v, a, layout.MAX_TOWER_WIDTH_MM)
            seen = visibility(frequency, widest, machine.line_width_mm)
            weak = np.clip(1 - seen.ripple_um / MIN_RIPPLE_UM, 0, None)
            sight = 100 * float(seen.lost.mean()) + 10 * float(weak.mean())
            sight += abs(log(v / machine.speed_mm_s)) + 2 * log(a / machine.acceleration_mm_s2)
            if best is not None and sight >= best.cost:
                continue
            for width in widths:
                motion = machine.face_motion(v, a, width)
                if motion.top_speed_mm_s < v:
                    continue
                short = max(0.0, 1 - ripples_on_face(motion, wishes.low_hz) / MIN_RIPPLES)
                shape = 40 * short + 0.02 * (width - widths[0])
                for h, section, few in heights:
                    if v * section > machine.flow_limit_mm3_s:
                        continue
                    cost = sight + shape + 40 * few + 0.5 * (1 - h / machine.layer_height_mm)
                    if best is None or cost < best.cost:
                        best = _Choice(
                            cost=cost, speed=v, acceleration=a, width=width, layer_height=h
                        )
    if best is None:
        raise PlanError(
            f"no tower is possible: from {slowest} to {machine.max_speed_mm_s:g} mm/s every speed "
            f"either exceeds the flow limit of {machine.flow_limit_mm3_s:g} mm³/s or is not "
            f"reached on a face; check flow limit, line width, speed and acceleration"
        )
    return best


def _kept(machine: Machine, first: Plan) -> _Choice:
    """What an earlier tower was printed with, if this machine can."""
    size, motion = first.size, first.motion
    flow = motion.speed_mm_s * bead_section_mm2(size.line_width_mm, size.layer_height_mm)
    if flow > machine.flow_limit_mm3_s:
        raise PlanError(
            f"a tower like '{first.tower}' needs {flow:.1f} mm³/s, the hot end melts "
            f"{machine.flow_limit_mm3_s:g}: if that limit is right the first one starved too, and "
            f"a new one without --like is the way"
        )
    return _Choice(
        cost=0.0,
        speed=motion.speed_mm_s,
        acceleration=motion.acceleration_mm_s2,
        width=size.width_mm,
        layer_height=size.layer_height_mm,
    )


def _accelerations(machine: Machine) -> list[float]:
    low, high = machine.acceleration_mm_s2, machine.max_acceleration_mm_s2
    if high <= low:
        return [low]
    between = np.geomspace(low, high, ACCELERATIONS)[1:-1]
    # round numbers, which must not round beyond what the user allows
    return [low, *(a for a in (round(float(a), -2) for a in between) if low < a < high), high]


def _layer_heights(machine: Machine) -> list[float]:
    """The intended height first, then thinner ones, for when flow or layers run short."""
    h = machine.layer_height_mm
    thinnest = min(h, THINNEST_OF_NOZZLE * machine.nozzle_mm)
    count = floor(round((h - thinnest) / HEIGHT_STEP_MM, 6))
    return [round(h - i * HEIGHT_STEP_MM, 3) for i in range(count + 1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ramp:
    """Steps of a ramp: how many, by how many Hz each, and how many layers share one."""

    count: int
    step_hz: float
    each: int = 1

    @property
    def layers(self) -> int:
        return self.count * self.each

    @property
    def layers_per_hz(self) -> float:
        return self.each / self.step_hz


def _ramp(machine: Machine, wishes: Wishes, layer_height_mm: float) -> _Ramp:
    """The ramp as the range and the room for it allow."""
    h = layer_height_mm
    tallest = min(layout.MAX_TOWER_HEIGHT_MM, machine.max_height_mm)
    used = BASE_MM + TOP_MM + (REFERENCE_MM if wishes.reference else 0.0)
    room = tallest - used - 2 * h - _first_layer_mm(machine, wishes)
    if room < MIN_RAMP_MM:
        raise PlanError(
            f"a printable height of {tallest:g} mm leaves {room:.0f} mm for the ramp; at least "
            f"{MIN_RAMP_MM:g} mm are needed"
        )
    span = wishes.high_hz - wishes.low_hz
    height = min(room, max(MIN_RAMP_MM, MM_PER_HZ * span))
    # two decimals keep the sheet's code short and any firmware content
    exact = 100 * span / (floor(height / h) - 1)
    ramps = [
        _Ramp(count=ceil(round(100 * span / n, 6)) + 1, step_hz=n / 100)
        for n in range(max(1, floor(exact)), max(1, ceil(round(exact, 6))) + 10)
    ]
    usual = next(ramp for ramp in ramps if ramp.step_hz * 100 > exact - 1e-6)
    if usual.layers * h >= MIN_RAMP_MM:
        return usual
    # a narrow range: the step is rounded the other way, or several layers share one
    taller = [replace(ramp, each=ceil(round(MIN_RAMP_MM / h / ramp.count, 6))) for ramp in ramps]
    fitting = [ramp for ramp in taller if ramp.layers * h <= room]
    return min(fitting, key=lambda ramp: (ramp.each, ramp.layers), default=usual)


def _first_layer_mm(machine: Machine, wishes: Wishes) -> float:
    """What must stick stays as thick as was intended."""
    like = wishes.like
    return machine.layer_height_mm if like is None else like.size.first_layer_mm


def _plan(machine: Machine, wishes: Wishes, choice: _Choice) -> Plan:
    h = choice.layer_height
    base = ceil(round(BASE_MM / h, 6))
    reference = ceil(round(REFERENCE_MM / h, 6)) if wishes.reference else 0
    ramp = _ramp(machine, wishes, h)
    first = base + reference
    commanded: dict[str, float] = {
        "first_layer": first,
        "last_layer": first + ramp.layers - 1,
        "start": wishes.low_hz,
        "step": ramp.step_hz,
    }
    if ramp.each > 1:
        commanded["layers_per_step"] = ramp.each
    if wishes.like is not None:
        shaper = wishes.like.shaper.model_dump(exclude_none=True)
    else:
        shaper = {"family": next(f for f in SHARPEST_FIRST if f in wishes.families)}
    data = {
        "tower": wishes.tower,
        "size": {
            "width_mm": choice.width,
            "line_width_mm": machine.line_width_mm,
            "first_layer_mm": _first_layer_mm(machine, wishes),
            "layer_height_mm": h,
            "layers": first + ramp.layers + floor(TOP_MM / h),
        },
        "motion": {
            "direction": wishes.direction,
            "speed_mm_s": float(choice.speed),
            "acceleration_mm_s2": choice.acceleration,
            "corner_speed_mm_s": machine.corner_speed_mm_s,
        },
        "shaper": shaper | {"damping_ratio": wishes.damping_setting},
        "ramp": dict.fromkeys(wishes.axes, commanded),
    }
    if wishes.reference:
        data["reference"] = {"first_layer": base, "last_layer": first - 1}
    return build_plan(data, source="the proposal")
