"""Reads a toolpath back before it is written: limits to our moves, warnings on the user's text."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import pi

from ringscan.errors import GcodeError, OptionError, PlanError
from ringscan.make.gcode import Move, Reader
from ringscan.make.job import BEGIN_END, BEGIN_START, BEGIN_TOWER, Bed, Job
from ringscan.make.template import lines_of
from ringscan.make.words import ABSOLUTE_E, RELATIVE_E, Words, homes, parse_line
from ringscan.model.motion import face_motion
from ringscan.plan import Plan

ROUNDING_MM = 0.002
"""Coordinates are written with three decimals."""
MOST_WARNINGS = 5
DRAWN_BACK_MM = 0.2
"""Less is made up for within some millimetres of the first line."""
ABSOLUTE = ("G", 90.0)
NOZZLE, WAITING, FAN = (104, 109), (109, 116), (106,)
"""M words for its temperature, with S or R, for waiting until it is hot, and for the speed of the
fan; common practice, not of the standard."""
FLOW_SLACK = 1.0001
"""E is written with five decimals: a millionth of a side's, a few more of a short one's."""


def check_toolpath(plan: Plan, job: Job, lines: list[str]) -> tuple[str, ...]:
    """Read every move back: our own must be within all limits, the user's are warned about.

    Raises
    ------
    OptionError
        If the start text leaves the machine in inches or relative coordinates, or the user's own
        text moves in a way that cannot be read.
    PlanError
        If one of our own moves leaves the bed, the height or the flow limit.
    """
    reader = Reader(relative_e=True, source="the toolpath")
    begins = 0
    warnings = [*_empty_texts(job), *_start_lacks(job.start_text, plan), *_end_lacks(job.end_text)]
    ours = ended = False
    drawn_back = 0.0
    worst: dict[str, _Wrong] = {}
    for number, line in enumerate(lines, 1):
        if line in (BEGIN_START, BEGIN_END):  # the file is not there yet: lines of the text itself
            reader.source = "the start text" if line == BEGIN_START else "the end text"
            begins = number
        if line == BEGIN_TOWER:
            ours = True
            if drawn_back > DRAWN_BACK_MM:
                warnings.append(
                    f"the start text ends with {round(drawn_back, 2):g} mm of filament drawn back; "
                    f"feed it again there, or the first lines lack it"
                )
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
        try:
            moves = reader.feed(line, number - begins)
        except GcodeError as exc:
            raise OptionError(str(exc)) from exc
        for move in moves:
            drawn_back = max(0.0, drawn_back - move.e)
            wrong = _wrong(plan, job.bed, move, whole_line=ours)
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


def _start_lacks(text: str, plan: Plan) -> Iterator[str]:
    """What a start text of plain code leaves out; words of a firmware's own may do anything."""
    lines = _parsed(text)
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
    waits = [n for n, line in enumerate(lines) if line and _codes(line).intersection(WAITING)]
    if not any(heat > 0 for heat in _told(lines, NOZZLE)[-1:]):
        yield "the start text heats no nozzle (M104 or M109 on most machines): is it hot by then?"
    elif not waits:
        yield "the start text does not wait until the nozzle is hot (M109 on most machines)"
    elif any(
        letter == "E" and value > 0 for line in lines[: waits[0]] for letter, value in line or ()
    ):
        yield "the start text feeds filament before it has waited for the nozzle (M109)"
    if not any(fan > 0 for fan in _told(lines, FAN, bare=255.0)[-1:]):
        yield (
            f"the start text starts no fan (M106 on most machines): a layer takes only "
            f"{4 * face_motion(plan).duration_s:.0f} s, too little for most filaments to set "
            f"without one"
        )


def _end_lacks(text: str) -> Iterator[str]:
    """The same of an end text."""
    lines = _parsed(text)
    if None in lines or not any(lines):
        return
    if _told(lines, NOZZLE)[-1:] != [0.0]:
        yield (
            "the end text does not switch the heaters off (M104 S0 and M140 S0 on most machines): "
            "who does?"
        )


def _parsed(text: str) -> list[Words | None]:
    """Words of a text's lines; None where a line is no plain code."""
    return [parse_line(line) for line in lines_of(text)]


def _told(
    lines: list[Words | None], codes: tuple[int, ...], bare: float | None = None
) -> list[float]:
    """Values that some M words are told, in order; `bare` is that of a word without one."""
    told = []
    for line in lines:
        if line and _codes(line).intersection(codes):
            values = [value for letter, value in line if letter in "SR"]
            told += values or ([] if bare is None else [bare])
    return told


def _codes(line: Words) -> frozenset[float]:
    """M words of a line."""
    return frozenset(value for letter, value in line if letter == "M")


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


def _wrong(plan: Plan, bed: Bed, move: Move, *, whole_line: bool) -> _Wrong | None:
    """What is wrong with a move; of the tower the whole line must lie on the bed, while a line to
    prime the nozzle may well run along its edge.
    """
    margin = plan.size.line_width_mm / 2 if whole_line and move.e > 0 else 0.0
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
