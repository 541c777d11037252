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
    (tmp_path / "end.txt").write_text("G0 Z150 F600\n")
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
    assert len(brief) <= 12
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
        (["plan", "p.toml", *NUMBERS, "--frequencies", "60-20"], 3, "must rise"),
        (["plan", "p.toml", *NUMBERS, "--speed", "-3"], 2, "from 0 up"),
        (["plan", "p.toml", *NUMBERS, "--tower", "my tower"], 3, "tower"),
        (["plan", "p.toml", *NUMBERS, "--speed", "1e9"], 3, "the speed must be above 0 and at"),
        (["plan", "p.toml", *NUMBERS, "--acceleration", "0"], 3, "the acceleration must be"),
        (["plan", "p.toml", *NUMBERS, "--max-speed", "nan"], 3, "the highest speed must be"),
        (["plan", "p.toml", *NUMBERS, "--max-acceleration", "nan"], 3, "highest acceleration"),
        (["plan", "p.toml", *NUMBERS, "--max-height", "nan"], 3, "the greatest height must be"),
        (["plan", "p.toml", *NUMBERS, "--bed", "nanxnan"], 3, "the bed width must be above 0"),
        (["plan", "p.toml", *NUMBERS, "--bed", "infxinf"], 3, "the bed width must be above 0"),
        (["plan", "p.toml", *NUMBERS, "--filament", "0"], 3, "the filament must be above 0"),
        (["plan", "p.toml", *NUMBERS, "--expect", "30"], 2, "goes with --preview"),
        (["plan", "p.toml", *NUMBERS, *PREVIEW, "--expect", "-3"], 2, "outside of the range"),
        (["plan", "p.toml", *NUMBERS, *PREVIEW, "--expect", "0"], 2, "outside of the range"),
        (["plan", "p.toml", *NUMBERS, *PREVIEW, "--expect", "500"], 2, "outside of the range"),
        (["plan", "p.toml", *NUMBERS, "--preview", "p.jpg"], 2, "name it so"),
        (["plan", "p.toml", *NUMBERS, "--preview", "p.toml"], 7, "name another file"),
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
        (["ramp", "p.toml", "none.gcode", "o.gcode", "--command", "f={f}"], 3, "placeholder"),
        (
            ["ramp", "p.toml", "x", "--dry-run", "--command", "{axis} {frequency_hz:.0e}", *OFF],
            3,
            "comes out the same for",
        ),
        (["check", "p.toml", "none.gcode"], 8, "cannot be read"),
        (["tower", "p.toml", "t.obj"], 7, ".stl or .3mf"),
        (["tower", "p.toml", "p.toml"], 7, "name another file"),
        (["ramp", "p.toml", "none.gcode", "p.toml", *TEXT, *OFF], 7, "name another file"),
        (["check", "p.toml", "none.gcode", "--corrected", "p.toml"], 7, "name another file"),
        (["sheet", "p.toml", "-o", "p.toml"], 7, "name another file"),
        ([*toolpath("--flow-limit", "nan")], 3, "the flow limit must be above 0"),
        ([*toolpath("--max-height", "nan")], 3, "the greatest height must be above 0"),
        ([*toolpath("--bed", "nanx200")], 3, "the bed width must be above 0"),
        ([*toolpath("--filament", "0")], 3, "the filament must be above 0"),
        ([*toolpath("--origin", "nan,0")], 3, "must be two numbers"),
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
    asked_again = ["wren 1", "WREN-1", "big", "200x200"]
    answers = [*asked_again, "", "", "", "10", "150", "8000", "8", "x", "ZV", "20-60"]
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
