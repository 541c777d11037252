"""Layers of a file, found from its moves alone."""

import math
from pathlib import Path

import pytest

from ringscan.errors import GcodeError
from ringscan.make.layers import find_layers

MOVES, LAYERS, LAYER_MM = 2000, 12, 0.2


def test_layers_of_a_finely_cut_spiral_do_not_drift(tmp_path: Path) -> None:
    """A spiral of very short moves: the twelfth layer starts twelve turns on, not sooner."""
    lines = ["G21", "G90", "M83", "G0 X-30 Y40 Z0.2", "G1 X30 Y40 E1.4", "G0 X20 Y0"]
    before = len(lines)
    # a little less than all turns: what is done early at the end would be a layer more
    for i in range(1, MOVES * LAYERS - 9):
        # the first turn is level, as every spiral's is
        angle, climbed = 2 * math.pi * i / MOVES, max(0, i - MOVES) / MOVES
        lines.append(
            f"G1 X{20 * math.cos(angle):.5f} Y{20 * math.sin(angle):.5f} "
            f"Z{0.2 + LAYER_MM * climbed:.6f} E0.002"
        )
    path = tmp_path / "spiral.gcode"
    path.write_text("\n".join(lines) + "\n")
    starts = [layer.first_line for layer in find_layers(path)]
    # the line to prime the nozzle is taken for a part of the first one
    expected = [5, *(before + 1 + turn * MOVES for turn in range(1, LAYERS))]
    # a turn may be called done a thousandth of it early, but only once
    allowed = MOVES / 1000 + 1
    assert len(starts) == LAYERS
    assert all(abs(a - b) <= allowed for a, b in zip(starts, expected, strict=True)), starts


@pytest.mark.parametrize("x", [0.0, 100.123, 87.341, -45.67])
def test_layers_of_a_coarse_spiral_begin_at_its_corner(tmp_path: Path, x: float) -> None:
    """Four moves a turn, in coordinates of three decimals."""
    corners = [(x + 29.775, 70.225), (x + 29.775, 129.775), (x - 29.775, 129.775)]
    corners.append((x - 29.775, 70.225))
    lines = ["G90", "M83", f"G0 X{corners[-1][0]:.3f} Y{corners[-1][1]:.3f} Z0.3"]
    lines += [f"G1 X{a:.3f} Y{b:.3f} E2" for a, b in corners]
    for turn in range(60):
        lines += [
            f"G1 X{a:.3f} Y{b:.3f} Z{0.3 + 0.2 * turn + 0.05 * (n + 1):.3f} E2"
            for n, (a, b) in enumerate(corners)
        ]
    path = tmp_path / "spiral.gcode"
    path.write_text("\n".join(lines) + "\n")
    assert [layer.first_line for layer in find_layers(path)] == list(range(4, 4 + 4 * 61, 4))


def squares(*layers: tuple[float, float, float], half: float = 20.0) -> list[str]:
    """Squares at heights, and how far they are shifted along x and y."""
    lines = []
    for z, dx, dy in layers:
        lines += [f"G0 X{-half + dx} Y{-half + dy}", f"G0 Z{z}"]
        for x, y in ((half, -half), (half, half), (-half, half), (-half, -half)):
            lines.append(f"G1 X{x + dx} Y{y + dy} Z{z} E1.4 F3000")
    return lines


def heights(tmp_path: Path, *lines: str) -> list[float]:
    path = tmp_path / "t.gcode"
    path.write_text("\n".join(["G90", "M83", *lines]) + "\n")
    layers = list(find_layers(path))
    assert [layer.index for layer in layers] == list(range(len(layers)))
    return [layer.height_mm for layer in layers]


def test_the_thinnest_layers_are_told_apart_and_rounding_is_not(tmp_path: Path) -> None:
    """A plan's are 0.03 mm at least; programs round heights to 0.01 mm or finer."""
    at = [0.2, 0.23, 0.26, 0.29]
    assert heights(tmp_path, *squares(*((z, 0, 0) for z in at))) == at
    lines = squares((0.2, 0, 0), (0.4, 0, 0))
    lines[-2:] = ["G0 Z0.41", *(line.replace("Z0.4", "Z0.41") for line in lines[-2:])]
    assert heights(tmp_path, *lines) == [0.2, 0.41]


@pytest.mark.parametrize("z", [0.2, 0.15, 0.9])
def test_a_line_to_prime_the_nozzle_is_no_layer(tmp_path: Path, z: float) -> None:
    """Beside the tower, at its own height, lower, or a little higher."""
    line = ["G0 X-20 Y60", f"G0 Z{z}", f"G1 X20 Y60 Z{z} E1.4 F1200"]
    found = [0.2, 0.4, 0.6]
    assert heights(tmp_path, *line, *squares(*((h, 0, 0) for h in found))) == found


def test_what_is_laid_down_again_is_another_object(tmp_path: Path) -> None:
    up = [(0.2, 0, 0), (0.4, 0, 0)]
    for lines in (
        squares(*up, *up),
        # a first layer higher than any line to prime with
        squares((1.2, 60, 0), *up),
        # only a little lower, but a layer is done below it
        squares(*up, (0.3, 0, 0)),
    ):
        with pytest.raises(GcodeError, match="several objects one after the other"):
            heights(tmp_path, *lines)


@pytest.mark.parametrize("way", [(-1, 0), (1, 0), (0, -1), (0, 1)])
def test_a_first_layer_must_carry_the_second(tmp_path: Path, way: tuple[int, int]) -> None:
    """A wall steps out by 2 mm at most; what does not lie under the rest is not of the tower."""
    for step, carried in ((1.5, True), (2.5, False)):
        shifted = [(z, step * way[0], step * way[1]) for z in (0.4, 0.6)]
        found = heights(tmp_path, *squares((0.2, 0, 0), *shifted))
        assert found == ([0.2, 0.4, 0.6] if carried else [0.4, 0.6])


def test_a_layer_of_more_moves_than_any_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ringscan.make.layers.MAX_MOVES_PER_LAYER", 4)
    assert heights(tmp_path, *squares((0.2, 0, 0), (0.4, 0, 0))) == [0.2, 0.4]
    monkeypatch.setattr("ringscan.make.layers.MAX_MOVES_PER_LAYER", 3)
    with pytest.raises(GcodeError, match="more than 3 moves in one layer"):
        heights(tmp_path, *squares((0.2, 0, 0), (0.4, 0, 0)))


def sloped(slope_pieces, turns=30):
    """Turns of a square of 40 mm that climb 0.2 mm on the first 20 mm only, or all the way."""
    lines = ["G90", "G0 X0 Y0 Z0.2"]
    lines += [f"G1 X{x} Y{y} E1" for x, y in ((40, 0), (40, 40), (0, 40), (0, 0))]
    for turn in range(turns):
        z = 0.2 + 0.2 * turn
        if slope_pieces:
            lines += [f"G0 Z{z:.3f}"]
            for n in range(1, slope_pieces + 1):
                lines.append(
                    f"G1 X{20 * n / slope_pieces:.2f} Y0 Z{z + 0.2 * n / slope_pieces:.3f} E.1"
                )
            lines += [f"G1 X{x} Y{y} E1" for x, y in ((40, 0), (40, 40), (0, 40), (0, 0))]
            continue
        for n in range(1, 801):  # 0.2 mm each: the third decimal of Z changes every fourth move
            side, along = divmod(n / 200, 1)
            x, y = [(along, 0), (1, along), (1 - along, 1), (0, 1 - along), (0, 0)][int(side)]
            lines.append(f"G1 X{40 * x:.3f} Y{40 * y:.3f} Z{z + 0.2 * n / 800:.3f} E.01")
    return "\n".join(lines)


def test_a_sloping_seam_is_named(tmp_path: Path) -> None:
    path = tmp_path / "s.gcode"
    path.write_text(sloped(10))
    with pytest.raises(GcodeError, match="a seam that slopes"):
        list(find_layers(path))


def test_a_spiral_of_short_moves_may_climb_in_steps(tmp_path: Path) -> None:
    path = tmp_path / "s.gcode"
    path.write_text(sloped(0))
    layers = list(find_layers(path))
    assert len(layers) == 31
    assert [round(layer.height_mm, 3) for layer in layers] == [
        round(0.2 + 0.2 * n, 3) for n in range(31)
    ]
