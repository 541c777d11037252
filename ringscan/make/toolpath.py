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
from enum import StrEnum
from math import isfinite, pi
from pathlib import Path

from ringscan.errors import OptionError, PlanError
from ringscan.make.bead import bead_section_mm2, filament_per_mm
from ringscan.make.cautions import CAUTIONS
from ringscan.make.gcode import Move, Reader, homes, parse_line
from ringscan.make.limits import require_machine
from ringscan.make.shaped import require_shaper
from ringscan.make.template import lines_of
from ringscan.output import writing_whole
from ringscan.plan import Direction, Plan

FIRST_LAYER_MM_S = 20.0
"""The first layer and its brim are printed slowly, to stick. Common practice, no source."""
SLOW_LAYERS = 5
"""Layers over which the speed then rises to the plan's, as far as none of them is measured: a wall
that is one line wide is torn off a bed that moves at once as fast as it can."""
TRAVEL_MM_S = 100.0
"""Without printing, and a fifth of it up and down; common practice, no source."""
LIFT_MM = 5.0
"""Height above the bed for the way to the tower, after the user's start text."""
ROUNDING_MM = 0.002
"""Coordinates are written with three decimals."""
MOST_WARNINGS = 5
ABSOLUTE_E, RELATIVE_E = ("M", 82.0), ("M", 83.0)
"""Common practice, not of the standard."""
ABSOLUTE = ("G", 90.0)
FLOW_SLACK = 1.0001
"""E is written with five decimals: a millionth of a side's, a few more of a short one's."""


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


def write_toolpath(plan: Plan, job: Job, path: Path) -> tuple[str, ...]:
    """Write the toolpath and return warnings about the user's own text.

    Raises
    ------
    OptionError
        If the bed's numbers are none, or the start text leaves the machine in inches or relative
        coordinates.
    PlanError
        If a move would leave the bed, the height or the flow limit, the brim does not fit, the
        plan measures where this tower cannot be, or its shaper does not exist.
    GcodeError
        If the user's own text moves in a way that cannot be read.
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
    warnings = _check(plan, job, lines)
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


BEGIN_START = "; -- the user's start text"
BEGIN_TOWER = "; -- the tower"
BEGIN_END = "; -- the user's end text"


def _head(plan: Plan, job: Job) -> Iterator[str]:
    m, s = plan.motion, plan.size
    yield f"; Calibration tower {plan.tower}, {s.width_mm:g} mm wide, {plan.height_mm:g} mm tall"
    yield f"; plan {plan.digest[:16]}, {job.style} of {s.layers} layers, one wall"
    yield "; CAUTION"
    for caution in CAUTIONS:
        yield f"; {caution}"
    yield "; This file sets no temperature, homes nothing and sets no limits: the start text does."
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

    yield f"G0 Z{_coordinate(LIFT_MM)} F{_feed(TRAVEL_MM_S / 5)}"
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
        yield from _approach(loop, size.first_layer_mm)
        yield from _square(loop, first, _speed_mm_s(plan, 0))
    yield from _approach(wall, size.first_layer_mm)
    yield from _square(wall, first, _speed_mm_s(plan, 0))

    if job.style is Style.LAYERS:
        for layer in range(1, size.layers):
            yield f"G1 Z{_coordinate(plan.layer_top_mm(layer))} F{_feed(TRAVEL_MM_S / 5)}"
            yield from _square(wall, usual, _speed_mm_s(plan, layer))
        return
    corners = wall.corners()
    targets = [*corners[1:], corners[0]]
    quarter = size.layer_height_mm / 4
    for layer in range(1, size.layers + 1):
        # the first turn rises from nothing to a full layer, the last runs out on the level
        share = {1: 1, size.layers: -1}.get(layer, 0)
        bottom, speed = plan.layer_top_mm(layer - 1), _speed_mm_s(plan, layer)
        for n, (cx, cy) in enumerate(targets):
            part = {1: (n + 0.5) / 4, -1: 1 - (n + 0.5) / 4}.get(share, 1.0)
            z = bottom if share < 0 else bottom + (n + 1) * quarter
            yield (
                f"G1 X{_coordinate(cx)} Y{_coordinate(cy)} Z{_coordinate(z)} "
                f"E{side * usual * part:.5f} F{_feed(speed)}"
            )


def _speed_mm_s(plan: Plan, layer: int) -> float:
    """Speed of a layer's wall: the plan's wherever something is measured."""
    measured_from = min(layers.start for layers in plan.measured)
    full = plan.motion.speed_mm_s
    if layer >= min(measured_from, SLOW_LAYERS):
        return full
    slow = min(FIRST_LAYER_MM_S, full)
    return slow + layer / SLOW_LAYERS * (full - slow)


def _approach(loop: _Loop, z: float) -> Iterator[str]:
    cx, cy = loop.corners()[0]
    yield f"G0 X{_coordinate(cx)} Y{_coordinate(cy)} F{_feed(TRAVEL_MM_S)}"
    yield f"G0 Z{_coordinate(z)} F{_feed(TRAVEL_MM_S / 5)}"


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


def _check(plan: Plan, job: Job, lines: list[str]) -> tuple[str, ...]:
    """Read every move back; our own must be within all limits, the user's are warned about."""
    reader = Reader(relative_e=True, source="the toolpath")
    warnings = [*_empty_texts(job), *_start_lacks(job.start_text)]
    ours = ended = False
    worst: dict[str, _Wrong] = {}
    for number, line in enumerate(lines, 1):
        if line == BEGIN_TOWER:
            ours = True
            if not reader.absolute or reader.unit_mm != 1.0 or any(reader.offset.values()):
                raise OptionError(
                    "the start text leaves the machine in inches (G20), relative coordinates "
                    "(G91) or shifted ones (G92); put G21 and G90 into it, before the line that "
                    "makes E relative"
                )
        elif line == BEGIN_END:
            ours, ended = False, True
        elif ended and "Z" in homes(line) and len(warnings) < MOST_WARNINGS:
            warnings.append(
                f"the user's own text, line {number} of the file, homes Z after the print, which "
                f"may drive the nozzle into the tower, {plan.height_mm:g} mm tall; home X and Y "
                f"only, as far as the machine's manual allows it"
            )
        for move in reader.feed(line, number):
            wrong = _wrong(plan, job.bed, move)
            if wrong is None and ended:
                wrong = _into_the_tower(plan, job.bed, move)
            if wrong is None:
                continue
            if ours and wrong.by > worst.get(wrong.kind, wrong).by - 1e-9:
                worst[wrong.kind] = wrong
            elif not ours and len(warnings) < MOST_WARNINGS:
                warnings.append(f"the user's own text, line {number} of the file, {wrong.said}")
    for wrong in worst.values():
        raise PlanError(f"plan '{plan.tower}': the toolpath {wrong.said}")
    return tuple(warnings)


def _empty_texts(job: Job) -> Iterator[str]:
    for name, text, duty in (
        ("start", job.start_text, "heating, homing, limits and relative E are its duty"),
        ("end", job.end_text, "switching the heaters off is its duty"),
    ):
        if not any(parse_line(line) for line in lines_of(text)):
            yield f"the {name} text holds no plain G-code; {duty}"
    if job.start_text == job.end_text and any(map(parse_line, lines_of(job.start_text))):
        yield "start and end text are the same: is one of them the wrong file?"


def _start_lacks(text: str) -> Iterator[str]:
    """What a start text of plain code leaves out; words of a firmware's own may do anything."""
    lines = [parse_line(line) for line in lines_of(text)]
    words = [word for line in lines if line for word in line]
    how = [word for word in words if word in (ABSOLUTE_E, RELATIVE_E, ABSOLUTE)]
    told = [word for word in how if word != ABSOLUTE]
    if told and told[-1] == ABSOLUTE_E:
        yield "the start text makes E absolute (M82), and the tower's E words are relative: use M83"
    elif told and how[-1] == ABSOLUTE:
        yield "the start text has G90 after M83; on some machines it makes E absolute again"
    if not words or None in lines:
        return
    if not told:
        yield "the start text does not make E relative (M83 on most machines)"
    if not any(homes(line) for line in lines_of(text)):
        yield "the start text homes no axis (G28): does the machine know where it is?"


def _into_the_tower(plan: Plan, bed: Bed, move: Move) -> _Wrong | None:
    """Whether a move after the print goes below the tower's top where the tower stands."""
    (x0, y0), (w, d) = bed.origin_mm, bed.size_mm
    half = plan.size.width_mm / 2
    beside = (
        max(move.x0, move.x) < x0 + w / 2 - half
        or min(move.x0, move.x) > x0 + w / 2 + half
        or max(move.y0, move.y) < y0 + d / 2 - half
        or min(move.y0, move.y) > y0 + d / 2 + half
    )
    lowest = min(move.z0, move.z)
    if beside or lowest >= plan.height_mm - ROUNDING_MM:
        return None
    return _Wrong(
        kind="tower",
        by=plan.height_mm - lowest,
        said=f"goes down to Z {lowest:g} mm where the tower stands, {plan.height_mm:g} mm tall",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wrong:
    """What is wrong with a move, and by how much: of moves wrong in one way the worst is told."""

    kind: str
    by: float
    said: str


def _wrong(plan: Plan, bed: Bed, move: Move) -> _Wrong | None:
    """What is wrong with a move."""
    margin = plan.size.line_width_mm / 2 if move.e > 0 else 0.0
    (x0, y0), (w, d) = bed.origin_mm, bed.size_mm
    inside = (
        x0 + margin - ROUNDING_MM <= move.x <= x0 + w - margin + ROUNDING_MM
        and y0 + margin - ROUNDING_MM <= move.y <= y0 + d - margin + ROUNDING_MM
    )
    moved = (move.x, move.y) != (move.x0, move.y0)  # where it stood is not this move's doing
    if moved and not inside:
        beyond = max(x0 - move.x, move.x - x0 - w, y0 - move.y, move.y - y0 - d)
        return _Wrong(
            kind="bed",
            by=beyond,
            said=f"leaves the bed at X {move.x:g} Y {move.y:g}; the bed is {w:g} × {d:g} mm from "
            f"X {x0:g} Y {y0:g}",
        )
    if not -ROUNDING_MM <= move.z <= bed.max_height_mm + ROUNDING_MM:
        return _Wrong(
            kind="height",
            by=abs(move.z),
            said=f"goes to Z {move.z:g} mm; the machine allows 0 to {bed.max_height_mm:g} mm",
        )
    if move.e < 0 and move.length_mm > 0:
        return _Wrong(
            kind="filament",
            by=-move.e,
            said=f"draws filament back while it moves to X {move.x:g} Y {move.y:g}",
        )
    if move.extrudes:
        seconds = move.length_mm / move.speed_mm_s if move.speed_mm_s > 0 else float("inf")
        flow = move.e * pi * (bed.filament_mm / 2) ** 2 / seconds
        if flow > bed.flow_limit_mm3_s * FLOW_SLACK:
            return _Wrong(
                kind="flow",
                by=flow,
                said=f"needs {flow:.1f} mm³/s; the hot end melts {bed.flow_limit_mm3_s:g}; plan a "
                f"lower speed or thinner layers",
            )
    return None
