"""Whether something lies on the face: a hand, a cable, a label."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ringscan.image.rectify import Face

CELL_MM = (3.0, 6.0)
"""Height and width of the cells that are compared: ripples and layers are averaged out in them."""
MARGIN_MM = (5.0, 9.0)
"""Left out at base and top, and at the sides, where bulges and the strongest ripples are."""
APART = 2
"""Cells are compared with those so many above them: the one between may hold the edge."""


def largest_step(face: Face) -> float:
    """Largest relative change of brightness up the face over two cells' height.

    A wall's own brightness, whatever the lamp, changes little from layer to layer. NaN where the
    face is too small to say.
    """
    height_mm, width_mm = CELL_MM
    rows = _starts(face.z_mm, height_mm, MARGIN_MM[0])
    cols = _starts(face.s_mm, width_mm, MARGIN_MM[1])
    if rows.size < APART + 2 or cols.size < 2:
        return float("nan")
    seen = np.isfinite(face.intensity)
    light = _sums(np.where(seen, face.intensity, 0.0).astype(np.float64), rows, cols)
    mean = light / np.maximum(_sums(seen.astype(np.float64), rows, cols), 1.0)
    logs = np.log(np.maximum(mean, 1e-4))
    return float(np.expm1(np.abs(logs[APART:] - logs[:-APART]).max()))


def _starts(at_mm: NDArray[np.float64], step_mm: float, margin_mm: float) -> NDArray[np.intp]:
    """Where cells start, and the last one ends."""
    return np.searchsorted(at_mm, np.arange(at_mm[0] + margin_mm, at_mm[-1] - margin_mm, step_mm))


def _sums(
    values: NDArray[np.float64], rows: NDArray[np.intp], cols: NDArray[np.intp]
) -> NDArray[np.float64]:
    over_rows = np.add.reduceat(values, rows, axis=0)[:-1]
    return np.asarray(np.add.reduceat(over_rows, cols, axis=1)[:, :-1])
