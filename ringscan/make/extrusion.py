"""Finds out how the E words of a file count: firmwares differ, and each says it in its own way."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path

from ringscan.errors import GcodeError
from ringscan.make.gcode import read_moves

SAMPLES = 400
"""Stretches of path that settle how E counts: several layers of a tower."""
MIN_SAMPLE_MM = 1.0
"""Least stretch: on shorter moves the E word is too coarse."""


def extrudes_relative(path: Path) -> bool:
    """Find out from the numbers whether the E words count relative to each other.

    Filament per mm of path is nearly constant under the right reading and scattered, even
    negative, under the wrong one.

    Raises
    ------
    GcodeError
        If nothing is extruded, or the file cannot be read.
    """
    relative, absolute = _scatter(path, True), _scatter(path, False)
    if math.isinf(relative) and math.isinf(absolute):
        raise GcodeError(f"{path}: no move extrudes; give the G-code file of the sliced tower")
    return relative <= absolute


def _scatter(path: Path, relative: bool) -> float:
    """Spread of log10 of filament per mm, plus ten for the share that is not positive."""
    rates: list[float] = []
    drawn_back = 0
    fed = length = 0.0
    for move in read_moves(path, relative_e=relative):
        # travels count too: under a wrong reading whole walls would seem to be travels
        if (step := move.length_mm) == 0:
            continue
        fed, length = fed + move.e, length + step
        if length < MIN_SAMPLE_MM:
            continue
        if fed > 0:
            rates.append(math.log10(fed / length))
        else:
            drawn_back += 1
        fed = length = 0.0
        if len(rates) + drawn_back >= SAMPLES:
            break
    if not rates:
        return math.inf
    middle = _median(rates)
    return _median([abs(r - middle) for r in rates]) + 10 * drawn_back / (len(rates) + drawn_back)


def _median(values: Iterable[float]) -> float:
    ordered = sorted(values)
    return ordered[len(ordered) // 2]
