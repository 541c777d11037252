"""What cannot be measured: one line each, with its exit status."""

import io
import json
import os
from pathlib import Path

import cv2
import numpy as np
import pytest
from commands import FACE, OUTPUT, PHOTO, PLAN, SHEET
from image.tower_scene import PLAN_TEXT, make_plan
from PIL import Image
from ringing import RingingScene, both_axes, picture

from ringscan.layout import CODE_BOX


def save(path: Path, pixels: np.ndarray, mode: str | None = None) -> Path:
    image = Image.fromarray(pixels)
    (image.convert(mode) if mode else image).save(path)
    return path


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
    # the bracket makes it a pattern
    assert r"a\n\x1b[31mb.jpg: no picture matches" in done.error()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_is_not_waited_for(run, tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    done = run("scan", tmp_path / "pipe.jpg")
    assert done.status == PHOTO
    assert "is a device or a pipe; give a picture file" in done.error()


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
    assert "no tower is found on the scan sheet; lay it on its outline, on its back" in done.error()


def test_no_code_and_no_plan(run, no_code):
    done = run("scan", no_code)
    assert done.status == SHEET
    assert "code cannot be read; give the plan file and the axis" in done.error()


def test_no_code_and_a_plan_of_two_axes(run, no_code, plan_file):
    done = run("scan", no_code, "--plan", plan_file)
    assert done.status == PLAN
    assert "has two axes; say which one the face shows" in done.error()


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
    assert "size.width_mm 60.0 on the sheet, 54.0 in the file" in done.error()


def test_an_axis_that_the_sheet_contradicts_is_not_called(run, good):
    done = run("scan", good, "--axis", "y", "--json")
    assert done.status == 0
    record = json.loads(done.out)
    assert (record["verdict"], record["natural_frequency_hz"]) == ("disagreement", None)
    assert "code says axis X, but Y was given" in record["reasons"][0]


def test_a_plan_of_another_tower_than_the_sheet_s_is_not_called(run, good, tmp_path):
    plan = tmp_path / "other.toml"
    plan.write_text(make_plan(tower='"WREN-2"').to_toml(), encoding="utf-8")
    for arguments in (["--plan", plan], ["--plan", plan, "--axis", "x"]):
        record = json.loads(run("scan", good, *arguments, "--json").out)
        assert record["verdict"] != "call"
        assert record["natural_frequency_hz"] is None
        assert "says tower 'WREN-1', but a plan of 'WREN-2' was given" in record["reasons"][0]
    done = run("look", good, "--plan", plan)
    assert done.status == 9
    assert done.out.endswith("  not fit to be scanned\n")


def test_another_plan_of_the_same_tower_counts_and_says_what_differs(run, good, tmp_path):
    """As one that was corrected after the sheet was printed, or is too long for its code."""
    plan = tmp_path / "corrected.toml"
    text = both_axes().to_toml()
    plan.write_text(text.replace("mm_s2 = 3000.0", "mm_s2 = 3100.0"), encoding="utf-8")
    record = json.loads(run("scan", good, "--plan", plan, "--json").out)
    assert record["verdict"] == "call"
    assert "motion.acceleration_mm_s2 3000.0 on the sheet, 3100.0 in the file" in record["flags"][0]
    assert run("look", good, "--plan", plan).status == 0
    plan.write_text(text.partition("[reference]")[0], encoding="utf-8")
    flags = " ".join(json.loads(run("scan", good, "--plan", plan, "--json").out)["flags"])
    assert "reference.first_layer" in flags
    assert "on the sheet, nothing in the file" in flags
    assert "None" not in flags


def test_a_bad_photo_is_named_as_it_was_given(run, good, tmp_path):
    """Photos of two days, in a folder each, may have the same names; a face may be burnt out."""
    pixels = np.asarray(Image.open(good).convert("L")).astype(float)
    bad = {"grey": GREY, "burnt": np.clip(pixels * 40, 0, 255).astype(np.uint8)}
    for folder, image in bad.items():
        (tmp_path / folder).mkdir()
        save(tmp_path / folder / "wren.jpg", image)
    photos = [tmp_path / folder / "wren.jpg" for folder in bad]
    for command in ("scan", "look"):
        lines = run(command, *photos).err.splitlines()
        assert lines
        for line in lines:
            assert line.startswith(tuple(f"ringscan: {photo}: " for photo in photos)), line
            assert line.count("wren.jpg") == 1
    assert len(run("scan", *photos).err.splitlines()) == 2


def test_a_sheet_in_view_is_heard_with_another_reference_too(run, good, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(both_axes().to_toml(), encoding="utf-8")
    corners = json.loads(run("scan", good, "--json").out)["face_corners_px"]
    place = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    options = ["--plan", plan, "--corners", place, "--json"]
    assert json.loads(run("scan", good, *options, "--axis", "x").out)["verdict"] == "call"
    record = json.loads(run("scan", good, *options, "--axis", "y").out)
    assert record["verdict"] != "call"
    assert "code says axis X, but Y was given" in record["reasons"][0]


def test_a_tower_of_another_height(run, good, tmp_path):
    """The top edge is not where the plan puts it; what is seen of it tells."""
    plan = tmp_path / "other.toml"
    plan.write_text(make_plan(layers="560").to_toml(), encoding="utf-8")
    done = run("scan", good, "--plan", plan, "--axis", "x")
    assert done.status == PLAN
    assert "× 99.8 mm (width × height), but plan 'WREN-1' says 60 × 112.1 mm" in done.error()


def test_a_photo_is_not_written_over(run, tmp_path, good):
    photo = tmp_path / "mine.jpg"
    photo.write_bytes(good.read_bytes())
    done = run("scan", photo, "--marked", photo)
    assert done.status == OUTPUT
    assert "name another file" in done.error()
    assert photo.read_bytes() == good.read_bytes()


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
    assert "cannot be read: Is a directory" in done.error()
