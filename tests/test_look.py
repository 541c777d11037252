"""The quick command, and the options for other references: statuses and one-line errors."""

import json

import pytest
from commands import FACE, PLAN
from ringing import RingingScene

NOT_FIT = 9
ROUND = "400,1700 1100,1700 1100,500 400,500"


def test_a_photo_that_will_do(run, good):
    done = run("look", good)
    assert (done.status, done.err) == (0, "")
    assert "fit to be scanned" in done.out
    assert "unfit" not in done.out
    assert max(map(len, done.out.splitlines())) <= 80


def test_a_photo_that_will_not(run, good, monkeypatch):
    # such a threshold no lamp can meet
    monkeypatch.setattr("ringscan.image.quality.LAMP_CLEARNESS", 2.0)
    done = run("look", good, "--json")
    assert (done.status, done.err) == (NOT_FIT, "")
    record = json.loads(done.out)
    assert record["fit"] is False
    grades = {finding["name"]: finding["grade"] for finding in record["findings"]}
    assert grades["light"] == "unfit"
    done = run("look", good)
    assert done.status == NOT_FIT
    assert "not fit to be scanned" in done.out


def test_a_sheet_that_is_not_there_is_said_as_by_scan(run, tmp_path):
    path = tmp_path / "bare.jpg"
    RingingScene(tower=False).save(path)
    looked, scanned = run("look", path), run("scan", path)
    assert looked.status == scanned.status == FACE
    assert looked.error() == scanned.error()


@pytest.mark.parametrize("command", ["look", "scan"])
@pytest.mark.parametrize(
    "options",
    [
        ["--corners", "1,2 3,4 5,6"],
        ["--corners", "1,2 3,4 5,6 a,b"],
        ["--corners", "1,2 3,4 5,6 7," + 400 * "9"],
        ["--corners", ROUND, "--base", "down"],
        ["--corners", ROUND, "--reference", "card"],
        ["--reference", "card"],
        ["--reference", "face"],
        ["--base", "down"],
        ["--reference", "0x50", "--base", "down"],
        ["--reference", "2000x50", "--base", "down"],
        ["--reference", "coin", "--base", "down"],
        ["--reference", "card", "--base", "north"],
    ],
)
def test_wrong_options(run, good, command, options):
    done = run(command, good, *options)
    assert done.status == 2
    assert done.out == ""
    assert "Traceback" not in done.err


def test_corners_go_with_one_photo(run, good):
    assert run("look", good, good, "--corners", ROUND).status == 2


def test_no_plan_without_a_sheet(run, good):
    done = run("look", good, "--corners", ROUND)
    assert done.status == PLAN
    assert done.error() == f"{good}: without a scan sheet the plan file must be given"


def test_two_axes_without_a_sheet(run, good, plan_file):
    done = run("look", good, "--plan", plan_file, "--corners", ROUND)
    assert done.status == PLAN
    assert "has two axes; say which one the face shows" in done.error()


def test_corners_outside_the_picture(run, good, plan_file):
    corners = "400,1700 5000,1700 1100,500 400,500"
    done = run("scan", good, "--plan", plan_file, "--axis", "x", "--corners", corners)
    assert done.status == FACE
    assert "the corner 5000,1700 lies outside the picture" in done.error()


def test_corners_give_the_frequency_that_the_sheet_gives(run, good, plan_file):
    corners = " ".join(f"{x:.0f},{y:.0f}" for x, y in RingingScene().corners_px)
    done = run("scan", good, "--plan", plan_file, "--axis", "x", "--corners", corners, "--json")
    assert (done.status, done.err) == (0, "")
    record = json.loads(done.out)
    assert record["reference"] == "corners"
    assert record["verdict"] == "call"
    # the frequency that the wall was simulated with, see ringing.py
    low, high = record["natural_frequency_interval_hz"]
    assert low < 38.0 < high
