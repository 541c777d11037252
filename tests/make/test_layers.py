"""Layers of a file, found from its moves alone."""

import math
from pathlib import Path

from ringscan.make.layers import find_layers

MOVES, LAYERS, LAYER_MM = 2000, 12, 0.2


def test_layers_of_a_finely_cut_spiral_do_not_drift(tmp_path: Path) -> None:
    """A spiral of very short moves: the twelfth layer starts twelve turns on, not sooner."""
    lines = ["G21", "G90", "M83", "G0 X20 Y0 Z0.2"]
    for i in range(1, MOVES * LAYERS + 1):
        angle = 2 * math.pi * i / MOVES
        lines.append(
            f"G1 X{20 * math.cos(angle):.5f} Y{20 * math.sin(angle):.5f} "
            f"Z{0.2 + LAYER_MM * i / MOVES:.6f} E0.002"
        )
    path = tmp_path / "spiral.gcode"
    path.write_text("\n".join(lines) + "\n")
    starts = [layer.first_line for layer in find_layers(path)]
    expected = [5 + turn * MOVES for turn in range(LAYERS)]
    # a turn may be called done a thousandth of it early, but only once
    allowed = MOVES / 1000 + 1
    assert len(starts) == LAYERS
    assert all(abs(a - b) <= allowed for a, b in zip(starts, expected, strict=True)), starts
