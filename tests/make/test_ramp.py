import os
import random
import re
import subprocess
import sys
from pathlib import Path

import pytest
from sliced import sliced

from ringscan.errors import GcodeError, OptionError, OutputError, PlanError
from ringscan.make.check import read_file
from ringscan.make.ramp import add_ramp, read_marks
from ringscan.make.template import PLACEHOLDERS, parse_template
from ringscan.make.texts import Texts, layer_commands
from ringscan.make.verdict import Verdict, judge

COMMAND = "USER-TEXT axis={axis} f={frequency_hz} d={damping_ratio}"
OFF = "USER-OFF axis={axis}"


def texts(command=COMMAND, off=OFF):
    return Texts(
        command=parse_template(command, commands=True),
        off=None if off is None else parse_template(off, commands=False),
    )


def add(tmp_path, plan, source, **kinds):
    path, out = tmp_path / "in.gcode", tmp_path / "out.gcode"
    path.write_bytes(source.encode())
    result = add_ramp(path, out, plan, texts(**kinds))
    return result, out.read_bytes().decode()


def found_commands(text):
    """(height, line) of every inserted line: the height of the next extruding move."""
    result, waiting = [], []
    z = 0.0
    relative = False
    for line in text.splitlines():
        if line.startswith("USER"):
            waiting.append(line)
        relative = line == "G91" or (relative and line != "G90")
        if match := re.search(r" Z(-?[\d.]+)", line):
            z = z + float(match[1]) if relative else float(match[1])
        if " E" in line:
            result += [(round(z, 3), w) for w in waiting]
            waiting = []
    assert not waiting
    return result


KINDS = {
    "absolute": {},
    "relative Z": {"relative_z": True},
    "absolute E": {"absolute_e": True},
    "Z hops": {"hop": 0.4},
    "pieces": {"pieces": 25},
    "arcs at the corners": {"round_corners": 2.0},
    "seam in mid-face": {"seam_shift": 25.0},
    "clockwise": {"direction": -1},
    "two walls": {"walls": 2},
    "skirt": {"skirt": True},
    "prime line below": {"prime": 0.2},
    "prime line level": {"prime": 0.3},
    "prime line above": {"prime": 0.4},
    "lying comments": {"noise": "; layer 99 Z 7.7\n(height 3)"},
}


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS.keys())
def test_each_layer_gets_its_value(tmp_path, plan, kind):
    source = sliced(plan, **kind)
    _, text = add(tmp_path, plan, source)
    expected = []
    for layer in range(40):  # the plan of conftest, written out anew
        top = round(0.3 + 0.2 * layer, 3)
        for axis in "XY":
            if 5 <= layer <= 9:
                expected.append((top, f"USER-OFF axis={axis}"))
            elif 10 <= layer <= 34:
                expected.append((top, f"USER-TEXT axis={axis} f={20.0 + (layer - 10)} d=0.1"))
    assert found_commands(text) == expected
    kept = [x for x in text.splitlines() if not x.startswith(("USER", "; ringscan"))]
    assert kept == source.splitlines()


@pytest.mark.parametrize("pieces", [1, 30])
@pytest.mark.parametrize("prime", [None, 0.3])
def test_a_spiral_changes_at_each_full_turn(tmp_path, plan, pieces, prime):
    _, text = add(tmp_path, plan, sliced(plan, spiral=True, pieces=pieces, prime=prime))
    commands = [c for c in found_commands(text) if "TEXT axis=X" in c[1]]
    # the first move of a turn ends one piece up: 0.2 mm over 4 sides of so many pieces
    expected = [round(0.3 + 0.2 * (k - 1) + 0.2 / (4 * pieces), 3) for k in range(10, 35)]
    assert [z for z, _ in commands] == pytest.approx(expected, abs=2e-3)


def test_line_endings_and_the_percent_sign_are_kept(tmp_path, plan):
    source = "%\r\n" + sliced(plan, newline="\r\n")
    _, text = add(tmp_path, plan, source)
    assert text.startswith("%\r\n; ringscan ramp 1 ")
    assert text.count("\n") == text.count("\r\n")
    kept = [x for x in text.splitlines() if not x.startswith(("USER", "; ringscan"))]
    assert kept == source.splitlines()


def test_a_second_run_is_recognised_and_changes_nothing(tmp_path, plan):
    first, second = tmp_path / "1.gcode", tmp_path / "2.gcode"
    source = tmp_path / "0.gcode"
    source.write_text(sliced(plan))
    before = source.read_bytes()
    assert not add_ramp(source, first, plan, texts()).already
    assert add_ramp(first, second, plan, texts()).already
    assert first.read_bytes() == second.read_bytes()
    assert source.read_bytes() == before
    marks = read_marks(first)
    assert marks is not None
    assert marks.texts == texts()


def test_another_ramp_is_not_put_on_top(tmp_path, plan, make_plan):
    first = tmp_path / "1.gcode"
    _, text = add(tmp_path, plan, sliced(plan))
    first.write_text(text)
    ramp = {"first_layer": 10, "last_layer": 34, "start": 21.0, "step": 1.0}
    for other_plan, other in (
        (plan, texts(command=COMMAND + " more")),
        (plan, texts(off=OFF + " more")),
        (make_plan(ramp={"x": ramp, "y": ramp}), texts()),
    ):
        with pytest.raises(GcodeError, match="another plan or text"):
            add_ramp(first, tmp_path / "2.gcode", other_plan, other)
    first.write_text("\n".join(x for x in text.splitlines() if not x.startswith("; ringscan")))
    with pytest.raises(GcodeError, match="already holds commands"):
        add_ramp(first, tmp_path / "2.gcode", plan, texts())
    assert not (tmp_path / "2.gcode").exists()


@pytest.mark.parametrize(("count", "refused"), [(4, False), (5, True)])
def test_a_few_lines_of_the_users_own_may_equal_the_ramp_s(tmp_path, plan, count, refused):
    """A start text may set the shaper as some layers do; five such lines are a ramp."""
    own = [f"USER-TEXT axis=X f={20.0 + k} d=0.1" for k in range(count)]
    source = "\n".join([*own, own[0], sliced(plan)])  # the same one again does not count
    if refused:
        with pytest.raises(GcodeError, match="line 5: already holds commands"):
            add(tmp_path, plan, source)
        return
    result, _ = add(tmp_path, plan, source)
    assert not result.already
    assert result.commanded == 30


def test_switching_off_is_no_ramp_that_was_put_in(tmp_path, plan):
    """Any start text may hold all of it."""
    off = "\n".join(f"USER-OFF {n}" for n in range(6))
    result, _ = add(tmp_path, plan, "\n".join([off, sliced(plan)]), off=off)
    assert result.commanded == 30


@pytest.mark.parametrize(
    "changes",
    [
        {"ramp": {"x": {"first_layer": 10, "last_layer": 39, "start": 20.0, "step": 1.0}}},
        {"reference": {"first_layer": 35, "last_layer": 39}},
    ],
    ids=["ramp", "reference"],
)
def test_a_missing_top_layer_must_not_be_a_measured_one(tmp_path, make_plan, changes):
    plan = make_plan(**changes)
    shorter = make_plan(size={"layers": 39})
    with pytest.raises(GcodeError, match="has 39 layers, plan 'WREN-2' has 40"):
        add(tmp_path, plan, sliced(shorter))
    add(tmp_path, plan, sliced(plan))


@pytest.mark.parametrize(("width", "refused"), [(59.2, False), (58.8, True), (61.2, True)])
def test_a_tower_of_another_width_is_refused(tmp_path, plan, make_plan, width, refused):
    source = sliced(make_plan(size={"width_mm": width}))
    if refused:
        with pytest.raises(GcodeError, match=r"layer 5 covers .* the wall of plan 'WREN-2' 59\.5"):
            add(tmp_path, plan, source)
    else:
        assert add(tmp_path, plan, source)[0].commanded == 30


def test_a_tower_that_is_no_square_is_refused(tmp_path, plan):
    flat = re.sub(r" Y([\d.]+)", lambda y: f" Y{0.95 * float(y[1]):.4f}", sliced(plan))
    with pytest.raises(GcodeError, match=r"layer 5 covers 59\.[56] × 56\.6 mm"):
        add(tmp_path, plan, flat)


REFUSED = {
    "one after the other": ({"towers": 2, "one_after_the_other": True}, "several objects"),
    "side by side": ({"towers": 2}, "several objects"),
    "scaled": ({"scale": 0.9}, "layer 2 lies at Z|covers"),
}


@pytest.mark.parametrize(("kind", "what"), REFUSED.values(), ids=REFUSED.keys())
def test_files_that_are_not_the_plans_tower(tmp_path, plan, kind, what):
    with pytest.raises(GcodeError, match=what) as caught:
        add(tmp_path, plan, sliced(plan, **kind))
    assert "\n" not in str(caught.value)
    assert os.listdir(tmp_path) == ["in.gcode"]


def test_heights_that_differ_little_are_told_apart(tmp_path, plan):
    """From layer 30 on, at 6.3 mm, all lie 0.06 mm higher: more than a quarter of a layer."""
    shifted = re.sub(
        r"G1 Z([\d.]+)",
        lambda z: f"G1 Z{float(z[1]) + 0.06 * (float(z[1]) > 6.2):.4f}",
        sliced(plan),
    )
    told = r"layer 30 lies at Z 6\.36 mm, plan 'WREN-2' says 6\.3 mm"
    with pytest.raises(GcodeError, match=told):
        add(tmp_path, plan, shifted)


def test_other_layer_heights_and_too_few_layers(tmp_path, plan, make_plan):
    thick = make_plan(size={"layer_height_mm": 0.3})
    with pytest.raises(
        GcodeError, match=r"layer 1 lies at Z 0\.6 mm, plan 'WREN-2' says 0\.5 mm"
    ) as other:
        add(tmp_path, plan, sliced(thick))
    low = make_plan(size={"layers": 36})
    with pytest.raises(GcodeError, match="has 36 layers, plan 'WREN-2' has 40"):
        add(tmp_path, plan, sliced(low))
    with pytest.raises(GcodeError, match=r"has 36 layers, .*: was it cut off\?"):
        add(tmp_path, plan, sliced(low))  # moves alone are no end
    with pytest.raises(GcodeError, match=r"was it cut off\?"):
        add(tmp_path, plan, "M104 S210\n" + sliced(low))  # nor is what comes before them
    with pytest.raises(GcodeError, match="has 36 layers") as ended:
        add(tmp_path, plan, sliced(low) + "M5\n")
    with pytest.raises(GcodeError, match="has 43 layers") as taller:
        add(tmp_path, plan, sliced(make_plan(size={"layers": 43})))
    for error in (ended, taller):
        assert "cut off" not in str(error.value)
    for error in (other, ended, taller):
        # 'check' calls a file without the ramp not readable, and corrects no plan by it
        assert "ringscan check" not in str(error.value)
        assert "0.3 mm for the first and 0.2 mm for the others" in str(error.value)
    nearly = make_plan(size={"layers": 39})
    result, _ = add(tmp_path, plan, sliced(nearly))
    assert "39 layers" in result.warnings[0]


def test_the_original_is_never_the_target(tmp_path, plan):
    path = tmp_path / "a.gcode"
    path.write_text(sliced(plan))
    with pytest.raises(OutputError, match="is an input or another output"):
        add_ramp(path, path, plan, texts())
    with pytest.raises(OutputError, match="cannot be written"):
        add_ramp(path, tmp_path / "no" / "b.gcode", plan, texts())


def test_nothing_half_written_when_the_copy_fails(tmp_path, plan, monkeypatch):
    path, out = tmp_path / "a.gcode", tmp_path / "b.gcode"
    path.write_text(sliced(plan))
    out.write_text("before")

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"):
        add_ramp(path, out, plan, texts())
    assert out.read_text() == "before"
    assert sorted(os.listdir(tmp_path)) == ["a.gcode", "b.gcode"]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "is empty"),
        ("USER f={frequency}", "placeholder {frequency}"),
        ("USER f={frequency_hz!r}", "malformed"),
        ("USER f={frequency_hz.real}", r"placeholder \{frequency_hz.real\}"),
        ("USER f={frequency_hz:{axis}}", "malformed"),
        ("USER f={frequency_hz:d}", r"1\.5 cannot be written as \{frequency_hz:d\}"),
        ("USER f={frequency_hz", r"malformed placeholder: write .* as \{name\} or \{name:\.2f\}"),
        ("USER {frequency_hz:<8.2f} A={axis}", "cannot be read back"),
        ("USER {frequency_hz:^9.2f} A={axis}", "cannot be read back"),
        ("USER {frequency_hz:_>8.2f} A={axis}", "cannot be read back"),
        ("USER {frequency_hz:_>5.2f}", "cannot be read back"),
        ("USER {axis:>3} {frequency_hz}", "cannot be read back"),
        ("USER {damping_ratio:%} {axis}", "cannot be read back"),
        ("USER {axis}\nF{damping_ratio}{frequency_hz}", "has 'F.*', whose values"),
        ("USER f={}", "placeholder {}"),
        ("USER axis={axis}", "sets nothing"),
    ],
)
def test_wrong_texts(text, what):
    with pytest.raises(OptionError, match=what) as caught:
        parse_template(text, commands=True)
    assert "\n" not in str(caught.value)


def test_every_placeholder_can_be_rendered(plan):
    text = "\n".join(f"USER {name}={{{name}}}" for name in PLACEHOLDERS)
    lines = layer_commands(plan, texts(command=text, off="off"))[12].lines
    # a period of 1/22 s is 0.04545454… s
    values = ["X", "x", "22.0", "0.04545455", "45.45454545", "0.1", "ZV", "WREN-2", "12", "2.7"]
    assert lines[:10] == tuple(f"USER {n}={v}" for n, v in zip(PLACEHOLDERS, values, strict=True))


def test_formats_and_real_braces(plan):
    lines = layer_commands(plan, texts(command="{{{axis}}} {frequency_hz:06.2f}"))[10].lines
    assert lines == ("{X} 020.00", "{Y} 020.00")


def test_one_text_for_both_axes(plan, make_plan):
    lines = layer_commands(plan, texts(command="BOTH {frequency_hz}", off="OFF"))
    assert lines[10].lines == ("BOTH 20.0",)
    assert lines[5].lines == ("OFF",)
    other = {"first_layer": 10, "last_layer": 34, "start": 30.0, "step": 1.0}
    apart = make_plan(ramp={"y": other})
    with pytest.raises(PlanError, match=r"lacks \{axis\}"):
        layer_commands(apart, texts(command="BOTH {frequency_hz}"))


def test_without_an_off_text_there_is_no_reference_band(plan, make_plan):
    with pytest.raises(PlanError, match="no text switches the shaper off"):
        layer_commands(plan, texts(off=None))
    commands = layer_commands(make_plan(reference=None), texts(off=None))
    assert [bool(c.lines) for c in commands] == [10 <= c.layer <= 34 for c in commands]


def test_a_damping_ramp_needs_its_placeholder(make_plan):
    ramp = {
        "quantity": "damping_ratio",
        "first_layer": 10,
        "last_layer": 34,
        "start": 0.0,
        "step": 0.01,
        "frequency_hz": 40.0,
    }
    plan = make_plan(ramp={"x": ramp, "y": ramp})
    with pytest.raises(PlanError, match="raises damping_ratio"):
        layer_commands(plan, texts(command="USER f={frequency_hz} {axis}"))
    assert layer_commands(plan, texts())[13].lines[0] == "USER-TEXT axis=X f=40.0 d=0.03"


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory as Linux tells it")
def test_memory_does_not_grow_with_the_file(tmp_path, plan):
    """Peak memory of 12 times the file: the same within 3 MB, below the larger file's size."""
    program = (
        "import re, sys; from pathlib import Path\n"
        "from ringscan.make.ramp import add_ramp; from ringscan.plan import parse_plan\n"
        "from ringscan.make.template import parse_template\n"
        "from ringscan.make.texts import Texts\n"
        "t = Texts(command=parse_template('U {axis} {frequency_hz}', commands=True),\n"
        "          off=parse_template('O', commands=False))\n"
        "source, target, plan = map(Path, sys.argv[1:])\n"
        "add_ramp(source, target, parse_plan(plan.read_text()), t)\n"
        "status = Path('/proc/self/status').read_text()\n"
        "print(re.search(r'VmHWM:\\s+(\\d+) kB', status)[1])\n"
    )
    (tmp_path / "p.toml").write_text(plan.to_toml())
    peaks, sizes = [], []
    comment = "; " + "x" * 60 + "\n"
    for n, comments in enumerate((1, 6000)):  # in each of 40 layers
        path = tmp_path / f"{n}.gcode"
        path.write_text(sliced(plan, pieces=20, noise=comment * comments))
        sizes.append(path.stat().st_size)
        run = [sys.executable, "-c", program, path, tmp_path / "o.gcode", tmp_path / "p.toml"]
        peaks.append(int(subprocess.run(run, check=True, capture_output=True).stdout) * 1024)
    assert sizes[1] > 12e6 > 12 * sizes[0]
    assert abs(peaks[1] - peaks[0]) < 3e6


def test_random_lines_never_crash(tmp_path, plan):
    """Whatever the bytes: they are kept between the ramp's lines, or it is the one error."""
    random.seed(4)
    base = sliced(plan).splitlines()
    written = 0
    for _ in range(60):
        lines = list(base)
        for _ in range(random.randint(1, 5)):
            place = random.randrange(len(lines))
            junk = "".join(random.choices("GXYZEFIJRM0123456789.-+;()[]# \t%/N\x7fé", k=12))
            lines[place] = random.choice([junk, lines[place] + junk, lines[place][:5], ""])
        path, out = tmp_path / "r.gcode", tmp_path / "o.gcode"
        path.write_bytes("\n".join(lines).encode())
        try:
            add_ramp(path, out, plan, texts())
        except GcodeError:
            continue
        written += 1
        marks = (b"USER", b"; ringscan")
        kept = [x for x in out.read_bytes().splitlines(keepends=True) if not x.startswith(marks)]
        assert b"".join(kept) == path.read_bytes()
        assert len(found_commands(out.read_text(encoding="utf-8"))) == 60  # 30 layers, two axes
    assert 10 < written < 60


@pytest.mark.parametrize("text", ['"sets nothing"', '"{nowhere}"', '"{frequency_hz"'])
def test_altered_marks_are_said_with_the_file(tmp_path, text):
    path = tmp_path / "r.gcode"
    path.write_text(f"; ringscan ramp 1 {'0' * 16}\n; ringscan command {text}\n")
    with pytest.raises(GcodeError, match=r"r\.gcode: a mark of ringscan was altered"):
        read_marks(path)


@pytest.mark.parametrize(
    "text",
    [
        "USER {axis} {frequency_hz:8.2f}",
        "USER {axis} {frequency_hz:+08.3f} {damping_ratio:.2e}",
        "USER A={axis} F={frequency_hz:<8.2f}",  # nothing follows the blanks
        "USER {axis} {frequency_hz:.0f}E5 {frequency_hz:.3f} {tower}{layer}",
        "USER F{frequency_hz}{axis}",
    ],
)
def test_texts_whose_values_can_be_read_back(text):
    assert parse_template(text, commands=True).text == text


PERIODS = {"{period_ms:.3f}": (1000.0, 3), "{period_s:.6f}": (1.0, 6), "{period_ms}": (1000.0, 8)}


@pytest.mark.parametrize("field", PERIODS)
def test_a_firmware_that_takes_the_period(tmp_path, plan, field):
    """The period is one over the frequency; the file is read back as the plan's tower."""
    unit, decimals = PERIODS[field]
    _, text = add(tmp_path, plan, sliced(plan), command=f"USER axis={{axis}} t={field}")
    told = [line for line in text.splitlines() if line.startswith("USER axis=Y")]
    assert len(told) == 25
    for n, line in enumerate(told):
        assert float(line.rpartition("=")[2]) == pytest.approx(
            unit / (20 + n), abs=0.51 * 10.0**-decimals
        )
    report = read_file(tmp_path / "out.gcode", plan)
    assert judge(report, plan).verdict is Verdict.READABLE
    # half a microsecond more or less is f² · 0.5 µs, 0.00097 Hz at 44 Hz
    assert report.rows[34].commanded["x"].value == pytest.approx(44, abs=0.001)


def test_a_period_that_is_not_the_plans_is_found(tmp_path, plan, make_plan):
    ramp = {"first_layer": 10, "last_layer": 34, "start": 20.0, "step": 1.01}
    add(tmp_path, plan, sliced(plan), command="USER axis={axis} t={period_ms:.3f}")
    other = make_plan(ramp={"x": ramp, "y": ramp})
    judged = judge(read_file(tmp_path / "out.gcode", other), other)
    assert judged.verdict is Verdict.CORRECT_PLAN
    assert judged.corrected == plan


def test_a_period_that_is_rounded_away_is_refused(plan):
    """20 and 21 Hz are 0.05 and 0.0476 s."""
    with pytest.raises(PlanError, match="comes out the same for 20 and 21"):
        layer_commands(plan, texts(command="USER axis={axis} t={period_s:.2f}"))


@pytest.mark.parametrize("told", ["0.000", "-45.455"])
def test_a_period_that_is_none_commands_nothing(tmp_path, plan, told):
    _, text = add(tmp_path, plan, sliced(plan), command="USER axis={axis} t={period_ms:.3f}")
    path = tmp_path / "out.gcode"
    path.write_text(text.replace("axis=X t=45.455", f"axis=X t={told}"))
    assert judge(read_file(path, plan), plan).verdict is Verdict.NOT_READABLE


def test_a_damping_ramp_may_fix_the_period(tmp_path, make_plan):
    ramp = {"first_layer": 10, "last_layer": 34, "start": 0.02, "step": 0.01}
    ramp |= {"quantity": "damping_ratio", "frequency_hz": 40.0}
    damped = make_plan(ramp={"x": ramp, "y": ramp})
    command = "USER axis={axis} t={period_ms:.1f} d={damping_ratio:.2f}"
    _, text = add(tmp_path, damped, sliced(damped), command=command)
    assert "USER axis=X t=25.0 d=0.02" in text.splitlines()
    judged = judge(read_file(tmp_path / "out.gcode", damped), damped)
    assert judged.verdict is Verdict.READABLE
    with pytest.raises(PlanError, match=r"lacks \{damping_ratio\}"):
        layer_commands(damped, texts(command="USER axis={axis} t={period_ms}"))


@pytest.mark.parametrize("axis", ["x", "y"])
@pytest.mark.parametrize("reference", [True, False])
def test_an_axis_without_a_ramp_is_switched_off_once(tmp_path, make_plan, axis, reference):
    """Its shaper would shape the way along the face, and the scan takes it to be off."""
    other = {"x": "Y", "y": "X"}[axis]
    change = {"ramp": {other.lower(): None}}
    one = make_plan(**change | ({} if reference else {"reference": None}))
    assert one.axes == (axis,)
    _, text = add(tmp_path, one, sliced(one))
    found = found_commands(text)
    assert [z for z, line in found if line == f"USER-OFF axis={other}"] == [
        1.3 if reference else 2.3  # layers 5 and 10
    ]
    assert not any(f"USER-TEXT axis={other}" in line for _, line in found)
    judged = judge(read_file(tmp_path / "out.gcode", one), one)
    assert judged.verdict is Verdict.READABLE
    assert not any("switch its shaper off" in note for note in judged.notes)
    assert any("stays in force" in note for note in judged.notes)


@pytest.mark.parametrize("off", ["USER-OFF axis=X", OFF])
def test_an_axis_that_a_text_cannot_name_is_the_users_business(tmp_path, make_plan, off):
    """A command without an axis may set both, and would switch the other one on again."""
    one = make_plan(ramp={"y": None})
    _, text = add(tmp_path, one, sliced(one), command="USER-TEXT f={frequency_hz}", off=off)
    assert "USER-OFF axis=Y" not in text
    judged = judge(read_file(tmp_path / "out.gcode", one), one)
    assert any("switch its shaper off" in note for note in judged.notes)
