"""Reads a finished G-code file back: what was really commanded on each layer's faces.

Only what the moves and the user's own command text say is used. Acceleration, corner speed and
feed overrides are set by words of each firmware's own and cannot be read here.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from ringscan.errors import GcodeError
from ringscan.make.extrusion import extrudes_relative
from ringscan.make.gcode import Move
from ringscan.make.gcodelines import read_lines
from ringscan.make.layers import Layer, find_layers
from ringscan.make.ramp import has_end, read_marks
from ringscan.make.shaped import require_shaper
from ringscan.make.template import commanded_value
from ringscan.make.texts import Texts
from ringscan.make.unread import Other, read_unread
from ringscan.plan import AXES, Axis, Direction, Plan

Face = Literal["front", "right", "back", "left"]
FACES_OF: Mapping[Axis, tuple[Face, Face]] = {"x": ("right", "left"), "y": ("front", "back")}

ON_FACE_MM = 0.3
"""Moves this near the outermost line, and parallel to it, print the face."""
SLOPE = 0.02
"""Greatest slope of a move that counts as parallel: about one degree."""
SEAM_CORNER_MM = 3.0
"""A seam this near a corner is not in mid-face."""
EDGE_SHARE = 0.02
"""Part of a face's length whose speed may differ, as where a seam is closed."""
MAX_COMMANDS = 200_000
"""More lines of the user's text than any tower has; it bounds the memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Commanded:
    """What an axis's shaper was told.

    value : Hz or 1; None while it is off
    inside : True if it changed in the middle of the layer
    """

    value: float | None
    inside: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerRow:
    """One layer as the file has it.

    layer : counted from 0
    height_mm : of its upper face
    width_mm : of the nozzle's path, along x and y
    speed_mm_s : least and greatest feed on the faces of each axis; empty if it has none
    direction : None if it cannot be told, or differs between faces
    walls : extruded length over that of one wall
    seam : the face in whose middle the layer begins, if any
    commanded : per axis; an axis is missing before its first command
    """

    layer: int
    height_mm: float
    width_mm: tuple[float, float]
    speed_mm_s: Mapping[Axis, tuple[float, float]]
    direction: Direction | None
    walls: float
    seam: Face | None
    commanded: Mapping[Axis, Commanded]


@dataclass(frozen=True, slots=True, kw_only=True)
class FileReport:
    """All layers of a file.

    rows : one for each layer, from the base up
    texts : those that its commands were read with
    others : other commands among the layers that are commanded
    relative_e, told_relative_e : how E counts by its numbers, and by what the file tells the
        machine before the first layer, if it does
    ended : whether more than moves and those commands follows the last line of filament
    set_after : axes that are commanded once more after it
    """

    rows: tuple[LayerRow, ...]
    texts: Texts | None
    others: tuple[Other, ...]
    relative_e: bool
    told_relative_e: bool | None
    ended: bool
    set_after: frozenset[Axis]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Event:
    line: int
    axes: tuple[Axis, ...]
    value: float | None


def read_file(path: Path, plan: Plan, texts: Texts | None = None) -> FileReport:
    """Report every layer of a G-code file.

    Parameters
    ----------
    plan : says which axes and which quantity were ramped, nothing else
    texts : the user's command texts; those that `ramp` left in the file serve as well

    Raises
    ------
    PlanError
        If the plan's shaper does not exist.
    GcodeError
        If the file cannot be read or is no single tower.
    """
    require_shaper(plan)
    if texts is None and (marks := read_marks(path)) is not None:
        texts = marks.texts
    events = [] if texts is None else list(_events(path, texts, plan))
    rows = []
    now: dict[Axis, float | None] = {}
    place = base = last = 0
    relative_e = extrudes_relative(path)
    for layer in find_layers(path, relative_e=relative_e):
        base, last = base or layer.first_line, layer.moves[-1].line
        inside: set[Axis] = set()
        while place < len(events) and events[place].line < last:
            event = events[place]
            if event.line > layer.first_line:
                inside.update(axis for axis in event.axes if now.get(axis) != event.value)
            now.update(dict.fromkeys(event.axes, event.value))
            place += 1
        commanded = {a: Commanded(value=v, inside=a in inside) for a, v in now.items()}
        rows.append(_row(layer, commanded))
    first = events[0].line if events else None
    unread = read_unread(path, texts, base=base, first=first, last=last)
    return FileReport(
        rows=tuple(rows),
        texts=texts,
        others=unread.others,
        relative_e=relative_e,
        told_relative_e=unread.told_relative_e,
        ended=has_end(path, last, texts),
        set_after=frozenset(axis for event in events[place:] for axis in event.axes),
    )


def _events(path: Path, texts: Texts, plan: Plan) -> Iterator[_Event]:
    """The user's text wherever it stands in the file."""
    patterns = [(p, t) for t in (texts.off, texts.command) if t for p in t.patterns()]
    named: tuple[Axis, ...] = ()
    count = 0
    for number, line in read_lines(path):
        text = line.decode("utf-8", "replace").strip()
        hit = next(((m, t) for p, t in patterns if (m := p.fullmatch(text))), None)
        if hit is None:
            continue
        if (count := count + 1) > MAX_COMMANDS:
            raise GcodeError(f"{path}, line {number}: more commands than any tower has")
        match, source = hit
        found = match.groupdict()
        name = found.get("axis") or found.get("axis_lower")
        if name is not None:  # a text of several lines may name its axis in the first only
            named = tuple(a for a in AXES if a == name.lower())
        axes = named if source.names_axis else plan.axes
        if source is texts.off:
            yield _Event(line=number, axes=axes, value=None)
            continue
        for axis in [axis for axis in axes if axis in plan.axes]:
            value = commanded_value(plan.ramp_of(axis).quantity, found)
            if value is not None:
                yield _Event(line=number, axes=(axis,), value=value)


def _row(layer: Layer, commanded: Mapping[Axis, Commanded]) -> LayerRow:
    x0, y0, x1, y1 = layer.box_mm
    on_face: dict[Face, list[Move]] = {"front": [], "right": [], "back": [], "left": []}
    forward = backward = total = 0.0
    for move in layer.moves:
        length = move.length_mm
        total += length
        face, along = _face(move, (x0, y0, x1, y1))
        if face is None:
            continue
        on_face[face].append(move)
        if along > 0:
            forward += length
        else:
            backward += length
    speeds: dict[Axis, tuple[float, float]] = {}
    for axis, faces in FACES_OF.items():
        moves = [m for face in faces for m in on_face[face]]
        if moves:
            speeds[axis] = _speeds(moves)
    seam = None if layer.climbs else _seam(layer.moves, (x0, y0, x1, y1))
    return LayerRow(
        layer=layer.index,
        height_mm=layer.height_mm,
        width_mm=(x1 - x0, y1 - y0),
        speed_mm_s=speeds,
        direction=_direction(forward, backward),
        walls=total / max(2 * (x1 - x0 + y1 - y0), 1e-9),
        seam=seam,
        commanded=commanded,
    )


def _face(move: Move, box: tuple[float, float, float, float]) -> tuple[Face | None, float]:
    """Face that a move prints, and its travel, positive counter-clockwise."""
    x0, y0, x1, y1 = box
    dx, dy = move.x - move.x0, move.y - move.y0
    if abs(dy) <= SLOPE * abs(dx):
        if max(move.y, move.y0) <= y0 + ON_FACE_MM:
            return "front", dx
        if min(move.y, move.y0) >= y1 - ON_FACE_MM:
            return "back", -dx
    elif abs(dx) <= SLOPE * abs(dy):
        if min(move.x, move.x0) >= x1 - ON_FACE_MM:
            return "right", dy
        if max(move.x, move.x0) <= x0 + ON_FACE_MM:
            return "left", -dy
    return None, 0.0


def _speeds(moves: list[Move]) -> tuple[float, float]:
    """Least and greatest feed, leaving out a small part of the length at either end."""
    speed = np.array([m.speed_mm_s for m in moves])
    order = np.argsort(speed, kind="stable")
    share = np.cumsum(np.array([m.length_mm for m in moves])[order])
    share /= share[-1]
    low = int(np.searchsorted(share, EDGE_SHARE, side="right"))
    high = int(np.searchsorted(share, 1 - EDGE_SHARE))
    return float(speed[order[low]]), float(speed[order[high]])


def _direction(forward: float, backward: float) -> Direction | None:
    total = forward + backward
    if total == 0:
        return None
    if backward <= EDGE_SHARE * total:
        return Direction.COUNTER_CLOCKWISE
    return Direction.CLOCKWISE if forward <= EDGE_SHARE * total else None


def _seam(moves: tuple[Move, ...], box: tuple[float, float, float, float]) -> Face | None:
    """Face in whose middle the first move along a face begins."""
    x0, y0, x1, y1 = box
    for move in moves:
        face, _ = _face(move, box)
        if face is None:
            continue
        corners = [(x, y) for x in (x0, x1) for y in (y0, y1)]
        away = min(math.hypot(move.x0 - x, move.y0 - y) for x, y in corners)
        return face if away > SEAM_CORNER_MM else None
    return None
