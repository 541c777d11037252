"""Finds the layers of a one-wall tower in any G-code, from its moves alone.

A layer is where filament is laid: its height is the Z of extruding moves, so hops, travels and
whatever a program wrote into comments do not matter. A wall that climbs all the way round (a
spiral) has a new layer at each full turn about its middle.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from ringscan.errors import GcodeError
from ringscan.make.extrusion import extrudes_relative
from ringscan.make.gcode import Move, read_moves

SAME_LEVEL_MM = 0.012
"""Heights closer than this are one layer: below the thinnest layer, above rounding."""

CLIMB_MM = 1e-5
"""By which a move climbs at least: below the last decimal of any coordinate."""

PRIME_MM = 1.0
"""Filament laid higher than this is tower, not a line to prime the nozzle."""

OVERHANG_MM = 2.0
"""A wall does not step out further than this from one layer to the next."""

MAX_MOVES_PER_LAYER = 200_000
"""More than any one-wall layer has; it bounds the memory."""

MOST_LEVEL = 0.25
"""Part of a spiral's turn that may go on without climbing: rounded coordinates climb in steps."""

TURN_SLACK = 1e-3
"""Part of a turn by which rounded coordinates may close it early."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """What one layer lays down.

    index : counted from 0
    height_mm : of its upper face, as the file has it
    first_line : line of its first extruding move
    climbs : True in a spiral
    moves : its extruding moves, in order
    """

    index: int
    height_mm: float
    first_line: int
    climbs: bool
    moves: tuple[Move, ...]

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 around the nozzle's path."""
        xs = [c for m in self.moves for c in (m.x0, m.x)]
        ys = [c for m in self.moves for c in (m.y0, m.y)]
        return min(xs), min(ys), max(xs), max(ys)


def find_layers(path: Path, *, relative_e: bool | None = None) -> Iterator[Layer]:
    """Stream the layers of a file from the base up; one layer is held in memory.

    `relative_e` is how its E words count, see `extrudes_relative`; else that is found out.

    Raises
    ------
    GcodeError
        If it cannot be read, has no layers, or goes back down, as with several objects printed
        one after the other.
    """
    found = _stacked(path, extrudes_relative(path) if relative_e is None else relative_e)
    first = next(found, None)
    second = next(found, None)
    if first is None or second is None:
        raise GcodeError(f"{path}: fewer than two layers; give the G-code file of the sliced tower")
    dropped = 0 if _carries(first, second) else 1
    for layer in (first, second)[dropped:]:
        yield replace(layer, index=layer.index - dropped)
    for layer in found:
        yield replace(layer, index=layer.index - dropped)


def _stacked(path: Path, relative_e: bool) -> Iterator[Layer]:
    stack = _Stack(str(path))
    for move in read_moves(path, relative_e=relative_e):
        if move.extrudes and (done := stack.add(move)):
            yield done
    last = stack.close()
    if last is not None:
        yield last


def _carries(lower: Layer, upper: Layer) -> bool:
    """Whether a layer lies under the next one; a line to prime the nozzle does not."""
    a, b = lower.box_mm, upper.box_mm
    return (
        a[0] <= b[0] + OVERHANG_MM
        and a[1] <= b[1] + OVERHANG_MM
        and a[2] >= b[2] - OVERHANG_MM
        and a[3] >= b[3] - OVERHANG_MM
    )


class _Stack:
    """Gathers extruding moves until the layer is done."""

    def __init__(self, source: str) -> None:
        self._source = source
        self._moves: list[Move] = []
        self._index = 0
        self._climbs = False
        self._turned = 0.0
        self._middle = (0.0, 0.0)

    def add(self, move: Move) -> Layer | None:
        """Take an extruding move; returns the layer that is finished by it, if any."""
        if not self._moves:
            self._start(move)
            return None
        top = self._moves[-1].z
        if move.z < top - SAME_LEVEL_MM:
            self._go_down(move, top)
            return None
        climbs = move.z - move.z0 > CLIMB_MM
        if climbs:
            new = not self._climbs or self._turned >= 2 * math.pi * (1 - TURN_SLACK)
        else:
            new = move.z > top + SAME_LEVEL_MM
        if new:
            return self._next(move, climbs)
        self._append(move)
        return None

    def close(self) -> Layer | None:
        """Return the last layer."""
        return self._layer() if self._moves else None

    def _append(self, move: Move) -> None:
        if len(self._moves) >= MAX_MOVES_PER_LAYER:
            raise GcodeError(
                f"{self._source}, line {move.line}: more than {MAX_MOVES_PER_LAYER} moves in one "
                f"layer; this is no tower of one wall"
            )
        self._moves.append(move)
        if self._climbs:
            x, y = self._middle
            a = math.atan2(move.y0 - y, move.x0 - x)
            b = math.atan2(move.y - y, move.x - x)
            self._turned += abs(math.remainder(b - a, 2 * math.pi))

    def _start(self, move: Move) -> None:
        self._climbs, self._turned = False, 0.0
        self._moves = []
        self._append(move)

    def _next(self, move: Move, climbs: bool) -> Layer:
        done = self._layer()
        if climbs and self._climbs and _longest_level_part(done.moves) > MOST_LEVEL:
            raise GcodeError(
                f"{self._source}, line {done.first_line}: the wall climbs on a part of its way "
                f"round only, as with a seam that slopes; slice with a plain seam, on a corner, or "
                f"as a spiral"
            )
        self._index += 1
        if climbs and not self._climbs:
            self._middle = _middle_of_last_loop(done.moves)
        # the rest of a turn is carried over, so that over hundreds of layers of short moves their
        # starts do not drift
        rest = self._turned - 2 * math.pi if climbs and self._climbs else 0.0
        self._climbs, self._turned, self._moves = climbs, rest, []
        self._append(move)
        return done

    def _go_down(self, move: Move, top: float) -> None:
        if top > PRIME_MM or self._index > 0:
            raise GcodeError(
                f"{self._source}, line {move.line}: filament is laid at Z {move.z:g} mm after "
                f"Z {top:g} mm: several objects one after the other, or supports; slice one "
                f"tower alone, with one wall"
            )
        self._start(move)

    def _layer(self) -> Layer:
        moves = tuple(self._moves)
        return Layer(
            index=self._index,
            height_mm=max(m.z for m in moves),
            first_line=moves[0].line,
            climbs=self._climbs,
            moves=moves,
        )


def _longest_level_part(moves: tuple[Move, ...]) -> float:
    """Longest stretch at one height, as a part of the whole way."""
    longest = level = total = 0.0
    for move in moves:
        level = 0.0 if move.z - move.z0 > CLIMB_MM else level + move.length_mm
        longest, total = max(longest, level), total + move.length_mm
    return longest / total


def _middle_of_last_loop(moves: tuple[Move, ...]) -> tuple[float, float]:
    """Middle of the last full loop: a brim shares it with the wall, a line to prime does not."""
    xs: list[float] = []
    ys: list[float] = []
    turned, later = 0.0, None
    for move in reversed(moves):
        heading = math.atan2(move.y - move.y0, move.x - move.x0)
        if later is not None:
            turned += math.remainder(later - heading, 2 * math.pi)
        if abs(turned) >= 2 * math.pi * (1 - TURN_SLACK):
            break
        later = heading
        xs += (move.x0, move.x)
        ys += (move.y0, move.y)
    return (min(xs) + max(xs)) / 2, (min(ys) + max(ys)) / 2
