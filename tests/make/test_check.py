import math
import re

import pytest
from sliced import sliced
from test_ramp import COMMAND, OFF, texts

from ringscan.errors import GcodeError
from ringscan.make.check import read_file
from ringscan.make.job import Bed, Job, Style
from ringscan.make.ramp import add_ramp
from ringscan.make.toolpath import write_toolpath
from ringscan.make.verdict import Verdict, judge
from ringscan.plan import parse_plan


def read(tmp_path, plan, *, printed=None, given=None, command=COMMAND, **kinds):
    """Slice the `printed` plan, put its ramp in, and read the file back with `plan`."""
    source, out = tmp_path / "s.gcode", tmp_path / "r.gcode"
    source.write_text(sliced(printed or plan, **kinds))
    add_ramp(source, out, printed or plan, texts(command=command))
    return read_file(out, plan, given)


@pytest.mark.parametrize(
    "kind",
    [
        {},
        {"relative_z": True},
        {"absolute_e": True, "hop": 0.4},
        {"spiral": True},
        {"spiral": True, "pieces": 30},
        {"pieces": 25, "skirt": True},
        {"round_corners": 2.0},
        {"prime": 0.2},
    ],
    ids=str,
)
def test_the_plans_own_tower_is_readable(tmp_path, plan, kind):
    report = read(tmp_path, plan, **kind)
    judged = judge(report, plan)
    assert judged.verdict is Verdict.READABLE, judged
    assert judged.corrected == plan
    assert len(report.rows) == 40
    for row in report.rows[1:-1]:
        assert row.speed_mm_s == {"x": (50, 50), "y": (50, 50)}
        assert row.direction == "counter-clockwise"
        assert row.walls == pytest.approx(1, abs=0.03)  # an arc of 2 mm cuts 1.7 mm per corner
        assert row.seam is None
        assert row.height_mm == pytest.approx(0.3 + 0.2 * row.layer, abs=1e-3)
    for row in report.rows:
        told = row.commanded.get("x")
        if row.layer < 5:
            assert told is None
        elif row.layer < 10:
            assert told is not None
            assert told.value is None
        else:
            assert told is not None
            # from 34 on the last value stays in force
            assert told.value == 20 + min(row.layer, 34) - 10
            assert not told.inside


@pytest.mark.parametrize("style", Style)
def test_our_own_toolpath_is_readable(tmp_path, plan, style):
    path, out = tmp_path / "t.gcode", tmp_path / "r.gcode"
    bed = Bed(size_mm=(200.0, 200.0), max_height_mm=100.0, flow_limit_mm3_s=12.0)
    write_toolpath(plan, Job(bed=bed, start_text="G28", end_text="", style=style), path)
    add_ramp(path, out, plan, texts())
    assert judge(read_file(out, plan), plan).verdict is Verdict.READABLE


CORRECTED = {
    "speed": ({"motion": {"speed_mm_s": 40.0}}, {}, "speed on the faces is 40 mm/s"),
    "direction": ({"motion": {"direction": "clockwise"}}, {"direction": -1}, "travel is clockwise"),
    "height": ({"size": {"layer_height_mm": 0.24}}, {}, "40 layers of 0.24 mm on 0.3 mm"),
    "width": ({"size": {"width_mm": 50.0}}, {}, "50 mm wide"),
    "layers": ({"size": {"layers": 50}}, {}, "50 layers of 0.2 mm"),
    "ramp": (
        {
            "ramp": {
                a: {"first_layer": 12, "last_layer": 35, "start": 25.0, "step": 0.5} for a in "xy"
            },
            # the shaper stays off until the ramp begins
            "reference": {"first_layer": 5, "last_layer": 11},
        },
        {},
        "goes from 25 by 0.5 over layers 12 to 35",
    ),
    "steps": (
        {
            "ramp": {
                a: {
                    "first_layer": 10,
                    "last_layer": 33,
                    "start": 25.0,
                    "step": 3.0,
                    "layers_per_step": 4,
                }
                for a in "xy"
            }
        },
        {},
        "from 25 by 3 over layers 10 to 33",
    ),
    "no reference": ({"reference": None}, {}, "without a reference band"),
}


@pytest.mark.parametrize(("change", "kind", "what"), CORRECTED.values(), ids=CORRECTED.keys())
def test_the_plan_is_corrected_from_the_file(tmp_path, plan, make_plan, change, kind, what):
    printed = make_plan(**change)
    judged = judge(read(tmp_path, plan, printed=printed, **kind), plan)
    assert judged.verdict is Verdict.CORRECT_PLAN, judged
    assert what in judged.line
    assert judged.corrected == printed
    assert parse_plan(judged.corrected.to_toml()) == printed


SPOILT = {
    "minimum layer time": ({"slow_layers": dict.fromkeys(range(12, 20), 20.0)}, "layers 12 to 19"),
    "two walls": ({"walls": 2}, "2.0 walls on layers 5 to 34"),
    "seam on both X faces": (
        {"seam_shift": 25.0, "seam_both": True},
        "both X faces have a seam in the middle",
    ),
}


@pytest.mark.parametrize(("kind", "what"), SPOILT.values(), ids=SPOILT.keys())
def test_what_spoils_a_tower(tmp_path, plan, kind, what):
    judged = judge(read(tmp_path, plan, **kind), plan)
    assert judged.verdict is Verdict.NOT_READABLE
    assert what in " ".join(judged.spoilt)
    assert judged.corrected is None
    assert "\n" not in judged.line


def test_a_seam_on_one_face_leaves_the_other(tmp_path, plan):
    judged = judge(read(tmp_path, plan, seam_shift=25.0), plan)
    assert judged.verdict is Verdict.READABLE
    assert "photograph the right face" in judged.notes[0]


@pytest.mark.parametrize(("shift", "seam"), [(2.0, None), (4.0, "left")])
def test_a_seam_near_a_corner_is_not_in_mid_face(tmp_path, plan, shift, seam):
    report = read(tmp_path, plan, seam_shift=shift)
    assert {row.seam for row in report.rows[1:]} == {seam}


@pytest.mark.parametrize(("degrees", "known"), [(0.2, True), (0.5, False)])
def test_a_face_lies_along_its_axis(tmp_path, plan, degrees, known):
    """Over 59.55 mm a turn of 0.2° is 0.21 mm, one of 0.5° 0.52 mm."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))

    def turned(match):
        x, y = float(match[1]), float(match[2])
        return f"X{c * x - s * y:.4f} Y{s * x + c * y:.4f}"

    path = tmp_path / "t.gcode"
    path.write_text(re.sub(r"X([\d.]+) Y([\d.]+)", turned, sliced(plan)))
    rows = read_file(path, plan).rows
    assert {tuple(row.speed_mm_s) for row in rows} == {("x", "y") if known else ()}


@pytest.mark.parametrize(("slow", "least"), [(2, 50), (4, 20)])
def test_a_fiftieth_of_a_face_may_be_slower(tmp_path, plan, slow, least):
    """Two pieces of 1 mm of the two faces' 119 mm are 1.7 %, four are 3.4 %."""
    lines = sliced(plan, pieces=60).splitlines()
    layer = [n for n, line in enumerate(lines) if line.startswith("G1 X") and "E" in line]
    # the first side of layer 20 is the left one, which with the right one is the X faces
    for n in layer[20 * 240 + 30 : 20 * 240 + 30 + slow]:
        lines[n] = lines[n].replace("F3000", "F1200")
    path = tmp_path / "t.gcode"
    path.write_text("\n".join(lines))
    row = read_file(path, plan).rows[20]
    assert row.speed_mm_s == {"x": (least, 50), "y": (50, 50)}


def test_walls_are_counted_by_the_outline_s_own_length(tmp_path, plan):
    path = tmp_path / "t.gcode"
    flat = re.sub(r" Y([\d.]+)", lambda y: f" Y{0.8 * float(y[1]):.4f}", sliced(plan))
    path.write_text(flat)
    # coordinates of four decimals
    assert [row.walls for row in read_file(path, plan).rows] == pytest.approx([1] * 40, abs=1e-5)


def test_a_wall_that_is_laid_both_ways_has_no_direction(tmp_path, plan):
    corners = [(60, 0), (60, 60), (0, 60), (0, 0)]
    lines = ["G90"]
    for layer in range(3):
        lines.append(f"G1 Z{0.2 + 0.2 * layer:.1f} F600")
        for x, y in (*corners, *corners[2::-1], corners[3]):
            lines.append(f"G1 X{x} Y{y} E2 F3000")
    path = tmp_path / "t.gcode"
    path.write_text("\n".join(lines))
    assert {row.direction for row in read_file(path, plan).rows} == {None}


def test_a_file_without_the_ramp(tmp_path, plan):
    path = tmp_path / "s.gcode"
    path.write_text(sliced(plan))
    judged = judge(read_file(path, plan), plan)
    assert judged.verdict is Verdict.NOT_READABLE
    assert "no command" in judged.line


def test_the_users_text_is_read_without_the_marks(tmp_path, plan):
    command = "USER-A {axis_lower} now\nUSER-B {frequency_hz:.1f}"
    read(tmp_path, plan, command=command)
    path = tmp_path / "r.gcode"
    kept = [x for x in path.read_text().splitlines() if not x.startswith("; ringscan")]
    path.write_text("\n".join(kept))
    assert judge(read_file(path, plan), plan).verdict is Verdict.NOT_READABLE
    report = read_file(path, plan, texts(command=command))
    assert judge(report, plan).verdict is Verdict.READABLE


@pytest.mark.parametrize("form", ["{frequency_hz:.1f}", "{frequency_hz:6.2f}", "{frequency_hz:e}"])
def test_the_texts_own_form_of_numbers_is_read(tmp_path, make_plan, form):
    """Steps of 0.12 Hz, which one decimal rounds by up to 0.05."""
    ramp = {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 0.12}
    plan = make_plan(ramp={"x": ramp, "y": ramp})
    judged = judge(read(tmp_path, plan, command=f"SET {{axis}} {form}"), plan)
    assert judged.verdict is Verdict.READABLE, judged


def test_a_command_that_names_no_axis_sets_both_after_a_text_that_names_them(tmp_path, make_plan):
    ramp = {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 1.0}
    plan = make_plan(ramp={"x": ramp, "y": ramp})
    report = read(tmp_path, plan, command="SET {frequency_hz}")
    assert all(set(row.commanded) == {"x", "y"} for row in report.rows[10:])
    judged = judge(report, plan)
    assert judged.verdict is Verdict.READABLE, judged
    # it may be the command of one axis only, which no file can show
    assert any("names no axis" in note for note in judged.notes)


def test_that_the_last_command_stays_in_force_is_told_where_it_does(tmp_path, plan):
    def told(lines):
        path = tmp_path / "e.gcode"
        path.write_text("\n".join(lines))
        return any("stays in force" in note for note in judge(read_file(path, plan), plan).notes)

    read(tmp_path, plan)
    lines = (tmp_path / "r.gcode").read_text().splitlines()
    own = [COMMAND.format(axis=axis, frequency_hz=30.0, damping_ratio=0.1) for axis in "XY"]
    assert told(lines)
    assert told([*lines, own[0]])
    assert not told([*lines, *own])
    bare = [line for line in lines if not line.startswith(("; ringscan", "USER"))]
    assert not told(bare)


@pytest.mark.parametrize("slow", [range(28, 34), range(5, 9)], ids=["ramp", "reference"])
def test_layers_of_the_other_axis_and_the_reference_are_tested_too(tmp_path, make_plan, slow):
    """One axis as planned, the other's ramp shorter than planned: both must be printed evenly."""
    ramp = {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 1.0}
    plan = make_plan(ramp={"x": ramp, "y": ramp})
    printed = make_plan(ramp={"x": ramp, "y": ramp | {"last_layer": 20}})
    slowed = dict.fromkeys(slow, 25.0)
    judged = judge(read(tmp_path, plan, printed=printed, slow_layers=slowed), plan)
    assert judged.verdict is Verdict.NOT_READABLE
    assert "speed on the faces varies" in " ".join(judged.spoilt)


def altered(tmp_path, plan, change):
    read(tmp_path, plan)
    path = tmp_path / "r.gcode"
    path.write_text("\n".join(change(path.read_text().splitlines())))
    return judge(read_file(path, plan), plan)


def test_wrong_and_missing_values_are_found(tmp_path, plan):
    wrong = altered(
        tmp_path, plan, lambda x: [v.replace("axis=Y f=27.0", "axis=Y f=72.0") for v in x]
    )
    assert wrong.verdict is Verdict.NOT_READABLE
    assert "Y values are no regular ramp" in wrong.line
    missing = altered(tmp_path, plan, lambda x: [v for v in x if "axis=X f=30" not in v])
    assert "X values are no regular ramp" in missing.line


def test_a_change_in_the_middle_of_a_layer_is_found(tmp_path, plan):
    def late(lines):
        place = next(n for n, v in enumerate(lines) if "axis=X f=30" in v)
        lines.insert(place + 4, lines.pop(place))
        return lines

    judged = altered(tmp_path, plan, late)
    assert judged.verdict is Verdict.NOT_READABLE
    assert "middle of layer 20" in judged.line


def test_the_same_command_once_more_in_a_layer_changes_nothing(tmp_path, plan):
    def again(lines):
        place = next(n for n, v in enumerate(lines) if "axis=X f=30" in v)
        lines.insert(place + 4, lines[place])
        return lines

    assert altered(tmp_path, plan, again).verdict is Verdict.READABLE


def test_a_spiral_has_no_seam_wherever_its_turns_begin(tmp_path, plan):
    report = read(tmp_path, plan, spiral=True, seam_shift=25.0)
    assert {row.seam for row in report.rows[1:]} == {None}


def test_more_commands_than_any_tower_has_are_refused(tmp_path, plan, monkeypatch):
    """The plan has five layers of reference and 25 of ramp, and two axes: 60."""
    monkeypatch.setattr("ringscan.make.check.MAX_COMMANDS", 60)
    read(tmp_path, plan)
    monkeypatch.setattr("ringscan.make.check.MAX_COMMANDS", 59)
    with pytest.raises(GcodeError, match="more commands than any tower has"):
        read(tmp_path, plan)


def test_a_speed_that_leaves_no_ripple_is_not_readable(tmp_path, plan, make_plan):
    # 60 mm/s² bends no wall: a / w² at 20 Hz is 4 µm
    weak = make_plan(motion={"acceleration_mm_s2": 60.0, "speed_mm_s": 20.0})
    judged = judge(read(tmp_path, weak), weak)
    assert judged.verdict is Verdict.NOT_READABLE
    assert "no frequency" in judged.line


def test_two_towers_are_refused(tmp_path, plan):
    path = tmp_path / "two.gcode"
    path.write_text(sliced(plan, towers=2, one_after_the_other=True))
    with pytest.raises(GcodeError, match="several objects"):
        read_file(path, plan, texts(off=OFF))
    path.write_text(sliced(plan, towers=2))
    judged = judge(read_file(path, plan, texts()), plan)
    assert judged.verdict is Verdict.NOT_READABLE


def damping_ramp(start, step):
    ramp = {"first_layer": 10, "last_layer": 34, "start": start, "step": step}
    return {"ramp": dict.fromkeys("xy", ramp | {"quantity": "damping_ratio", "frequency_hz": 40.0})}


DAMPING = "USER axis={axis} d={damping_ratio:.5f}"


@pytest.mark.parametrize(("start", "step"), [(0.001, 0.0005), (0.0, 0.00052), (0.0, 0.00034)])
def test_a_damping_ramp_that_is_a_little_off_is_corrected(tmp_path, make_plan, start, step):
    plan = make_plan(**damping_ramp(0.0, 0.0005))
    printed = make_plan(**damping_ramp(start, step))
    judged = judge(read(tmp_path, plan, printed=printed, command=DAMPING), plan)
    assert judged.verdict is Verdict.CORRECT_PLAN
    ramp = judged.corrected.ramp_of("x")
    assert ramp.end == pytest.approx(printed.ramp_of("x").end, abs=1e-5)


@pytest.mark.parametrize("step", [0.10347, 0.07, 0.123456])
def test_a_file_is_readable_by_its_corrected_plan(tmp_path, make_plan, step):
    ramp = {"first_layer": 10, "last_layer": 34, "start": 20.0}
    plan = make_plan(ramp={"x": ramp | {"step": 0.25}})
    printed = make_plan(ramp={"x": ramp | {"step": step}})
    report = read(tmp_path, plan, printed=printed)
    corrected = judge(report, plan).corrected
    assert corrected.ramp_of("x").step == pytest.approx(step, rel=1e-3)
    again = judge(report, corrected)
    assert again.verdict is Verdict.READABLE, again


def test_an_axis_that_shows_nothing_is_named_alone(tmp_path, make_plan):
    ramps = {
        "x": {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 1.0},
        "y": {"first_layer": 10, "last_layer": 34, "start": 200.0, "step": 1.0},
    }
    plan = make_plan(ramp=ramps)
    judged = judge(read(tmp_path, plan), plan)
    assert judged.verdict is Verdict.NOT_READABLE
    (spoilt,) = judged.spoilt
    assert "no frequency of the Y ramp leaves a readable ripple" in spoilt


def test_a_shorter_tower_with_a_ramp_of_its_own_was_not_cut_off(tmp_path, make_plan):
    plan = make_plan()
    ramp = {"first_layer": 8, "last_layer": 24, "start": 20.0, "step": 1.5}
    shorter = make_plan(size={"layers": 28}, ramp={"x": ramp, "y": ramp}, reference=None)
    source, out = tmp_path / "s.gcode", tmp_path / "r.gcode"
    source.write_text(sliced(shorter) + "M5\n")
    add_ramp(source, out, shorter, texts(off=None))
    judged = judge(read_file(out, plan), plan)
    assert judged.verdict is Verdict.CORRECT_PLAN, judged
    assert judged.corrected.size.layers == 28


def test_what_was_switched_off_by_a_text_that_is_not_given_is_not_called_on(tmp_path, plan):
    read(tmp_path, plan)
    unsaid = judge(read_file(tmp_path / "r.gcode", plan, texts(off=None)), plan)
    assert unsaid.verdict is Verdict.CORRECT_PLAN
    assert all(
        "no text that switches the shaper off was given (--off)" in x for x in unsaid.differs
    )
    assert len(unsaid.differs) == 2
    said = judge(read_file(tmp_path / "r.gcode", plan, texts()), plan)
    assert said.verdict is Verdict.READABLE


@pytest.mark.parametrize(("speed", "noted"), [(410.0, False), (440.0, True)])
def test_a_speed_that_no_face_is_long_enough_for_is_told(tmp_path, make_plan, speed, noted):
    """From 5 mm/s with 3000 mm/s² over half of 59.55 mm: sqrt(25 + 3000 · 59.55) = 422.7 mm/s."""
    plan = make_plan(motion={"speed_mm_s": speed})
    judged = judge(read(tmp_path, plan), plan)
    text = f"{speed:g} mm/s is not reached on a face of 60 mm with 3000 mm/s²: 423 mm/s is"
    assert any(x.startswith(text) for x in judged.notes) is noted


def among_the_ramp(*words):
    """Put words into the ramp, before the layer of 30 Hz, and again after the one of 31 Hz."""

    def change(lines):
        place = next(n for n, v in enumerate(lines) if "axis=X f=30" in v)
        again = next(n for n, v in enumerate(lines) if "axis=X f=31" in v)
        return [*lines[:place], *words, *lines[place:again], *words, *lines[again:]]

    return change


@pytest.mark.parametrize(
    "word", ["M220 S50", "M0", "T1", "SOME-WORD A=1", "n7 m220 s50*33", "M117 half done"]
)
def test_other_commands_among_the_ramp_are_told(tmp_path, plan, word):
    """What they do is each firmware's own: where they stand must be said, nothing more."""
    judged = altered(tmp_path, plan, among_the_ramp(word))
    assert judged.verdict is Verdict.READABLE
    lines = (tmp_path / "r.gcode").read_text().splitlines()
    told = f"'{word}' (2 times, first in line {lines.index(word) + 1})"
    assert sum(told in note for note in judged.notes) == 1


def test_commands_before_and_after_the_ramp_are_the_users_own(tmp_path, plan):
    def outside(lines):
        first = next(n for n, v in enumerate(lines) if v.startswith("USER-OFF"))
        return [*lines[:first], "M204 S500", "T0", *lines[first:], "M104 S0", "SOME-WORD"]

    for change in (lambda lines: lines, outside):
        judged = altered(tmp_path, plan, change)
        assert not any("other commands" in note for note in judged.notes)


def test_no_more_kinds_of_other_commands_are_told_than_fit(tmp_path, plan):
    words = [f"M{n} S1" for n in range(500, 600)]
    judged = altered(tmp_path, plan, among_the_ramp(*words))
    (note,) = (n for n in judged.notes if "other commands" in n)
    assert len(note) < 600
    assert "'M505 S1'" in note
    assert "more kinds" in note


@pytest.mark.parametrize("word", ["M82", "M83", None])
@pytest.mark.parametrize("absolute", [True, False])
def test_the_word_for_e_and_its_numbers_must_agree(tmp_path, plan, word, absolute):
    """M82 and M83 make E absolute and relative on most machines (common practice)."""
    text = sliced(plan, absolute_e=absolute)
    other = {"M82": "M83", "M83": "M82"}.get(word)
    if word is not None:  # the last one before the first layer counts
        text = text.replace("G28\n", f"G28\n{other}\n{word}\n", 1) + f"{other}\n"
    source, out = tmp_path / "s.gcode", tmp_path / "r.gcode"
    source.write_text(text)
    add_ramp(source, out, plan, texts())
    notes = [n for n in judge(read_file(out, plan), plan).notes if "E counts" in n]
    assert bool(notes) is (word is not None and absolute is (word == "M83"))


def test_layers_of_different_heights_are_named(tmp_path, plan):
    """40 layers, the upper half thinner: 0.2 mm up to layer 20, 0.12 mm above."""
    top = 0.3 + 20 * 0.2

    def thinner(match):
        z = float(match[1])
        return f"G1 Z{z if z <= top else top + 0.6 * (z - top):.4f}"

    path = tmp_path / "t.gcode"
    path.write_text(re.sub(r"G1 Z([\d.]+)", thinner, sliced(plan)))
    said = " ".join(judge(read_file(path, plan), plan).spoilt)
    assert "from 0.12 mm (layer 2" in said or "from 0.12 mm (layer 3" in said
    assert "to 0.2 mm (layer " in said


def test_a_turned_tower_is_said_to_be_turned(tmp_path, plan):
    c = math.sqrt(0.5)

    def turned(match):
        x, y = float(match[1]), float(match[2])
        return f"X{c * (x - y) + 100:.4f} Y{c * (x + y) - 50:.4f}"

    path = tmp_path / "t.gcode"
    path.write_text(re.sub(r"X([\d.]+) Y([\d.]+)", turned, sliced(plan)))
    assert "turned on the bed" in " ".join(judge(read_file(path, plan), plan).spoilt)
    with pytest.raises(GcodeError, match="turned on the bed"):
        add_ramp(path, tmp_path / "r.gcode", plan, texts())


def test_an_axis_that_is_never_commanded_is_said_so(tmp_path, plan):
    for left_out in ("axis=Y", "TEXT axis=Y"):
        judged = altered(tmp_path, plan, lambda x, out=left_out: [v for v in x if out not in v])
        assert judged.verdict is Verdict.NOT_READABLE
        assert "nothing in the file gives the Y shaper a value" in judged.spoilt
