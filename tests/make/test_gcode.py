import io
import math

import pytest

from ringscan.errors import GcodeError
from ringscan.make.extrusion import extrudes_relative
from ringscan.make.gcode import Reader, read_moves
from ringscan.make.gcodelines import MAX_LINE_BYTES, numbered_lines
from ringscan.make.words import disturbs, parse_line


def moves_of(*lines, relative_e=True):
    reader = Reader(relative_e=relative_e)
    return [move for n, line in enumerate(lines, 1) for move in reader.feed(line, n)]


def ends(moves):
    return [(round(m.x, 6), round(m.y, 6), round(m.z, 6)) for m in moves]


def test_blanks_and_case_as_in_the_standards_example():
    # NISTIR 6556, 3.3: "g0x +0. 12 34y 7" is the same as "g0 x+0.1234 y7"
    assert parse_line("g0x +0. 12 34y 7") == parse_line("g0 x+0.1234 y7")
    assert parse_line("g0x +0. 12 34y 7") == [("G", 0.0), ("X", 0.1234), ("Y", 7.0)]


@pytest.mark.parametrize(
    "line",
    [
        "(a comment) G1 X5 (another) Y2",
        "G1 X5 Y2 ; rest",
        "N10 G01X5.Y+2",
        "G1X5Y2*57",
        "/G1 X5 Y2",
    ],
)
def test_comments_line_numbers_and_forms_of_numbers(line):
    assert ends(moves_of(line)) == [(5, 2, 0)]


def test_g1_stays_in_force_and_feed_is_per_minute():
    moves = moves_of("G1 X1 F1200", "X2", "Y3 F600")
    assert ends(moves) == [(1, 0, 0), (2, 0, 0), (2, 3, 0)]
    assert [m.speed_mm_s for m in moves] == [20, 20, 10]


def test_relative_and_absolute_distance():
    moves = moves_of("G1 X1 Y1 Z1", "G91", "G1 X1 Z.5", "G1 Z-.25", "G90", "G1 X0")
    assert ends(moves) == [(1, 1, 1), (2, 1, 1.5), (2, 1, 1.25), (0, 1, 1.25)]


def test_inches():
    (move,) = moves_of("G20", "G1 X1 F1")
    assert move.x == pytest.approx(25.4, abs=1e-12)  # exact by definition of the inch
    assert move.speed_mm_s == pytest.approx(25.4 / 60, abs=1e-12)


def test_inches_hold_for_every_word():
    """Read word by word where the line is not in the usual order."""
    (move,) = moves_of("G20", "g1 e1 f60 y1")
    assert (move.y, move.e, move.speed_mm_s) == pytest.approx((25.4, 25.4, 25.4))
    # a quarter of a circle of one inch about (0, 0), by its middle and by its radius
    for middle in ("I-1 J0", "R1"):
        arc = moves_of("G20", "G1 X1 Y0", f"G3 X0 Y1 {middle}")[1:]
        assert path_length(arc) == pytest.approx(25.4 * math.pi / 2, rel=1e-3)
    arc = moves_of("G20", "G1 X0 Y1", "G3 X-1 Y0 J-1")[1:]
    assert path_length(arc) == pytest.approx(25.4 * math.pi / 2, rel=1e-3)
    (_, move) = moves_of("G20", "G92 X1 E1", "G1 X3 E3", "G1 X3 E4", relative_e=False)
    assert move.e == pytest.approx(25.4)
    assert move.x == pytest.approx(2 * 25.4)


def test_homing_goes_to_the_named_axes_zero_or_to_all():
    # the standard's default for the stored place; no move is told, only where the next one begins
    (_, x), (_, all_axes) = (moves_of("G1 X5 Y6 Z7", home, "G1 E1") for home in ("G28 X0", "G28"))
    assert (x.x0, x.y0, x.z0) == (0, 6, 7)
    assert (all_axes.x0, all_axes.y0, all_axes.z0) == (0, 0, 0)


def test_offsets_count_from_the_value_that_is_named():
    moves = moves_of("G1 X10", "G92 X3", "G1 X5", "G92.2", "G1 X4")
    assert ends(moves) == [(10, 0, 0), (12, 0, 0), (4, 0, 0)]
    # in the machine's own coordinates also while distances are relative
    assert ends(moves_of("G1 X10", "G91", "G53 G1 X3", "G1 X1"))[1:] == [(3, 0, 0), (4, 0, 0)]


@pytest.mark.parametrize("line", ["T1 G1 X5", "G1 X5 M106", "M106 G1 X5"])
def test_a_move_beside_another_command_is_a_move(line):
    assert ends(moves_of(line)) == [(5, 0, 0)]


def test_offsets_of_g92_shift_later_coordinates_and_g53_ignores_them():
    moves = moves_of("G1 X10", "G92 X0", "G1 X5", "G53 G1 X3", "G92.1", "G1 X4")
    assert ends(moves) == [(10, 0, 0), (15, 0, 0), (3, 0, 0), (4, 0, 0)]


def test_absolute_extrusion_counts_from_the_last_reset():
    moves = moves_of("G1 X1 E1", "G1 X2 E1.5", "G92 E0", "G1 X3 E.25", relative_e=False)
    assert [m.e for m in moves] == [1, 0.5, 0.25]
    moves = moves_of("G1 X1 E1", "G92 E5", "G1 X2 E5.5", relative_e=False)
    assert [m.e for m in moves] == [1, 0.5]
    # relative distances hold for E too
    moves = moves_of("G1 X1 E1", "G91", "G1 X1 E1", relative_e=False)
    assert [m.e for m in moves] == [1, 1]


@pytest.mark.parametrize(
    "line",
    [
        "M201 X9000 Y9000 E500",  # axis words belong to a command the standard does not define
        "G10 L2 P1 X5",
        "G4 P100",
        "HELLO WORLD A=1 X=2",
        "T0",
        "; G1 X5",
        "(G1 X5)",
        "%",
        "",
    ],
)
def test_what_does_not_move(line):
    assert moves_of("G1 X1", line, "G1 X2") == moves_of("G1 X1", "", "G1 X2")


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("G1 X[1+2]", "cannot read the move"),
        ("G1 X#4", "cannot read the move"),
        ("X1..2", "cannot read the move"),
        ("G18\nG2 X1 I1", "outside the XY plane"),
        ("G2 X1", "without I, J or R"),
        ("G2 X10 I1", "differ in radius by 8"),
        ("G3 X10 R2", "does not reach"),
        ("G93", "feeds per minute"),
        ("G80\nX1", "no motion is in force"),
        ("G55", "use plain moves"),
        ("G5 X10 Y5 I1 J1 P1 Q1 E1", "use plain moves"),
        ("G53 X20 Y5", "G53 without G0 or G1"),
        ("G91 X Y", "cannot read the move"),
        ("G92 E[1]", "cannot read the move"),
        ("G1 X" + "9" * 400, "beyond 100000 mm"),
        ("G2 X1 J-100000000000000000", "beyond 100000 mm"),
        ("G2 I1000000000000 E1", "beyond 100000 mm"),
        ("G2 X5 R" + "9" * 400, "beyond 100000 mm"),
    ],
)
def test_what_it_cannot_read_it_refuses(line, what):
    with pytest.raises(GcodeError, match=what) as caught:
        moves_of(*line.splitlines())
    assert caught.value.exit_status == 8
    assert "\n" not in str(caught.value)


def path_length(moves):
    return sum(math.dist((m.x0, m.y0, m.z0), (m.x, m.y, m.z)) for m in moves)


# chords lie at most ARC_DEVIATION_MM inside: their length is short by under 8/3 dev/r per radian,
# below 1e-3 of the arc at the radii used here
@pytest.mark.parametrize(
    ("line", "angle", "passes"),
    [
        ("G3 X0 Y10 I-10 J0", math.pi / 2, (7.0711, 7.0711)),
        ("G2 X0 Y10 I-10 J0", 3 * math.pi / 2, (-7.0711, -7.0711)),
        ("G3 X0 Y10 R10", math.pi / 2, (7.0711, 7.0711)),
        ("G3 X0 Y10 R-10", 3 * math.pi / 2, (17.0711, 17.0711)),
        ("G2 X0 Y10 R10", math.pi / 2, (2.9289, 2.9289)),
        ("G2 X0 Y10 R-10", 3 * math.pi / 2, (-7.0711, -7.0711)),
        ("G3 I-10 J0", 2 * math.pi, (-10, 0)),
        ("G2 X10 Y0 I-10", 2 * math.pi, (-10, 0)),
        ("G3 J-10", 2 * math.pi, (10, -20)),
    ],
)
def test_arcs(line, angle, passes):
    moves = moves_of("G1 X10 Y0", line)[1:]
    assert path_length(moves) == pytest.approx(10 * angle, rel=1e-3)
    nearest = min(math.hypot(m.x - passes[0], m.y - passes[1]) for m in moves)
    assert nearest < 0.7  # half a chord
    assert ends(moves)[-1] == ((0, 10, 0) if "X0" in line else (10, 0, 0))


def test_an_arc_ends_where_it_says_for_all_rounding():
    """Coordinates of few decimals leave its two radii 0.05 mm apart; 0.2 mm is another arc."""
    assert ends(moves_of("G1 X10 Y0", "G3 X0 Y10.05 I-10"))[-1] == (0, 10.05, 0)
    with pytest.raises(GcodeError, match=r"differ in radius by 0\.200 mm"):
        moves_of("G1 X10 Y0", "G3 X0 Y10.2 I-10")


def test_a_helix_climbs_and_extrudes_evenly():
    moves = moves_of("G1 X10 Y0", "G3 X-10 Y0 I-10 Z2 E4")[1:]
    assert sum(m.e for m in moves) == pytest.approx(4, abs=1e-9)
    half = next(m for m in moves if m.x <= 0)
    assert half.z == pytest.approx(1, abs=2.01 / len(moves))  # it ends a chord late at most


SQUARE = [(60, 0), (60, 60), (0, 60), (0, 0)]


def squares(layers, *, per_mm=0.034, absolute=False, reset=False, pieces=1):
    lines, e, at = ["G28", "G90"], 0.0, (0.0, 0.0)
    for k in range(layers):
        lines.append(f"G1 Z{0.3 + 0.2 * k:.2f}")
        if reset:
            lines.append("G92 E0")
            e = 0.0
        lines.append("G1 E-1" if not absolute else f"G1 E{e - 1:.5f}")
        lines.append("G1 E1" if not absolute else f"G1 E{e:.5f}")
        for x, y in SQUARE:
            for i in range(1, pieces + 1):
                px, py = at[0] + (x - at[0]) * i / pieces, at[1] + (y - at[1]) * i / pieces
                step = 60 * per_mm / pieces
                e += step
                lines.append(f"G1 X{px:.4f} Y{py:.4f} E{e if absolute else step:.5f} F3000")
            at = (x, y)
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("pieces", [1, 40, 400])
@pytest.mark.parametrize(
    ("absolute", "reset"),
    [(False, False), (True, False), (True, True)],
    ids=["rel", "abs", "reset"],
)
def test_it_finds_out_how_e_counts(tmp_path, absolute, reset, pieces):
    path = tmp_path / "t.gcode"
    path.write_text(squares(6, absolute=absolute, reset=reset, pieces=pieces))
    relative = extrudes_relative(path)
    assert relative is (not absolute)
    total = sum(m.e for m in read_moves(path, relative_e=relative) if m.extrudes)
    assert total == pytest.approx(6 * 240 * 0.034, rel=1e-3)  # E has five decimals


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "no move extrudes"),
        (b"G1 X5 Y5\n", "no move extrudes"),
        (b"\x89PNG\x00\x00", "is not text"),
        (b"G1 X1 " + b"9" * 70000, "is not text"),
        (b"G1 X1 E1\n; a\rG1 X500\n", "line 2: holds a carriage return without a line feed"),
        (b"; a\r" + b"G1 X5 E1\r" * 9, "line 1: holds a carriage return without a line feed"),
        (b"G1 X5 E1\r\r\n", "line 1: holds a carriage return without a line feed"),
    ],
)
def test_files_that_are_no_gcode(tmp_path, data, what):
    path = tmp_path / "x.gcode"
    path.write_bytes(data)
    with pytest.raises(GcodeError, match=what):
        extrudes_relative(path)


@pytest.mark.parametrize(
    "line",
    [
        *("G0 X1", "G1 F600", "G28", "G29", "G90", "G91", "G92 E0", "G92.1", "G20", "G53 G0 X0"),
        *("X 2e0", "X2", "F600", "E5", "M0", "M1", "M2", "M30", "M82", "M83", "T1", "M3 X5"),
        *("G1 X#1", "N10 G1 X1"),
    ],
)
def test_lines_that_disturb_a_toolpath(line):
    assert disturbs(line)


@pytest.mark.parametrize(
    "line", ["", "N10", "; G1 X5", "G4 P100", "M5", "M801 X1 F40 A5", "USER axis=X f=40", "M104 S0"]
)
def test_lines_that_do_not(line):
    assert not disturbs(line)


@pytest.mark.parametrize("end", [b"", b"\r", b"\r\n", b"\n"], ids=repr)
def test_line_ends_of_unix_and_windows_are_read(end):
    # the last of them may have been cut off
    data = b"G28\r\n" * 3 + b"G1 X5\n" + b"; " + b"x" * (MAX_LINE_BYTES - 9) + b"\r\nG90" + end
    assert b"".join(line for _, line in numbered_lines(io.BytesIO(data), "a.gcode")) == data


def test_a_file_that_fails_while_it_is_read():
    class Failing(io.BytesIO):
        def readline(self, size=-1):
            if self.tell() > 0:
                raise OSError(5, "Input/output error")
            return super().readline(size)

    lines = numbered_lines(Failing(b"G28\nG90\n"), "a.gcode")
    assert next(lines) == (1, b"G28\n")
    with pytest.raises(GcodeError, match=r"^a\.gcode: cannot be read: Input/output error$"):
        next(lines)
