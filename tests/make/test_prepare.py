import io
import os
import pty
import subprocess
import sys

import pytest
from PIL import Image

from ringscan.cli import main
from ringscan.plan import load_plan

NUMBERS = [
    *("--bed", "220x220", "--flow-limit", "11", "--speed", "200", "--acceleration", "8000"),
    *("--corner-speed", "8", "--families", "ZV,EI", "--tower", "PLOVER-1"),
]
TEXT = ["--command", "USER-TEXT axis={axis} f={frequency_hz}"]
OFF = ["--off", "USER-OFF axis={axis}"]


def toolpath(flag: str, value: str) -> list[str]:
    """A command line with one value of its own; the plan stands for start and end text as well."""
    usual = {"--bed": "300x300", "--flow-limit": "20", "--max-height": "250"} | {flag: value}
    pairs = [text for pair in usual.items() for text in pair]
    return ["toolpath", "p.toml", "o.gcode", "--start", "p.toml", "--end", "p.toml", *pairs]


PREVIEW = ["--preview", "p.png"]


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", io.StringIO())

    def call(*arguments):
        """Exit status, lines of stdout, text of stderr."""
        try:
            main([str(a) for a in arguments])
            status = 0
        except SystemExit as end:
            status = end.code or 0
        out, err = capsys.readouterr()
        return status, out.splitlines(), err

    return call


def test_from_numbers_to_a_checked_file(run, tmp_path):
    status, lines, err = run("plan", "p.toml", *NUMBERS, "--preview", "p.png")
    assert status == 0
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 40  # one screen
    text = "\n".join(lines)
    for said in ("PLOVER-1", "filament", "CAUTION", "minimum layer time", "false quiet"):
        assert said in text
    assert "wrote p.toml" in err
    plan = load_plan(tmp_path / "p.toml")
    assert plan.motion.speed_mm_s <= 200
    with Image.open("p.png") as picture:
        assert picture.format == "PNG"
        assert min(picture.size) >= 600

    assert run("tower", "p.toml", "t.stl")[0] == 0
    (tmp_path / "start.txt").write_text("G28\n")
    (tmp_path / "end.txt").write_text("G0 Z150 F600\nM5\n")
    ends = ["--start", "start.txt", "--end", "end.txt"]
    limits = ["--bed", "220x220", "--flow-limit", "11", "--max-height", "200"]
    assert run("toolpath", "p.toml", "t.gcode", *ends, *limits)[0] == 0

    status, lines, _ = run("ramp", "p.toml", "t.gcode", "--dry-run", *TEXT, *OFF)
    assert status == 0
    assert len(lines) == 1 + plan.size.layers
    assert sorted(os.listdir()) == ["end.txt", "p.png", "p.toml", "start.txt", "t.gcode", "t.stl"]
    row = lines[1 + plan.ramp_of("x").first_layer].split()
    assert float(row[3]) == plan.ramp_of("x").start

    assert run("ramp", "p.toml", "t.gcode", "r.gcode", *TEXT, *OFF)[0] == 0
    status, _, err = run("ramp", "p.toml", "r.gcode", "r2.gcode", *TEXT, *OFF)
    assert (status, "already" in err) == (0, True)

    status, lines, _ = run("check", "p.toml", "r.gcode")
    assert status == 0
    assert lines[-1].startswith("READABLE: ")
    assert sum(line.split()[0].isdigit() for line in lines) == plan.size.layers
    brief = run("check", "p.toml", "r.gcode", "--brief")[1]
    assert len(brief) <= 15
    assert max(map(len, brief[:5])) <= 80


def test_the_plan_is_corrected_from_the_file(run, tmp_path, make_plan):
    from sliced import sliced

    plan, faster = make_plan(), make_plan(motion={"speed_mm_s": 60.0})
    (tmp_path / "p.toml").write_text(plan.to_toml())
    (tmp_path / "s.gcode").write_text(sliced(faster))
    assert run("ramp", "p.toml", "s.gcode", "r.gcode", *TEXT, *OFF)[0] == 0
    status, lines, _ = run("check", "p.toml", "r.gcode", "--corrected", "q.toml", "--brief")
    assert status == 0
    assert lines[-1].startswith("READABLE WITH A CORRECTED PLAN: ")
    assert load_plan(tmp_path / "q.toml") == faster
    status, lines, err = run("check", "p.toml", "s.gcode", "--corrected", "z.toml")
    assert status == 9
    assert lines[-1].startswith("NOT READABLE: ")
    assert "was not written" in err
    assert run("check", "p.toml", "s.gcode")[0] == 9
    assert not (tmp_path / "z.toml").exists()


def test_without_an_off_text_the_reference_band_goes(run, tmp_path, plan):
    from sliced import sliced

    (tmp_path / "p.toml").write_text(plan.to_toml())
    (tmp_path / "s.gcode").write_text(sliced(plan))
    status, _, err = run("ramp", "p.toml", "s.gcode", "r.gcode", *TEXT)
    assert (status, err.count("\n")) == (3, 1)
    assert "--write-plan" in err
    status, _, err = run("ramp", "p.toml", "s.gcode", "r.gcode", *TEXT, "--write-plan", "q.toml")
    assert status == 0
    assert "cannot be given relative to no shaper" in err
    assert load_plan(tmp_path / "q.toml").reference is None
    assert run("check", "q.toml", "r.gcode")[1][-1].startswith("READABLE: ")
    status, _, err = run(
        "ramp", "p.toml", "s.gcode", "t.gcode", *TEXT, *OFF, "--write-plan", "u.toml"
    )
    assert (status, err.count("--write-plan")) == (2, 1)
    assert not (tmp_path / "t.gcode").exists()


def test_neither_the_file_nor_its_own_plan_appears_without_the_other(run, made):
    before = sorted(os.listdir())
    (made / "folder").mkdir()
    for gcode, plan2, status in (("t.gcode", "folder", 7), ("none.gcode", "q.toml", 8)):
        ramp = ["ramp", "p.toml", gcode, "o.gcode", *TEXT, "--write-plan", plan2]
        got, _, err = run(*ramp)
        assert (got, "cannot be" in err) == (status, True)
        assert sorted(os.listdir()) == sorted([*before, "folder"])
    dry = ["ramp", "p.toml", "t.gcode", "--dry-run", *TEXT, "--write-plan", "q.toml"]
    status, _, err = run(*dry)
    assert (status, "goes without --dry-run" in err) == (2, True)


def test_an_existing_plan_is_not_replaced_unasked(run, tmp_path):
    (tmp_path / "p.toml").write_text("precious")
    status, _, err = run("plan", "p.toml", *NUMBERS)
    assert (status, "--force" in err) == (7, True)
    assert (tmp_path / "p.toml").read_text() == "precious"
    assert run("plan", "p.toml", *NUMBERS, "--force")[0] == 0


@pytest.mark.parametrize(
    ("arguments", "status", "what"),
    [
        (["plan", "p.toml"], 2, "--corner-speed"),
        (["plan", "p.toml", *NUMBERS, "--bed", "big"], 2, "two numbers"),
        (["plan", "p.toml", *NUMBERS, "--axes", "z"], 2, "x, y or xy"),
        (["plan", "p.toml", *NUMBERS, "--families", "QQ"], 2, "ZVD"),
        (["plan", "p.toml", *NUMBERS, "--frequencies", "60-20"], 2, "must rise"),
        (["plan", "p.toml", *NUMBERS, "--speed", "-3"], 2, "from 0 up"),
        (["plan", "p.toml", *NUMBERS, "--tower", "my tower"], 2, "'my tower' is not 1 to 12 of"),
        (["plan", "p.toml", *NUMBERS, "--bed", "22×220"], 2, "a bed of 22 mm is too small"),
        (["plan", "p.toml", *NUMBERS, "--speed", "9000"], 2, "in mm/min that is 150 mm/s"),
        (["plan", "p.toml", *NUMBERS, "--max-speed", "3"], 2, "too low for a tower"),
        (["plan", "p.toml", *NUMBERS, "--speed", "1e9"], 2, "the speed must be above 0 and at"),
        (["plan", "p.toml", *NUMBERS, "--acceleration", "0"], 2, "the acceleration must be"),
        (["plan", "p.toml", *NUMBERS, "--max-speed", "0"], 2, "the highest speed must be"),
        (["plan", "p.toml", *NUMBERS, "--max-speed", "nan"], 2, "the highest speed must be"),
        (["plan", "p.toml", *NUMBERS, "--max-acceleration", "nan"], 2, "highest acceleration"),
        (["plan", "p.toml", *NUMBERS, "--max-height", "nan"], 2, "the greatest height must be"),
        (["plan", "p.toml", *NUMBERS, "--bed", "nanxnan"], 2, "the bed width must be above 0"),
        (["plan", "p.toml", *NUMBERS, "--bed", "infxinf"], 2, "the bed width must be above 0"),
        (["plan", "p.toml", *NUMBERS, "--filament", "17.5"], 2, "the filament must be 1 to 4 mm"),
        (["plan", "p.toml", *NUMBERS, "--expect", "30"], 2, "goes with --preview"),
        (["plan", "p.toml", *NUMBERS, *PREVIEW, "--expect", "-3"], 2, "outside of the range"),
        (["plan", "p.toml", *NUMBERS, *PREVIEW, "--expect", "0"], 2, "outside of the range"),
        (["plan", "p.toml", *NUMBERS, *PREVIEW, "--expect", "500"], 2, "outside of the range"),
        (["plan", "p.toml", *NUMBERS, "--preview", "p.jpg"], 2, "should end in .png"),
        (["plan", "p.png", *NUMBERS, "--preview", "p.png"], 2, "is a picture's name"),
        (["plan", ".", *NUMBERS], 7, "is a folder"),
        (["plan", "no/p.toml", *NUMBERS], 7, "cannot be written"),
        (["tower", "none.toml", "t.stl"], 3, "no such plan"),
        (["ramp", "none.toml", "x.gcode", *TEXT], 2, "OUT"),
        (["ramp", "none.toml", "x.gcode", "o.gcode"], 3, "no such plan"),
        (["check", "none.toml", "x.gcode"], 3, "no such plan"),
    ],
)
def test_wrong_command_lines(run, tmp_path, arguments, status, what):
    got, _, err = run(*arguments)
    assert got == status
    assert what in err
    assert "Traceback" not in err
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("arguments", "status", "what"),
    [
        (["ramp", "p.toml", "none.gcode", "o.gcode", *TEXT, *OFF], 8, "cannot be read"),
        (["ramp", "p.toml", "p.toml", "o.gcode", *TEXT, *OFF], 8, "no move extrudes"),
        (["ramp", "p.toml", "none.gcode", "o.gcode"], 2, "--command"),
        (["ramp", "p.toml", "none.gcode", "o.gcode", "--command", "f={f}"], 2, "placeholder"),
        (
            [
                "ramp",
                "p.toml",
                "x",
                "--dry-run",
                "--command",
                "USER {axis} {frequency_hz:.0e}",
                *OFF,
            ],
            3,
            "comes out the same for",
        ),
        (["check", "p.toml", "none.gcode"], 8, "cannot be read"),
        (["tower", "p.toml", "t.obj"], 2, "should end in .stl or .3mf"),
        ([*toolpath("--start", "none.txt")], 2, "none.txt: cannot be read"),
        (["check", "p.toml", "x", "--command-file", "none.txt"], 2, "none.txt: cannot be read"),
        (["ramp", "p.toml", "none.gcode", "p.toml", *TEXT, *OFF], 7, "name another file"),
        (["check", "p.toml", "none.gcode", "--corrected", "p.toml"], 7, "name another file"),
        (["sheet", "p.toml", "-o", "p.toml"], 2, "should end in .pdf"),
        ([*toolpath("--flow-limit", "nan")], 2, "the flow limit must be above 0"),
        ([*toolpath("--max-height", "nan")], 2, "the greatest height must be above 0"),
        ([*toolpath("--bed", "nanx200")], 2, "the bed width must be above 0"),
        ([*toolpath("--filament", "0")], 2, "the filament must be 1 to 4 mm"),
        ([*toolpath("--filament", "1,75")], 2, "a valid number with a decimal point, like 0.4;"),
        (["plan", "q.toml", "--damping-setting", "6"], 2, "setting must be 0 to 0.5, not 6"),
        ([*toolpath("--origin", "nan,0")], 2, "must be two numbers"),
        (["tower", "p.toml", "t.stl", "--form", "cone"], 2, "block, tube"),
    ],
)
def test_wrong_files(run, tmp_path, plan, arguments, status, what):
    (tmp_path / "p.toml").write_text(plan.to_toml())
    got, _, err = run(*arguments)
    assert got == status
    assert what in err
    assert os.listdir(tmp_path) == ["p.toml"]


def test_it_asks_in_a_terminal(tmp_path):
    controller, terminal = pty.openpty()
    asked_again = ["wren 1", "WREN-1", "big", "22x22", "200×200", "11", "", "3", "", "0.5", "", "0"]
    speeds = ["0.1", "9000", "150", "20", "8000", "146", "8"]
    answers = [*asked_again, "10,5", "10", *speeds, "x", "LIST", "ZV", "60-20", "20-400", "20-60"]
    os.write(controller, "".join(f"{a}\n" for a in answers).encode())
    run = subprocess.run(
        [sys.executable, "-c", "from ringscan.cli import main; main()", "plan", "w.toml"],
        stdin=terminal,
        capture_output=True,
        cwd=tmp_path,
        timeout=300,
        check=True,
        text=True,
    )
    os.close(controller)
    os.close(terminal)
    assert "Speed at a 90° corner" in run.stderr
    assert run.stdout.startswith("Tower WREN-1")
    plan = load_plan(tmp_path / "w.toml")
    assert plan.axes == ("x",)
    assert plan.ramp_of("x").start == 20
    assert plan.motion.corner_speed_mm_s == 8
    assert plan.size.layer_height_mm == 0.2
    for said in (
        "'10,5' is not a number with a decimal point, like 0.4",
        "a bed of 22 mm is too small: a tower of 30 mm needs a bed of 50 mm",
        *("a nozzle of 11 mm", "line width of 3 mm", "layer height of 0.5 mm"),
        "a speed of 0.1 mm/s is too low for a tower; it takes 15 mm/s at least",
        "at most 2000 mm/s, not 9000; in mm/min that is 150 mm/s",
        "an acceleration of 20 mm/s² leaves no ripple",
        "with a corner speed of 146 mm/s; it takes 151 mm/s at least",
        "family LIST has no impulses here",
        "the frequency range 60 to 20 Hz must rise",
        "the frequency range 20 to 400 Hz must rise and lie within 5 to 300 Hz",
    ):
        assert said in run.stderr


def test_a_question_without_an_answer_writes_nothing(tmp_path):
    controller, terminal = pty.openpty()
    os.write(controller, b"\x04")  # the end of the input
    run = subprocess.run(
        [sys.executable, "-c", "from ringscan.cli import main; main()", "plan", "w.toml"],
        stdin=terminal,
        capture_output=True,
        cwd=tmp_path,
        timeout=300,
        text=True,
    )
    os.close(controller)
    os.close(terminal)
    assert run.returncode == 1
    assert run.stderr.endswith(
        "ringscan: stopped before all questions were answered; nothing was written\n"
    )
    assert os.listdir(tmp_path) == []


@pytest.fixture
def made(run, tmp_path, plan):
    """A plan, start and end text, a toolpath and one with the ramp."""
    (tmp_path / "p.toml").write_text(plan.to_toml())
    (tmp_path / "s.txt").write_text("G28\n")
    (tmp_path / "e.txt").write_text("M5\n")
    assert run(*toolpath_of("p.toml", "t.gcode"))[0] == 0
    assert run("ramp", "p.toml", "t.gcode", "r.gcode", *TEXT, *OFF)[0] == 0
    return tmp_path


LIMITS = ["--bed", "300x300", "--flow-limit", "20", "--max-height", "250"]


def toolpath_of(plan: str, out: str) -> list[str]:
    ends = ["--start", "s.txt", "--end", "e.txt"]
    return ["toolpath", plan, out, *ends, *LIMITS]


@pytest.mark.parametrize(
    ("arguments", "out"),
    [
        (["plan", "mine", *NUMBERS], "mine"),
        (["plan", "q.toml", *NUMBERS, "--preview", "mine.png"], "mine.png"),
        (["tower", "p.toml", "mine.stl"], "mine.stl"),
        (toolpath_of("p.toml", "mine"), "mine"),
        (["ramp", "p.toml", "t.gcode", "mine", *TEXT, *OFF], "mine"),
        (["ramp", "p.toml", "t.gcode", "r2.gcode", *TEXT, "--write-plan", "mine"], "mine"),
        (["check", "faster.toml", "r.gcode", "--corrected", "mine"], "mine"),
        (["sheet", "p.toml", "-o", "mine.pdf"], "mine.pdf"),
    ],
)
def test_what_exists_is_replaced_only_when_told(run, made, make_plan, arguments, out):
    faster = make_plan(motion={"speed_mm_s": 60.0})
    (made / "faster.toml").write_text(faster.to_toml())
    (made / out).write_text("precious")
    before = sorted(os.listdir())
    status, lines, err = run(*arguments)
    assert (status, lines) == (7, [])
    assert err == f"ringscan: {out}: exists; name another file, or replace it with --force\n"
    assert (made / out).read_text() == "precious"
    assert sorted(os.listdir()) == before
    assert run(*arguments, "--force")[0] == 0
    assert (made / out).read_bytes() != b"precious"


@pytest.mark.parametrize(
    ("text", "off", "what"),
    [
        ("G1 X{frequency_hz}", "USER-OFF", "has 'G1 X{frequency_hz}', which moves"),
        ("USER f={frequency_hz}\nG91", "USER-OFF", "has 'G91', which moves"),
        ("USER f={frequency_hz}", "G92 X0", "switches the shaper off has 'G92 X0'"),
        ("USER f={frequency_hz}", "F600", "has 'F600'"),
        ("; f={frequency_hz}", "USER-OFF", "is a comment only"),
        ("(f={frequency_hz})", "USER-OFF", "is a comment only"),
        ("USER ; f={frequency_hz}", "USER-OFF", "sets nothing"),
        ("USER f={frequency_hz}", "; USER-OFF", "is a comment only"),
        ("USER f={frequency_hz:>1000000000}", "USER-OFF", "40 characters wide at most"),
        ("USER f={frequency_hz:;>8}", "USER-OFF", "malformed placeholder"),
    ],
)
def test_texts_that_would_spoil_the_toolpath(run, made, text, off, what):
    status, _, err = run("ramp", "p.toml", "t.gcode", "o.gcode", "--command", text, "--off", off)
    assert (status, err.count("\n")) == (2, 1)
    assert what in err
    assert not (made / "o.gcode").exists()


@pytest.mark.parametrize(
    "text", ["M801 A{axis} F{frequency_hz}", "USER({frequency_hz})", "G4 P{frequency_hz}"]
)
def test_texts_that_leave_the_toolpath_alone(run, made, text):
    assert run("ramp", "p.toml", "t.gcode", "o.gcode", "--command", text, *OFF)[0] == 0


def test_what_comes_next_is_said(run, made):
    err = run("ramp", "p.toml", "t.gcode", "o.gcode", *TEXT, *OFF)[2]
    assert "ringscan check p.toml o.gcode" in err
    assert "stays in force after the print" in err
    lines = run("check", "p.toml", "o.gcode", "--brief")[1]
    assert max(map(len, lines)) <= 80
    assert "stays in force after the print" in " ".join(lines)


def test_a_file_that_is_as_planned_needs_no_other_plan(run, made):
    status, _, err = run("check", "p.toml", "r.gcode", "--brief", "--corrected", "q.toml")
    assert (status, "p.toml describes the file as it is" in err) == (0, True)
    assert not (made / "q.toml").exists()


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("between_lines", [True, False])
def test_a_file_that_was_cut_off_is_not_readable(run, made, share, between_lines):
    whole = (made / "r.gcode").read_bytes()
    end = int(share * len(whole))
    # mid-line, where a number is cut in two, or behind a line
    end = whole.rindex(b" Y", 0, end) + 5 if not between_lines else whole.rindex(b"\n", 0, end) + 1
    (made / "cut.gcode").write_bytes(whole[:end])
    status, lines, _ = run("check", "p.toml", "cut.gcode", "--brief", "--corrected", "q.toml")
    assert status == 9
    assert lines[-1].startswith("NOT READABLE: ")
    assert "it was cut off" in lines[-1]
    assert not (made / "q.toml").exists()


def test_a_file_cut_off_within_the_reference_band_is_told_as_such(run, made):
    """The ramp's own text is then the last line: it is no end."""
    lines = (made / "r.gcode").read_text().splitlines(keepends=True)
    second = [i for i, line in enumerate(lines) if line.startswith("USER-OFF axis=Y")][3]
    (made / "cut.gcode").write_text("".join(lines[: second + 1]))
    status, said, _ = run("check", "p.toml", "cut.gcode", "--brief")
    assert status == 9
    assert "it was cut off" in said[-1]


def test_a_text_that_names_no_axis_is_told(run, made):
    hard = ["--command", "USER-TEXT axis=X f={frequency_hz}", "--off", "USER-OFF axis=X"]
    err = run("ramp", "p.toml", "t.gcode", "o.gcode", *hard)[2]
    assert "it must set X and Y at once" in err
    assert "it must set X and Y" in " ".join(run("check", "p.toml", "o.gcode", "--brief")[1])
    assert "X and Y at once" not in run("ramp", "p.toml", "t.gcode", "o2.gcode", *TEXT, *OFF)[2]


def test_that_the_other_axiss_shaper_must_be_off_is_told(run, made, make_plan):
    one = make_plan(ramp={"y": None})
    (made / "one.toml").write_text(one.to_toml())
    hard = ["--command", "USER-TEXT axis=X f={frequency_hz}", "--off", "USER-OFF axis=X"]
    named = [*TEXT, *OFF]
    for plan, words, told in (
        ("one.toml", hard, True),
        ("one.toml", named, False),
        ("p.toml", named, False),
    ):
        err = run("ramp", plan, "t.gcode", "o.gcode", *words, "--force")[2]
        lines = run("check", plan, "o.gcode", "--brief")[1]
        for text in (err, " ".join(lines)):
            assert ("one axis has no ramp: switch its shaper off" in text) is told
    for axes, told in (("x", True), ("xy", False)):
        lines = run("plan", "q.toml", *NUMBERS, "--axes", axes, "--force")[1]
        assert ("switch its shaper off for this print" in " ".join(lines)) is told


def test_a_file_without_an_end_is_told(run, made):
    whole = (made / "r.gcode").read_bytes()
    (made / "cut.gcode").write_bytes(whole[: whole.rindex(b" E") + 4])
    for name, told in (("cut.gcode", True), ("r.gcode", False)):
        lines = run("check", "p.toml", name, "--brief")[1]
        assert ("no command follows the last line of filament" in " ".join(lines)) is told


def test_a_picture_is_no_name_for_text(run, made):
    (made / "mine.jpg").write_bytes(b"photo")
    for arguments in (
        ["plan", "mine.jpg", *NUMBERS],
        toolpath_of("p.toml", "mine.jpg"),
        ["ramp", "p.toml", "t.gcode", "mine.jpg", *TEXT, *OFF],
        ["check", "p.toml", "r.gcode", "--corrected", "mine.jpg"],
    ):
        status, _, err = run(*arguments, "--force")
        assert (status, err.count("\n")) == (2, 1)
        assert "is a picture's name" in err
        assert (made / "mine.jpg").read_bytes() == b"photo"


def test_a_second_tower_like_the_first(run, tmp_path):
    assert run("plan", "a.toml", *NUMBERS)[0] == 0
    limits = ["--bed", "220x220", "--flow-limit", "11"]
    setting = ["--frequencies", "30-45", "--damping-setting", "0.06"]
    second = ["plan", "b.toml", "--like", "a.toml", "--tower", "PLOVER-2", *limits, *setting]
    assert run(*second)[0] == 0
    one, two = load_plan(tmp_path / "a.toml"), load_plan(tmp_path / "b.toml")
    assert two.motion == one.motion
    assert two.shaper == one.shaper.model_copy(update={"damping_ratio": 0.06})
    assert two.size == one.size.model_copy(update={"layers": two.size.layers})
    assert (two.ramp_of("x").start, round(two.ramp_of("x").end)) == (30, 45)
    whole = ["plan", "c.toml", "--like", "a.toml", "--tower", "PLOVER-3", *limits]
    assert run(*whole)[0] == 0
    assert load_plan(tmp_path / "c.toml").ramp == one.ramp  # its range, where none is given
    assert (two.tower, two.axes) == ("PLOVER-2", one.axes)
    for more, status, what in (
        (["--speed", "100"], 2, "--like keeps what --speed says"),
        (["--flow-limit", "3"], 3, "needs 7.6 mm³/s, the hot end melts 3"),
        (["--bed", "70x220"], 2, "needs a bed of 80 mm"),
    ):
        got, _, err = run(*second, "--force", *more)
        assert (got, err.count("\n")) == (status, 1)
        assert what in err


def test_no_second_tower_with_the_firsts_label_or_like_a_damping_tower(run, made, make_plan):
    limits = ["--bed", "220x220", "--flow-limit", "11"]
    ramp = {"first_layer": 10, "last_layer": 34, "start": 0.0, "step": 0.01}
    damping = make_plan(ramp={"x": ramp | {"quantity": "damping_ratio", "frequency_hz": 40.0}})
    (made / "d.toml").write_text(damping.to_toml())
    for like, tower, wanted, said in (
        ("p.toml", "WREN-2", 2, "'WREN-2' is the label of the earlier tower itself"),
        ("d.toml", "WREN-3", 3, "plan 'WREN-2' raises the damping ratio for axis X"),
    ):
        status, _, err = run("plan", "q.toml", "--like", like, "--tower", tower, *limits)
        assert (status, err.count("\n")) == (wanted, 1)
        assert said in err
        assert not (made / "q.toml").exists()
    assert run("plan", "q.toml", "--like", "p.toml", "--tower", "WREN-3", *limits)[0] == 0


def test_like_accepts_what_plan_wrote(run, tmp_path):
    thick = ["--nozzle", "0.4", "--line-width", "0.4", "--layer-height", "0.32"]
    assert run("plan", "a.toml", *NUMBERS, *thick)[0] == 0
    limits = ["--bed", "220x220", "--flow-limit", "11", "--tower", "PLOVER-2"]
    assert run("plan", "b.toml", "--like", "a.toml", *limits)[0] == 0


def test_the_first_layer_keeps_the_intended_height(run, tmp_path):
    numbers = [*NUMBERS, "--layer-height", "0.3", "--flow-limit", "4"]
    assert run("plan", "p.toml", *numbers)[0] == 0
    size = load_plan(tmp_path / "p.toml").size
    assert size.layer_height_mm < size.first_layer_mm == 0.3
