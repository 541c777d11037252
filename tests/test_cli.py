"""The command line: exit statuses, one line for every error, outputs whole or not at all.

Pictures that are refused early run the real thing; where only the output matters, the scan is
one that was made before.
"""

import io
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from image.tower_scene import PLAN_TEXT, make_plan
from PIL import Image
from ringing import RingingScene, both_axes, picture, scanned

from ringscan.cli import main
from ringscan.layout import CODE_BOX

PLAN, PHOTO, SHEET, FACE, OUTPUT = 3, 4, 5, 6, 7


class Run:
    """Exit status and what was printed."""

    def __init__(self, capsys, *arguments: object) -> None:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([str(a) for a in arguments])
        self.status = ended.value.code
        self.out, self.err = capsys.readouterr()

    def error(self) -> str:
        """The one line of an error; nothing else may have been printed."""
        assert self.out == ""
        assert self.err.startswith("ringscan: ")
        assert self.err.count("\n") == 1
        assert self.err.endswith("\n")
        return self.err.removeprefix("ringscan: ").rstrip("\n")


@pytest.fixture
def run(capsys):
    return lambda *arguments: Run(capsys, *arguments)


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("photos") / "wren.jpg"
    path.write_bytes(picture())
    return path


@pytest.fixture
def plan_file(tmp_path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(both_axes().to_toml(), encoding="utf-8")
    return path


@pytest.fixture
def made_before(monkeypatch):
    """Scanning gives the known result at once; the pictures need not be read."""
    monkeypatch.setattr("ringscan.scan.scan_photo", lambda path, **_: scanned())


def save(path: Path, pixels: np.ndarray, mode: str | None = None) -> Path:
    image = Image.fromarray(pixels)
    (image.convert(mode) if mode else image).save(path)
    return path


def test_a_photo_of_a_known_axis(run, good):
    """The whole way, at the one place where nothing is replaced."""
    done = run("scan", good, "--json", "--rows", 3)
    assert (done.status, done.err) == (0, "")
    record = json.loads(done.out, parse_constant=lambda name: pytest.fail(name))
    assert record["verdict"] == "call"
    low, high = record["natural_frequency_interval_hz"]
    assert low < 38.0 < high  # the frequency that the wall was simulated with


# --- pictures that cannot be read

GREY = np.full((1300, 1000), 120, np.uint8)


def bad_picture(kind: str, folder: Path) -> Path:
    """A file that is refused, by what is wrong with it."""
    path = folder / f"{kind}.jpg"
    match kind:
        case "text":
            path.write_text("not a picture")
        case "empty":
            path.write_bytes(b"")
        case "cut-short":
            path.write_bytes(picture()[: len(picture()) // 2])
        case "one-byte":
            path.write_bytes(b"\xff")
        case "pdf":
            path.write_bytes(b"%PDF-1.7\n" + bytes(4000))
        case "tiny":
            save(path, np.zeros((40, 30), np.uint8))
        case "thumbnail":
            save(path, np.full((960, 720), 120, np.uint8))
        case "huge":
            # 400 megapixels by its header: 100 kB of zeros if written out as one bit each
            Image.new("1", (20000, 20000)).save(path, format="PNG")
        case "32-bit":
            Image.fromarray(np.zeros((1300, 1000), np.float32)).save(path, format="TIFF")
        case "missing":
            pass
    return path


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("text", "is not a picture that can be read"),
        ("one-byte", "is not a picture that can be read"),
        ("pdf", "is not a picture that can be read"),
        ("empty", "the file is empty; copy it again"),
        ("cut-short", "the picture is damaged or cut short"),
        ("tiny", "30 × 40 px is too small to show ripples"),
        ("thumbnail", "720 × 960 px is too small to show ripples"),
        ("huge", "20000 × 20000 px is 400 megapixels; at most 60 are read"),
        ("32-bit", "32-bit grey values have no known scale"),
        ("missing", "there is no such file"),
    ],
)
def test_pictures_that_cannot_be_read(run, tmp_path, kind, says):
    path = bad_picture(kind, tmp_path)
    done = run("scan", path)
    assert done.status == PHOTO
    line = done.error()
    assert line.startswith(f"{path}: ")
    assert says in line


def test_a_limit_of_megapixels_can_be_set(run, good):
    done = run("scan", good, "--max-megapixels", 2)
    assert done.status == PHOTO
    assert "1600 × 2080 px is 3 megapixels; at most 2 are read" in done.error()


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="all files are readable here")
def test_a_file_that_may_not_be_read(run, tmp_path):
    path = tmp_path / "locked.jpg"
    path.write_bytes(picture())
    path.chmod(0)
    done = run("scan", path)
    assert done.status == PHOTO
    assert "cannot be read" in done.error()


def test_a_folder_without_pictures(run, tmp_path):
    (tmp_path / "truth.json").write_text("{}")
    done = run("scan", tmp_path)
    assert done.status == PHOTO
    assert done.error() == f"{tmp_path}: is a folder without pictures; give picture files"


def test_a_name_cannot_break_the_line_or_steer_the_terminal(run, tmp_path):
    done = run("scan", tmp_path / "a\n\x1b[31mb.jpg")
    assert done.status == PHOTO
    assert r"a\n\x1b[31mb.jpg: there is no such file" in done.error()


# --- pictures without a sheet, in every form that a file can have


@pytest.mark.parametrize("name", ["camera", "coffee", "brick", "gravel"])
def test_photographs_of_other_things(run, tmp_path, name):
    from skimage import data

    pixels = np.asarray(getattr(data, name)())
    large = cv2.resize(pixels, None, fx=4, fy=5)
    done = run("scan", save(tmp_path / f"{name}.png", large))
    assert done.status == SHEET
    line = done.error()
    assert f"{name}.png: " in line
    assert "no scan sheet in the picture" in line or "chessboard corners" in line


@pytest.mark.parametrize("form", ["grey", "cmyk", "16-bit", "palette", "see-through"])
def test_other_forms_of_pixels_are_read(run, tmp_path, form):
    # all of them get as far as looking for the sheet
    wide = np.tile(np.linspace(40, 200, 1000).astype(np.uint8), (1300, 1))
    path = {
        "grey": lambda: save(tmp_path / "a.jpg", wide),
        "cmyk": lambda: save(tmp_path / "a.jpg", wide, "CMYK"),
        "16-bit": lambda: save(tmp_path / "a.png", wide.astype(np.uint16) * 257),
        "palette": lambda: save(tmp_path / "a.png", wide, "P"),
        "see-through": lambda: save(tmp_path / "a.png", wide, "LA"),
    }[form]()
    done = run("scan", path)
    assert done.status == SHEET
    assert "no scan sheet in the picture" in done.error()


# --- the sheet is there, but


@pytest.fixture(scope="module")
def no_tower(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("sheet") / "sheet.jpg"
    RingingScene(tower=False).save(path)
    return path


@pytest.fixture(scope="module")
def no_code(tmp_path_factory) -> Path:
    """The known picture with its code painted over."""
    pixels = np.array(Image.open(io.BytesIO(picture())))
    x0, y0, x1, y1 = CODE_BOX
    box = np.array([[x0 - 1, y0 - 1, 0], [x1 + 1, y0 - 1, 0], [x1 + 1, y1 + 1, 0], [x0, y1, 0]])
    cv2.fillConvexPoly(pixels, RingingScene().project(box).astype(np.int32), (190, 190, 190))
    path = tmp_path_factory.mktemp("code") / "code.png"
    return save(path, pixels)


def test_a_sheet_without_a_tower(run, no_tower):
    done = run("scan", no_tower)
    assert done.status == FACE
    assert "no tower on the scan sheet; lay it on its outline, on its back" in done.error()


def test_no_code_and_no_plan(run, no_code):
    done = run("scan", no_code)
    assert done.status == SHEET
    assert "code cannot be read; give the plan file and the axis" in done.error()


def test_no_code_and_a_plan_of_two_axes(run, no_code, plan_file):
    done = run("scan", no_code, "--plan", plan_file)
    assert done.status == PLAN
    assert "the plan has two axes; say which one the face shows" in done.error()


def test_an_axis_that_the_plan_does_not_have(run, no_code, tmp_path):
    plan = tmp_path / "x-only.toml"
    plan.write_text(PLAN_TEXT)
    done = run("scan", no_code, "--plan", plan, "--axis", "y")
    assert done.status == PLAN
    assert "plan 'WREN-1' has no ramp for axis Y" in done.error()


def test_a_plan_of_another_tower(run, good, tmp_path):
    plan = tmp_path / "other.toml"
    plan.write_text(make_plan(width_mm="54.0").to_toml(), encoding="utf-8")
    done = run("scan", good, "--plan", plan, "--axis", "x")
    assert done.status == PLAN
    assert "but plan 'WREN-1' says 54 × 100.1 mm" in done.error()


# --- the plan


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (None, "there is no such plan file"),
        ("tower = ", "is not TOML"),
        ("\x00\xff", "is not TOML"),
        ("", "tower is missing"),
        (PLAN_TEXT.replace("speed_mm_s = 100.0", "speed_mm_s = 1e9", 1), "motion.speed_mm_s"),
        (PLAN_TEXT + "colour = 3\n", "reference.colour is not a key of a plan"),
    ],
)
@pytest.mark.parametrize("command", ["sheet", "scan"])
def test_a_bad_plan(run, good, tmp_path, command, text, says):
    path = tmp_path / "bad.toml"
    if text is not None:
        path.write_text(text, encoding="utf-8")
    done = run("sheet", path) if command == "sheet" else run("scan", good, "--plan", path)
    assert done.status == PLAN
    line = done.error()
    assert line.startswith(f"{path}: ")
    assert says in line
    assert not path.with_suffix(".pdf").exists()


def test_a_folder_for_a_plan(run, good, tmp_path):
    done = run("scan", good, "--plan", tmp_path)
    assert done.status == PLAN
    assert "cannot be read as text" in done.error()


# --- the command line itself


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
        ["sheet", "plan.toml", "--paper", "a3"],
    ],
)
def test_a_wrong_command_line(run, arguments):
    done = run(*arguments)
    assert done.status == 2
    assert done.out == ""
    assert "Traceback" not in done.err


def test_help_is_no_error(run):
    done = run("--help")
    assert (done.status, done.err) == (0, "")
    assert max(map(len, done.out.splitlines())) <= 80


# --- results


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
    done = run("scan", good, "--marked", out)
    assert done.status == OUTPUT
    assert done.error() == f"{out}: cannot be written: No space left on device"
    assert (out.read_bytes() if out.exists() else None) == old
    assert set(tmp_path.iterdir()) <= {out}


@pytest.mark.parametrize(
    ("place", "says"), [("missing/m.png", "there is no folder"), (".", "cannot be written")]
)
def test_an_unwritable_place(run, good, tmp_path, made_before, place, says):
    done = run("scan", good, "--marked", tmp_path / place)
    assert done.status == OUTPUT
    assert says in done.error()
    assert list(tmp_path.iterdir()) == []


def test_the_sheet_is_written_beside_its_plan(run, plan_file):
    done = run("sheet", plan_file)
    assert (done.status, done.err) == (0, "")
    assert plan_file.with_suffix(".pdf").read_bytes().startswith(b"%PDF-")


def test_an_unwritable_sheet(run, plan_file, tmp_path):
    done = run("sheet", plan_file, "--out", tmp_path / "missing" / "sheet.pdf")
    assert done.status == OUTPUT
    assert "there is no folder" in done.error()


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
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=300,
        )
    assert done.returncode == OUTPUT
    assert done.stderr == "ringscan: the result cannot be written out: No space left on device\n"


# --- several photos


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
        return replace(scanned(), photo=path.name)

    monkeypatch.setattr("ringscan.scan.scan_photo", scan_photo)
    return tmp_path


def test_a_bad_photo_among_several_does_not_stop_the_others(run, mixed):
    done = run("scan", mixed / "a.jpg", mixed / "b.jpg", mixed / "c.JPG", "--json")
    assert done.status == PHOTO
    assert done.err == f"ringscan: {mixed / 'b.jpg'}: the picture is damaged\n"
    assert [record["photo"] for record in json.loads(done.out)] == ["a.jpg", "c.JPG"]


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


# --- what is missing on a bare machine


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
