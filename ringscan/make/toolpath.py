"""The tower as a complete toolpath in plain G-code, between the user's own start and end text.

One wall, layered or as a spiral, with a brim at the first layer. Nothing of the machine's own
settings is in it: heating, homing, acceleration and whether E counts relative are the user's
text. Every move is read back and checked before the file appears.

Travel starts at the rear left corner, so that the two analysed faces, front and right, are
each entered from a face that was just printed at full speed; the face entered from the seam is
a spare one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import floor, isfinite
from pathlib import Path

from ringscan.errors import OptionError, PlanError
from ringscan.make.bead import bead_section_mm2, filament_per_mm
from ringscan.make.cautions import CAUTIONS
from ringscan.make.job import BEGIN_END, BEGIN_START, BEGIN_TOWER, Bed, BrimSide, Job, Style
from ringscan.make.limits import require_machine
from ringscan.make.readback import check_toolpath
from ringscan.make.shaped import require_shaper
from ringscan.make.template import lines_of
from ringscan.output import writing_whole
from ringscan.plan import Direction, Plan

FIRST_LAYER_MM_S = 20.0
"""The first layer and its brim are printed slowly, to stick. Common practice, no source."""
SPEED_STEP_MM_S = 0.1
"""Where the hot end cannot melt a thick first layer so fast, the speed is lowered in such steps."""
SLOW_LAYERS = 5
"""Layers over which the speed then rises to the plan's, as far as none of them is measured: a wall
that is one line wide is torn off a bed that moves at once as fast as it can."""
TRAVEL_MM_S = 100.0
"""Without printing, but no faster than the plan's speed, which its limits were meant for."""
RISE_MM_S = 5.0
"""Up and down: lead screws turned faster stall on many machines (common practice, no source)."""
LIFT_MM = 5.0
"""Height above the bed for the way to the tower, after the user's start text."""


def write_toolpath(plan: Plan, job: Job, path: Path) -> tuple[str, ...]:
    """Write the toolpath and return warnings about the user's own text.

    Raises
    ------
    OptionError
        If the bed's numbers are none, the start text leaves the machine in inches or relative
        coordinates, or the user's own text moves in a way that cannot be read.
    PlanError
        If a move would leave the bed, the height or the flow limit, the brim does not fit, the
        plan measures where this tower cannot be, or its shaper does not exist.
    OutputError
        If the file cannot be written.
    """
    require_shaper(plan)
    bed = job.bed
    require_machine(
        bed_mm=bed.size_mm,
        max_height_mm=bed.max_height_mm,
        flow_limit_mm3_s=bed.flow_limit_mm3_s,
        filament_mm=bed.filament_mm,
    )
    _refuse_spoilt(plan, job.style)
    if not all(isfinite(at) for at in bed.origin_mm):
        raise OptionError("the bed's front left corner must be two numbers")
    lines = list(_lines(plan, job))
    warnings = check_toolpath(plan, job, lines)
    with writing_whole(path) as file:
        for line in lines:
            file.write(line.encode() + b"\n")
    return warnings


def _refuse_spoilt(plan: Plan, style: Style) -> None:
    """Nothing may be measured where the tower is not printed as all the rest of it."""
    if min(layers.start for layers in plan.measured) == 0:
        raise PlanError(
            f"plan '{plan.tower}': layer 0 is printed slowly and with the brim; let ramp and "
            f"reference band begin above it"
        )
    if style is Style.SPIRAL and max(layers.stop for layers in plan.measured) >= plan.size.layers:
        raise PlanError(
            f"plan '{plan.tower}': a spiral runs out on the top layer; let ramp and reference band "
            f"end below it, or make the tower in layers"
        )


def _lines(plan: Plan, job: Job) -> Iterator[str]:
    yield from _head(plan, job)
    yield "G21"
    yield "G90"
    yield BEGIN_START
    yield from lines_of(job.start_text)
    yield BEGIN_TOWER
    yield from _tower(plan, job)
    yield BEGIN_END
    yield from lines_of(job.end_text)


def _head(plan: Plan, job: Job) -> Iterator[str]:
    m, s = plan.motion, plan.size
    yield f"; Calibration tower {plan.tower}, {s.width_mm:g} mm wide, {plan.height_mm:g} mm tall"
    yield f"; plan {plan.digest[:16]}, {job.style} of {s.layers} layers, one wall"
    yield "; CAUTION"
    for caution in CAUTIONS:
        yield f"; {caution}"
    yield "; The start text must heat, home, start the fan and set the limits: this file does not."
    yield "; The start text must make E count relative, and set the plan's acceleration,"
    yield f"; {m.acceleration_mm_s2:g} mm/s2, and corner speed, {m.corner_speed_mm_s:g} mm/s."
    yield "; Photograph the front face for Y and the right face for X."


@dataclass(frozen=True, slots=True, kw_only=True)
class _Loop:
    """Corners of a square around (x, y), `half` mm from the middle, in order of travel."""

    x: float
    y: float
    half: float
    direction: Direction

    def corners(self) -> list[tuple[float, float]]:
        signs = [(-1, 1), (-1, -1), (1, -1), (1, 1)]
        if self.direction is Direction.CLOCKWISE:
            signs = [signs[0], *signs[:0:-1]]
        return [(self.x + i * self.half, self.y + j * self.half) for i, j in signs]


def _tower(plan: Plan, job: Job) -> Iterator[str]:
    size, bed = plan.size, job.bed
    x = bed.origin_mm[0] + bed.size_mm[0] / 2
    y = bed.origin_mm[1] + bed.size_mm[1] / 2
    half = (size.width_mm - size.line_width_mm) / 2
    wall = _Loop(x=x, y=y, half=half, direction=plan.motion.direction)
    side = 2 * half
    per_mm = {
        h: filament_per_mm(bead_section_mm2(size.line_width_mm, h), bed.filament_mm)
        for h in (size.first_layer_mm, size.layer_height_mm)
    }
    first, usual = per_mm[size.first_layer_mm], per_mm[size.layer_height_mm]

    yield f"G0 Z{_coordinate(LIFT_MM)} F{_feed(RISE_MM_S)}"
    sign = 1 if job.brim_side is BrimSide.OUTSIDE else -1
    if half + sign * job.brim_loops * size.line_width_mm < size.line_width_mm:
        most = int(half / size.line_width_mm) - 1
        raise PlanError(
            f"plan '{plan.tower}': {job.brim_loops} brim loops do not fit inside the tower; "
            f"at most {most} do"
        )
    for n in range(job.brim_loops, 0, -1):
        loop = _Loop(
            x=x, y=y, half=half + sign * n * size.line_width_mm, direction=plan.motion.direction
        )
        yield from _approach(loop, size.first_layer_mm, plan)
        yield from _square(loop, first, _speed_mm_s(plan, 0, bed))
    yield from _approach(wall, size.first_layer_mm, plan)
    yield from _square(wall, first, _speed_mm_s(plan, 0, bed))

    if job.style is Style.LAYERS:
        for layer in range(1, size.layers):
            yield f"G1 Z{_coordinate(plan.layer_top_mm(layer))} F{_feed(RISE_MM_S)}"
            yield from _square(wall, usual, _speed_mm_s(plan, layer, bed))
        return
    corners = wall.corners()
    targets = [*corners[1:], corners[0]]
    quarter = size.layer_height_mm / 4
    for layer in range(1, size.layers + 1):
        # the first turn rises from nothing to a full layer, the last runs out on the level
        share = {1: 1, size.layers: -1}.get(layer, 0)
        bottom, speed = plan.layer_top_mm(layer - 1), _speed_mm_s(plan, layer, bed)
        for n, (cx, cy) in enumerate(targets):
            part = {1: (n + 0.5) / 4, -1: 1 - (n + 0.5) / 4}.get(share, 1.0)
            z = bottom if share < 0 else bottom + (n + 1) * quarter
            yield (
                f"G1 X{_coordinate(cx)} Y{_coordinate(cy)} Z{_coordinate(z)} "
                f"E{side * usual * part:.5f} F{_feed(speed)}"
            )


def _speed_mm_s(plan: Plan, layer: int, bed: Bed) -> float:
    """Speed of a layer's wall: the plan's wherever something is measured."""
    measured_from = min(layers.start for layers in plan.measured)
    full = plan.motion.speed_mm_s
    if layer >= min(measured_from, SLOW_LAYERS):
        return full
    # the first layer may be thicker than the rest, for which the plan's speed was chosen
    first = bead_section_mm2(plan.size.line_width_mm, plan.size.first_layer_mm)
    melted = floor(bed.flow_limit_mm3_s / first / SPEED_STEP_MM_S) * SPEED_STEP_MM_S
    slow = min(FIRST_LAYER_MM_S, full, max(melted, SPEED_STEP_MM_S))
    return slow + layer / SLOW_LAYERS * (full - slow)


def _approach(loop: _Loop, z: float, plan: Plan) -> Iterator[str]:
    travel = min(TRAVEL_MM_S, plan.motion.speed_mm_s)
    cx, cy = loop.corners()[0]
    yield f"G0 X{_coordinate(cx)} Y{_coordinate(cy)} F{_feed(travel)}"
    yield f"G0 Z{_coordinate(z)} F{_feed(RISE_MM_S)}"


def _square(loop: _Loop, e_per_mm: float, speed: float) -> Iterator[str]:
    corners = loop.corners()
    for cx, cy in [*corners[1:], corners[0]]:
        yield (
            f"G1 X{_coordinate(cx)} Y{_coordinate(cy)} E{2 * loop.half * e_per_mm:.5f} "
            f"F{_feed(speed)}"
        )


def _coordinate(value: float) -> str:
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _feed(speed_mm_s: float) -> str:
    """Feed per minute."""
    return f"{60 * speed_mm_s:.2f}".rstrip("0").rstrip(".")
