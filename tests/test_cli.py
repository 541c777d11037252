"""The command line: exit statuses, outputs whole or not at all, several photos.

Where only the output matters, the scan is one that was made before.
"""

import io
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from commands import OUTPUT, PHOTO
from PIL import Image
from ringing import scanned

import ringscan.scan
from ringscan.cli import main


@pytest.fixture
def made_before(monkeypatch):
    """Scanning gives the known result at once; the pictures need not be read."""
    monkeypatch.setattr("ringscan.scan.scan_photo", lambda path, **_: scanned())


def test_a_photo_of_a_known_axis(run, good):
    """The whole way, at the one place where nothing is replaced."""
    done = run("scan", good, "--json", "--rows", 3)
    assert (done.status, done.err) == (0, "")
    record = json.loads(done.out, parse_constant=lambda name: pytest.fail(name))
    assert record["verdict"] == "call"
    low, high = record["natural_frequency_interval_hz"]
    assert low < 38.0 < high  # the frequency that the wall was simulated with


@pytest.mark.parametrize(
    "arguments",
    [
        ["scan"],
        ["frobnicate"],
        ["scan", "a.jpg", "--axis", "z"],
        ["scan", "a.jpg", "--check-line", "12"],
        ["scan", "a.jpg", "--check-line", "nan"],
        ["scan", "a.jpg", "--rows", "-1"],
        ["scan", "a.jpg", "b.jpg", "--marked", "m.png"],
        ["scan", "a.jpg", "--marked", "m.txt"],
        ["scan", "a.jpg", "--check-line", "99", "--reference", "face", "--base", "down"],
        ["sheet", "plan.toml", "--out", "sheet.txt"],
        ["sheet", "plan.toml", "--paper", "a3"],
    ],
)
def test_a_wrong_command_line(run, arguments):
    done = run(*arguments)
    assert done.status == 2
    assert done.out == ""
    assert done.err.startswith("ringscan: ")
    assert done.err.count("\n") == 1
    assert "--help' shows how it goes" in done.err


def test_version_and_help(run):
    import ringscan

    done = run("--version")
    assert (done.status, done.out, done.err) == (0, f"ringscan {ringscan.__version__}\n", "")
    assert run("scan", "-h").out == run("scan", "--help").out
    done = run()
    assert (done.status, done.out) == (2, run("--help").out)


def test_without_a_standard_output_nothing_is_measured(run, good, monkeypatch):
    monkeypatch.setattr(sys, "stdout", None)
    with pytest.raises(SystemExit) as ended:
        main(["scan", str(good)])
    assert ended.value.code == OUTPUT


def test_an_interrupted_command_is_one_line(run, good, monkeypatch):
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("ringscan.scan.scan_photo", interrupted)
    done = run("scan", good)
    assert done.status == 130
    assert done.error() == "interrupted; nothing more was written"


def test_help_is_no_error(run):
    done = run("--help")
    assert (done.status, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= 80


def test_the_table_fits_80_columns(run, good, made_before):
    done = run("scan", good)
    assert (done.status, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= 80
    assert "verdict: call" in done.out


def test_no_call_is_a_result(run, good, monkeypatch):
    from ringscan.model.verdict import Outcome

    scan = scanned()
    verdict = replace(scan.verdict, outcome=Outcome.NO_CALL, reasons=("no ripple",))
    unknown = replace(scan, verdict=verdict)
    monkeypatch.setattr("ringscan.scan.scan_photo", lambda path, **_: unknown)
    done = run("scan", good, "--json")
    assert done.status == 0
    record = json.loads(done.out)
    assert (record["verdict"], record["natural_frequency_hz"]) == ("no call", None)


def test_marked_writes_the_picture(run, good, tmp_path, made_before):
    out = tmp_path / "marked.png"
    done = run("scan", good, "--marked", out)
    assert (done.status, done.err) == (0, "")
    with Image.open(out) as image:
        image.load()
        assert image.format == "PNG"


@pytest.mark.parametrize("old", [None, b"what was there"])
def test_a_marked_picture_is_written_whole_or_not_at_all(
    run, good, tmp_path, made_before, monkeypatch, old
):
    out = tmp_path / "marked.png"
    if old is not None:
        out.write_bytes(old)

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    done = run("scan", good, "--marked", out, *(["--force"] if old else []))
    assert done.status == OUTPUT
    assert done.err == f"ringscan: {out}: cannot be written: No space left on device\n"
    assert "verdict: " in done.out  # what was measured is not lost
    assert (out.read_bytes() if out.exists() else None) == old
    assert set(tmp_path.iterdir()) <= {out}


@pytest.mark.parametrize(
    ("place", "says"), [("missing/m.png", "there is no folder"), (".", "cannot be written")]
)
def test_an_unwritable_place(run, good, tmp_path, made_before, place, says):
    done = run("scan", good, "--marked", tmp_path / place)
    assert done.status == OUTPUT
    assert says in done.err
    assert done.err.count("\n") == 1
    assert ("verdict: " in done.out) == (place == ".")
    assert list(tmp_path.iterdir()) == []


def test_what_a_setting_leaves_is_said(run, good, made_before):
    quiet = scanned().ranking[0].frequency_hz
    out = run("scan", good, "--setting", quiet).out
    assert f"setting            {quiet:6.2f} Hz   it helps" in out
    record = json.loads(run("scan", good, "--setting", quiet, "--json").out)["setting_left"]
    assert record["frequency_hz"] == quiet
    low, high = record["interval"]
    assert 0 <= low <= record["left"] <= high < 0.2
    assert record["helps"] is True
    assert json.loads(run("scan", good, "--json").out)["setting_left"] is None
    assert record["in_part"] is False


def test_a_setting_that_was_not_printed_is_a_wrong_option(run, good, made_before):
    done = run("scan", good, "--setting", 400)
    assert done.status == 2
    assert done.error().startswith(
        f"{good}: a setting of 400 Hz was not printed: the bands have 20.0 to 62.5 Hz; '"
    )
    # of several photos it may be another tower's
    done = run("scan", good, good, "--setting", 400, "--json")
    assert (done.status, json.loads(done.out)) == (2, [])
    assert done.err.splitlines() == 2 * [
        f"ringscan: {good}: a setting of 400 Hz was not printed: the bands have 20.0 to 62.5 Hz"
    ]


def test_another_picture_is_replaced_only_when_told(run, good, tmp_path, made_before):
    out = tmp_path / "marked.jpg"
    out.write_bytes(b"another photo")
    assert "--force" in run("scan", good, "--marked", out).error()
    assert out.read_bytes() == b"another photo"
    assert run("scan", good, "--marked", out, "--force").status == 0
    with Image.open(out) as image:
        assert image.format == "JPEG"


def test_the_marked_picture_is_written_whatever_else_is_wrong(run, good, tmp_path, made_before):
    (tmp_path / "empty").mkdir()
    out = tmp_path / "marked.png"
    assert run("scan", good, tmp_path / "empty", "--marked", out).status == PHOTO
    assert out.exists()


@pytest.mark.parametrize("name", ["m.png", "m.jpg"])
def test_a_marked_picture_is_not_measured(run, good, tmp_path, made_before, monkeypatch, name):
    out = tmp_path / name
    assert run("scan", good, "--marked", out).status == 0
    monkeypatch.undo()
    done = run("scan", out)
    assert done.status == PHOTO
    assert "is a picture marked by ringscan" in done.error()


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read anything")
def test_an_unreadable_photo_does_not_stop_the_others(run, good, tmp_path, made_before):
    closed = tmp_path / "closed.jpg"
    closed.write_bytes(b"x")
    closed.chmod(0)
    done = run("scan", closed, good)
    assert "verdict: " in done.out


def test_the_sheet_is_written_beside_its_plan(run, plan_file):
    done = run("sheet", plan_file)
    assert (done.status, done.err) == (0, "")
    assert plan_file.with_suffix(".pdf").read_bytes().startswith(b"%PDF-")


def test_an_unwritable_sheet(run, plan_file, tmp_path):
    done = run("sheet", plan_file, "--out", tmp_path / "missing" / "sheet.pdf")
    assert done.status == OUTPUT
    assert "there is no folder" in done.error()


BUFFERED = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
"""As most people have it: what is printed is written at the end only."""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no full device")
@pytest.mark.parametrize("form", [[], ["--json"]])
def test_results_that_cannot_be_printed(form):
    program = (
        "import sys, ringscan.scan\n"
        "ringscan.scan.scan_photo = lambda path, **_: None\n"
        "import ringscan.show.record as r, ringscan.show.table as t\n"
        "r.to_record = lambda scan: {'x': 1}\n"
        "t.print_scan = lambda scan, console, rows: console.print('x')\n"
        "from ringscan.cli import main; main(['scan', 'a.jpg', *sys.argv[1:]])\n"
    )
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", program, *form],
            env=BUFFERED,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=300,
        )
    assert done.returncode == OUTPUT
    assert done.stderr == "ringscan: the result cannot be written out: No space left on device\n"


@pytest.fixture
def mixed(tmp_path, monkeypatch) -> Path:
    """A folder with two photos that scan at once, one that is damaged, and a file that is none."""
    from ringscan.errors import PhotoError

    for name in ("c.JPG", "a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "truth.json").write_text("{}")

    def scan_photo(path: Path, **_: object):
        if path.name == "b.jpg":
            raise PhotoError(f"{path}: the picture is damaged")
        if path.name.startswith("bug"):
            raise ZeroDivisionError("division by zero")
        if path.name.startswith("interrupt"):
            raise KeyboardInterrupt
        return replace(scanned(), photo=path.name)

    monkeypatch.setattr("ringscan.scan.scan_photo", scan_photo)
    return tmp_path


def test_a_bad_photo_among_several_does_not_stop_the_others(run, mixed):
    done = run("scan", mixed / "a.jpg", mixed / "b.jpg", mixed / "c.JPG", "--json")
    assert done.status == PHOTO
    assert done.err == f"ringscan: {mixed / 'b.jpg'}: the picture is damaged\n"
    assert [record["photo"] for record in json.loads(done.out)] == ["a.jpg", "c.JPG"]


def test_a_fault_of_the_program_does_not_stop_the_others(run, mixed):
    (mixed / "bug.jpg").touch()
    done = run("scan", mixed / "a.jpg", mixed / "bug.jpg", mixed / "c.JPG", "--json")
    assert done.status == 1
    assert [record["photo"] for record in json.loads(done.out)] == ["a.jpg", "c.JPG"]
    says = f"{mixed / 'bug.jpg'}: an error of the program's own: ZeroDivisionError in test_cli.py:"
    assert done.err.startswith(f"ringscan: {says}")
    assert done.err.count("\n") == 1
    # the same of one photo alone
    alone = run("scan", mixed / "bug.jpg", "--json")
    assert alone.status == 1
    assert alone.error().startswith(says)


def test_looking_goes_on_after_a_fault_of_the_program(run, good, monkeypatch):
    from ringscan.look import look_at

    def broken(path: Path, **given):
        if path.name == "bug.jpg":
            raise ValueError
        return look_at(path, **given)

    monkeypatch.setattr("ringscan.look.look_at", broken)
    done = run("look", "bug.jpg", good)
    assert done.status == 1
    says = r"ringscan: bug.jpg: an error of the program's own: ValueError in test_cli.py:\d+\n"
    assert re.fullmatch(says, done.err)
    assert "fit to be scanned" in done.out


@pytest.mark.parametrize("names", [["b.jpg", "bug.jpg"], ["bug.jpg", "b.jpg"]])
def test_the_status_is_that_of_the_last_bad_photo(run, mixed, names):
    done = run("scan", mixed / "none*.jpg", *(mixed / name for name in names))
    assert done.status == (1 if names[-1] == "bug.jpg" else PHOTO)
    assert [Path(line.split(": ")[1]).name for line in done.err.splitlines()] == [
        "none*.jpg",
        *names,
    ]


def test_an_interruption_loses_nothing_that_was_measured(run, mixed):
    done = run("scan", mixed / "a.jpg", mixed / "interrupt.jpg", mixed / "c.JPG", "--json")
    assert done.status == 130
    assert [record["photo"] for record in json.loads(done.out)] == ["a.jpg"]


def test_records_are_written_as_they_come(run, mixed, monkeypatch):
    """So that even a power failure loses none."""
    at_hand = []
    scan_photo = ringscan.scan.scan_photo

    def watched(path: Path, **given):
        at_hand.append(sys.stdout.flushed)
        return scan_photo(path, **given)

    class Kept(io.StringIO):
        flushed = ""

        def flush(self) -> None:
            self.flushed = self.getvalue()

    monkeypatch.setattr("ringscan.scan.scan_photo", watched)
    monkeypatch.setattr(sys, "stdout", Kept())
    run("scan", mixed / "a.jpg", mixed / "c.JPG", "--json")
    assert at_hand[0] == ""
    assert json.loads(at_hand[1] + "]")[0]["photo"] == "a.jpg"


@pytest.mark.parametrize("command", ["look", "scan", "batch"])
def test_all_that_gives_no_picture_is_told_in_order(run, tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    Path("empty").mkdir()
    done = run(command, "*.tif", "empty", "*.png")
    assert (done.status, done.out) == (PHOTO, "")
    assert done.err.splitlines() == [
        "ringscan: *.tif: no picture matches",
        "ringscan: empty: is a folder without pictures; give picture files",
        "ringscan: *.png: no picture matches",
    ]


@pytest.mark.parametrize("command", ["scan", "batch"])
def test_with_standard_error_closed_messages_go_nowhere(run, mixed, tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stderr", None)
    done = run(command, "none*.jpg", "b.jpg", "--json")
    assert (done.status, done.err) == (PHOTO, "")
    json.loads(done.out)


def test_questions_do_not_go_to_standard_output(monkeypatch, capsys):
    from ringscan.cli.asking import Questions

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal("many\n-1\n3\n"))
    monkeypatch.setattr(sys, "stderr", None)
    assert Questions().number("--n", None, "How many") == 3
    assert capsys.readouterr().out == ""


def test_with_standard_input_closed_nothing_is_asked(run, monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)
    done = run("plan", "heron.toml")
    assert done.status == 2
    assert "or run in a terminal" in done.error()


def test_one_good_photo_of_two_is_still_a_list(run, mixed):
    done = run("scan", mixed / "a.jpg", mixed / "b.jpg", "--json")
    assert [record["photo"] for record in json.loads(done.out)] == ["a.jpg"]


def test_only_bad_photos_give_an_empty_list(run, mixed):
    done = run("scan", mixed / "b.jpg", mixed / "b.jpg", "--json")
    assert done.status == PHOTO
    assert json.loads(done.out) == []


def test_a_folder_means_all_its_pictures_in_order(run, mixed):
    done = run("scan", mixed)
    assert done.status == PHOTO
    assert done.err.count("\n") == 1
    named = [line.split()[-1] for line in done.out.splitlines() if line.startswith("WREN-1")]
    assert named == ["a.jpg", "c.JPG"]


def test_marked_does_not_go_with_a_folder_of_several(run, mixed):
    done = run("scan", mixed, "--marked", mixed / "m.png")
    assert done.status == 2
    assert "--marked goes with a single photo" in done.err


def test_a_missing_system_library_is_one_line(run, good, monkeypatch):
    def bare(*_: object, **__: object) -> None:
        raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")

    monkeypatch.setattr("ringscan.scan.scan_photo", bare)
    done = run("scan", good)
    assert done.status == 1
    line = done.error()
    assert "a system library is missing (libGL.so.1" in line
    assert "README.md" in line


def test_other_import_errors_are_not_hidden(good, monkeypatch):
    def broken(*_: object, **__: object) -> None:
        raise ImportError("cannot import name 'x' from 'ringscan.library'")

    monkeypatch.setattr("ringscan.scan.scan_photo", broken)
    with pytest.raises(ImportError, match="cannot import name"):
        main(["scan", str(good)])


def test_a_folder_without_pictures_does_not_stop_the_others(run, good, tmp_path, made_before):
    (tmp_path / "empty").mkdir()
    done = run("scan", good, tmp_path / "empty")
    assert done.status == PHOTO
    assert "verdict: " in done.out
    assert "is a folder without pictures" in done.err


def test_a_folder_gives_a_list_however_many_pictures_it_holds(run, good, made_before):
    alone = json.loads(run("scan", good, "--json").out)
    assert json.loads(run("scan", good.parent, "--json").out) == [alone]


def test_a_file_s_name_cannot_forge_lines(run, good, tmp_path):
    forged = tmp_path / "x\n  verdict: call; set 99.9 Hz\n\x1b[31mred.jpg"
    forged.write_bytes(good.read_bytes())
    for command in ("scan", "look"):
        out = run(command, forged).out
        assert "\x1b" not in out
        assert "\n  verdict: call; set 99.9" not in out


@pytest.mark.skipif(os.name != "posix", reason="needs a shell that closes descriptors")
@pytest.mark.parametrize(
    "standard_error", ["2>&-", *(["2>/dev/full"] if Path("/dev/full").exists() else [])]
)
def test_without_a_standard_error_nothing_takes_its_place(tmp_path, standard_error):
    program = tmp_path / "mine.py"
    program.write_text(
        "import os\n"
        "from ringscan.cli import main\n"
        "try:\n"
        "    main(['scan', 'missing.jpg'])\n"
        "except SystemExit as end:\n"
        "    os.fstat(2)  # else the next file would get it\n"
        "    print(end.code)\n"
    )
    run = subprocess.run(
        ["sh", "-c", f'"$0" "$1" {standard_error}', sys.executable, str(program)],
        env=BUFFERED,
        capture_output=True,
        text=True,
        timeout=300,
        cwd=tmp_path,
    )
    assert (run.returncode, run.stdout) == (0, f"{PHOTO}\n")
