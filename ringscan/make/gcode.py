"""Reads plain G-code line by line into straight moves, keeping the standard's modal state.

After Kramer, Proctor & Messina, The NIST RS274NGC Interpreter, Version 3, NISTIR 6556 (2000):
letter case and blanks do not matter, comments stand in parentheses, G0 to G3 stay in force
until replaced, I and J count from the arc's start. Common practice adds comments after ``;``,
the E word for filament, a line checksum after ``*``, and words of other commands' own after an
M word the standard does not define; lines that are no letter-number words at all are passed
over.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from ringscan.errors import GcodeError
from ringscan.make.gcodelines import read_lines
from ringscan.make.words import STANDARD_M, parse_line, starts_to_move

ARC_DEVIATION_MM = 0.005
"""Arcs become chords that leave them by at most this: a tenth of the finest ripple."""

ARC_RADIUS_TOLERANCE_MM = 0.1
"""Start and end of an arc may differ in radius by this, for coordinates of few decimals."""

MM_PER_INCH = 25.4

LARGEST_MM = 1e5
"""No machine goes so far, and no arc is so wide: the number is damaged."""


class Move(NamedTuple):
    """One straight move, or one chord of an arc; positions and extrusion in mm.

    line : number of its line in the file, from 1
    x0, y0, z0, x, y, z : start and end
    e : filament fed during the move, negative when drawn back
    speed_mm_s : the feed in force; 0 when none was given yet
    """

    line: int
    x0: float
    y0: float
    z0: float
    x: float
    y: float
    z: float
    e: float
    speed_mm_s: float

    @property
    def length_mm(self) -> float:
        """Length along the bed."""
        return math.hypot(self.x - self.x0, self.y - self.y0)

    @property
    def extrudes(self) -> bool:
        """True if it lays filament while travelling along the bed."""
        return self.e > 0 and (self.x != self.x0 or self.y != self.y0)


_VALUE = r"([-+]?(?:\d+\.?\d*|\.\d+))"
_PLAIN = re.compile(r"G([01])" + "".join(rf"(?: {c}{_VALUE})?" for c in "XYZEF") + r"\s*")
_NEUTRAL_G = frozenset({4, 17, 20, 21, 40, 49, 54, 61, 61.1, 64, 80, 90, 91, 94, 98, 99})
"""G words that leave the axis words of their line to the motion in force."""


class Reader:
    """The machine's modal state; feed it lines in order.

    Parameters
    ----------
    relative_e : whether the E words count from the last one (else from the last G92)
    source : named in errors
    """

    def __init__(self, *, relative_e: bool, source: str = "G-code") -> None:
        self.relative_e = relative_e
        self.source = source
        self.position = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.offset = {"X": 0.0, "Y": 0.0, "Z": 0.0}
        self.absolute = True
        self.unit_mm = 1.0
        self.speed_mm_s = 0.0
        self.plane = 17
        self._e = 0.0
        self._motion: int | None = 1

    def feed(self, line: str, number: int) -> list[Move]:
        """Read one line and return its moves, most often none or one.

        Raises
        ------
        GcodeError
            If the line moves in a way this reader does not know; it never guesses.
        """
        # nearly every line of a long file looks so; it reads twice as fast this way
        if plain := _PLAIN.fullmatch(line):
            return self._plain(number, plain.groups())
        words = parse_line(line)
        if words is None:
            if starts_to_move(line):
                raise self._error(number, f"cannot read the move {line.strip()[:60]!r}")
            return []
        if not words:
            return []
        targets: dict[str, float] = {}
        rest: dict[str, float] = {}
        codes: list[float] = []
        owned = False
        for letter, value in words:
            if letter == "G":
                codes.append(value)
            elif letter in "XYZ":
                targets[letter] = value
            elif letter in "MT":
                owned = owned or letter == "T" or value not in STANDARD_M
            else:
                rest[letter] = value
        moves_itself = any(code in (0, 1, 2, 3) for code in codes)
        if owned and not moves_itself:
            return []
        for code in codes:
            self._set_mode(code, number)
        special = [code for code in codes if code not in _NEUTRAL_G and code not in (0, 1, 2, 3)]
        if 53 in special and not moves_itself and targets:
            raise self._error(number, "G53 without G0 or G1 on its line")
        if special and not (moves_itself and special == [53]):
            self._set_position(special[0], targets, rest)
            return []
        if "F" in rest:
            self.speed_mm_s = rest["F"] * self.unit_mm / 60
        circles = self._motion in (2, 3) and not rest.keys().isdisjoint("IJ")
        if not targets and "E" not in rest and not circles:
            return []
        return self._move(number, targets, rest, machine=special == [53])

    def _plain(self, number: int, groups: tuple[str | None, ...]) -> list[Move]:
        """A line of G0 or G1 and X, Y, Z, E, F in this order."""
        motion, x, y, z, e, f = groups
        assert motion is not None
        self._motion = int(motion)
        if f is not None:
            self.speed_mm_s = float(f) * self.unit_mm / 60
        named = (("X", x), ("Y", y), ("Z", z))
        targets = {axis: float(value) for axis, value in named if value is not None}
        if not targets and e is None:
            return []
        rest = {} if e is None else {"E": float(e)}
        return self._move(number, targets, rest, machine=False)

    def _set_mode(self, code: float, number: int) -> None:
        if code in (0, 1, 2, 3):
            self._motion = int(code)
        elif code == 80:
            self._motion = None
        elif code in (90, 91):
            self.absolute = code == 90
        elif code in (20, 21):
            self.unit_mm = 1.0 if code == 21 else MM_PER_INCH
        elif code in (17, 18, 19):
            self.plane = int(code)
        elif code in (93, 95):
            raise self._error(number, f"feed mode G{code:g}: only feeds per minute are read")
        elif 5 <= code < 6 or 55 <= code < 60 or 81 <= code <= 89:
            raise self._error(number, f"G{code:g} is not read here: use plain moves")

    def _set_position(self, code: float, targets: dict[str, float], rest: dict[str, float]) -> None:
        """Words of G28, G30 and G92; other commands keep their words to themselves."""
        if code in (28, 30):
            for axis in targets or self.position:
                self.position[axis] = 0.0  # the standard's default for the stored place
        elif code == 92:
            for axis, value in targets.items():
                self.offset[axis] = self.position[axis] - value * self.unit_mm
            if "E" in rest:
                self._e = rest["E"] * self.unit_mm
        elif code in (92.1, 92.2):
            self.offset = dict.fromkeys(self.offset, 0.0)

    def _move(
        self, number: int, targets: dict[str, float], rest: dict[str, float], *, machine: bool
    ) -> list[Move]:
        if self._motion is None:
            raise self._error(number, "axis words while no motion is in force (G80)")
        position = self.position
        a = (position["X"], position["Y"], position["Z"])
        for axis, value in targets.items():
            shift = 0.0 if machine else self.offset[axis]
            origin = shift if self.absolute or machine else position[axis]
            position[axis] = origin + value * self.unit_mm
        b = (position["X"], position["Y"], position["Z"])
        e = rest.get("E", 0.0) * self.unit_mm
        if max(map(abs, (*b, e, *(rest.get(c, 0.0) for c in "IJR")))) > LARGEST_MM:
            raise self._error(number, f"a number is beyond {LARGEST_MM:g} mm")
        if "E" in rest and not self.relative_e and self.absolute:
            e, self._e = e - self._e, e
        if self._motion in (0, 1):
            return [Move(number, *a, *b, e, self.speed_mm_s)]
        return self._arc(number, a, b, rest, e)

    def _arc(
        self,
        number: int,
        a: tuple[float, float, float],
        b: tuple[float, float, float],
        rest: dict[str, float],
        e: float,
    ) -> list[Move]:
        """Chords of an arc, which may climb (a helix)."""
        if self.plane != 17:
            raise self._error(number, "an arc outside the XY plane")
        clockwise = self._motion == 2
        cx, cy = self._centre(number, a, b, rest, clockwise)
        radius = math.hypot(a[0] - cx, a[1] - cy)
        miss = abs(math.hypot(b[0] - cx, b[1] - cy) - radius)
        if radius == 0 or miss > ARC_RADIUS_TOLERANCE_MM:
            raise self._error(
                number, f"an arc whose start and end differ in radius by {miss:.3f} mm"
            )
        first = math.atan2(a[1] - cy, a[0] - cx)
        swept = math.atan2(b[1] - cy, b[0] - cx) - first
        if clockwise:
            swept = -swept
        swept = swept % (2 * math.pi)
        if swept < 1e-9:
            swept = 2 * math.pi
        chord = 2 * math.acos(max(0.0, 1 - ARC_DEVIATION_MM / radius))
        count = max(1, math.ceil(swept / chord))
        moves = []
        last = a
        for i in range(1, count + 1):
            part = i / count
            angle = first + (-swept if clockwise else swept) * part
            point = (
                cx + radius * math.cos(angle),
                cy + radius * math.sin(angle),
                a[2] + (b[2] - a[2]) * part,
            )
            point = b if i == count else point
            moves.append(Move(number, *last, *point, e / count, self.speed_mm_s))
            last = point
        return moves

    def _centre(
        self,
        number: int,
        a: tuple[float, float, float],
        b: tuple[float, float, float],
        rest: dict[str, float],
        clockwise: bool,
    ) -> tuple[float, float]:
        if "R" not in rest:
            if "I" not in rest and "J" not in rest:
                raise self._error(number, "an arc without I, J or R")
            return (
                a[0] + rest.get("I", 0.0) * self.unit_mm,
                a[1] + rest.get("J", 0.0) * self.unit_mm,
            )
        radius = rest["R"] * self.unit_mm
        dx, dy = b[0] - a[0], b[1] - a[1]
        half = math.hypot(dx, dy) / 2
        if half == 0 or half > abs(radius) + ARC_RADIUS_TOLERANCE_MM:
            raise self._error(number, "an arc whose R does not reach its end")
        # a negative R means the longer of the two arcs
        side = 1 if clockwise == (radius < 0) else -1
        height = side * math.sqrt(max(0.0, radius**2 - half**2)) / (2 * half)
        return (a[0] + b[0]) / 2 - height * dy, (a[1] + b[1]) / 2 + height * dx

    def _error(self, number: int, what: str) -> GcodeError:
        return GcodeError(f"{self.source}, line {number}: {what}")


def read_moves(path: Path, *, relative_e: bool) -> Iterator[Move]:
    """Stream the moves of a file.

    Raises
    ------
    GcodeError
        If the file cannot be read, or moves in a way this reader does not know.
    """
    reader = Reader(relative_e=relative_e, source=str(path))
    for number, line in read_lines(path):
        yield from reader.feed(line.decode("latin-1"), number)
