"""The command for many photos, its journal and outputs. Scans take no time, but for one test."""

import csv
import io
import json
from pathlib import Path

import pytest
from commands import OUTPUT, PHOTO, Run
from readings import reading
from rich.progress import Progress
from ringing import picture, scanned
from scanner import CONTENTS, Scanner
from workloads import InTurn

from ringscan import workers
from ringscan.cli.many import _progress
from ringscan.errors import OutputError
from ringscan.journal import Journal
from ringscan.show.record import to_record

JOURNAL = "ringscan-batch.jsonl"


@pytest.fixture
def scanner(monkeypatch, tmp_path) -> Scanner:
    """Photos in a folder; the command's pool of processes is replaced by the plainest executor."""
    monkeypatch.chdir(tmp_path)
    folder = Path("photos")
    folder.mkdir()
    for number, text in enumerate(CONTENTS):
        (folder / f"{number}.jpg").write_text(text)
    (folder / "truth.json").write_text("{}")
    each_result = workers.each_result
    monkeypatch.setattr(
        "ringscan.batch.each_result",
        lambda work, items, **_: each_result(work, items, executor=InTurn(), jobs=1),
    )
    monkeypatch.setattr("ringscan.show.record.to_record", dict)
    scanner = Scanner()
    monkeypatch.setattr("ringscan.scan.scan_photo", scanner)
    return scanner


@pytest.fixture
def run(capsys):
    return lambda *arguments: Run(capsys, "batch", *arguments)


def test_the_tables_the_failures_and_the_status(run, scanner):
    done = run("photos")
    assert done.status == PHOTO  # that of 6.jpg, the last failure
    (towers, machines, failures) = done.out.split("\n\n")
    assert "HERON-1  X     22.60" in towers
    assert "3 of 4" in towers
    assert "without photos/3.jpg: no call: no ripple stands out" in towers
    assert "HERON    X     22.60" in machines
    assert "Not measured: 3" in failures
    assert "photos/2.jpg: no scan sheet was found" in failures
    assert max(map(len, done.out.splitlines())) <= 80


def test_quiet_lines_when_it_is_no_terminal(run, scanner):
    lines = run("photos").err.splitlines()
    assert lines[0] == "1 of 7: photos/0.jpg: HERON-1, axis X: 22.50 ±0.30 Hz"
    assert lines[2] == "3 of 7: photos/2.jpg: no scan sheet was found"
    assert lines[3] == "4 of 7: photos/3.jpg: HERON-1, axis X: no call"
    assert len(lines) == 7


def test_a_bar_with_the_time_left_on_a_terminal(run, scanner, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")  # takes any stream for a terminal
    monkeypatch.setenv("TERM", "xterm")
    done = run("photos", "--json")
    assert "7/7" in done.err
    assert "0:00:00" in done.err
    assert "photos/2.jpg: no scan sheet was found" in done.err
    assert "photos/0.jpg" not in done.err
    json.loads(done.out)


def test_the_time_left_is_that_of_the_photos_to_come(monkeypatch):
    """Of ten photos four are known, which takes no time; the others take 40 s each."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "xterm")
    now_s, bars = [0.0], []
    monkeypatch.setattr("rich.console.monotonic", lambda: now_s[0])
    monkeypatch.setattr(
        "rich.progress.Progress", lambda *a, **k: bars.append(Progress(*a, **k)) or bars[0]
    )
    photo = reading("a.jpg", "HERON-1", 22.6)
    with _progress(10, failures=False) as tell:
        now_s[0] = 0.5
        for _ in range(4):
            tell(photo, True)
        (task,) = bars[0].tasks
        assert task.time_remaining is None
        for left in (5, 4, 3, 2, 1):
            now_s[0] += 40
            tell(photo, False)
            assert (task.completed, task.time_remaining) == (10 - left, 40 * left)


def test_a_terminal_that_can_draw_no_bar_gets_lines(run, scanner, monkeypatch):
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("TERM", "dumb")
    assert run("photos").err.startswith("1 of 7: photos/0.jpg: HERON-1, axis X: 22.50 ±0.30 Hz\n")


def test_the_same_again_measures_nothing_again(run, scanner):
    first = run("photos")
    assert len(scanner.seen) == 7
    scanner.seen.clear()
    second = run("photos")
    assert sorted(scanner.seen) == ["4.jpg", "6.jpg"]  # a bug, and a decoder that was missing
    assert (second.status, second.out) == (first.status, first.out)
    assert second.err.count(" (known)\n") == 5
    scanner.seen.clear()
    run("photos", "--again")
    assert len(scanner.seen) == 7


def test_another_reference(run, scanner):
    """The options of `scan`: told to the scan, and results by another one are not taken."""
    card = ["photos/0.jpg", "--reference", "card", "--base", "left"]
    corners = ["photos/0.jpg", "--corners", "10,900 800,900 800,10 10,10"]
    for options in (["photos/0.jpg"], card, corners, card, corners):
        assert run(*options).status == 0
    sheet, card_, corners_ = (settings["flush"] for settings in scanner.settings)
    assert sheet is None
    assert (card_.rectangle_mm, card_.base) == ((85.60, 53.98), "left")
    assert corners_.corners_px.tolist() == [[10, 900], [800, 900], [800, 10], [10, 10]]


@pytest.mark.parametrize(
    "options", [["--corners", "10,900 800,900 800,10 10,10"], ["--reference", "card"]]
)
def test_a_reference_that_cannot_be(run, scanner, options):
    # corners are those of one photo; where the base lies is not guessed
    assert run("photos", *options).status == 2
    assert scanner.seen == []
    assert not Path(JOURNAL).exists()


def test_an_interrupted_run_goes_on(run, scanner):
    Path("photos/3.jpg").write_text("interrupt")
    done = run("photos")
    assert (done.status, done.out) == (130, "")
    assert done.err.endswith(
        f"ringscan: stopped: 2 of 7 photos are done and kept in {JOURNAL}; give the same "
        "command again to go on\n"
    )
    # with --again it would not go on, but begin anew
    said = run("photos", "--again").err
    assert said.endswith("; give the same command without --again to go on\n")
    Path("photos/3.jpg").write_text("22.8")
    scanner.seen.clear()
    assert run("photos").status == PHOTO
    assert "0.jpg" not in scanner.seen


def test_json(run, scanner):
    content = json.loads(run("photos", "--json").out, parse_constant=pytest.fail)
    assert [photo["file"] for photo in content["photos"]] == [
        f"photos/{n}.jpg" for n in (0, 1, 3, 5)
    ]
    assert [photo["photo"] for photo in content["photos"]] == ["0.jpg", "1.jpg", "3.jpg", "5.jpg"]
    assert content["photos"][0]["bands"][1] == {"band": 1, "ripple": 0.1}
    (machine,) = content["machines"]
    assert (machine["machine"], machine["verdict"]) == ("HERON", "call")
    assert [failed["kind"] for failed in content["failures"]] == [
        "SheetError",
        "ZeroDivisionError",
        "PhotoError",
    ]


def test_csv(run, scanner):
    rows = list(csv.DictReader(io.StringIO(run("photos", "--csv").out)))
    assert [row["level"] for row in rows] == [
        *("machine", "tower"),
        *["photo"] * 4,
        *["failure"] * 3,
    ]
    assert float(rows[0]["natural_frequency_hz"]) == pytest.approx(22.6)


def test_only_one_form(run, scanner):
    assert run("photos", "--json", "--csv").status == 2
    assert scanner.seen == []


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["empty"], "empty: is a folder without pictures; give picture files"),
        (["*.tif"], "*.tif: no picture matches"),
    ],
)
def test_nothing_to_measure(run, scanner, given, says):
    Path("empty").mkdir()
    done = run(*given)
    assert (done.status, done.error()) == (PHOTO, says)
    assert not Path(JOURNAL).exists()


def test_an_empty_folder_does_not_keep_the_others_back(run, scanner):
    Path("empty").mkdir()
    done = run("empty", "photos/0.jpg", "photos/[13].jpg")
    assert done.status == PHOTO
    assert scanner.seen == ["0.jpg", "1.jpg", "3.jpg"]
    assert "empty: is a folder without pictures" in done.out


def test_a_photo_that_is_given_twice_is_measured_once(run, scanner):
    done = run("photos/0.jpg", "photos/[01].jpg")
    assert sorted(scanner.seen) == ["0.jpg", "1.jpg"]
    assert done.err.splitlines()[-1].startswith("2 of 2: ")


def test_all_good_is_status_0(run, scanner):
    assert run("photos/0.jpg", "photos/1.jpg", "photos/3.jpg").status == 0


def test_a_journal_that_another_run_writes(run, scanner):
    with Journal(Path(JOURNAL)):
        done = run("photos")
    assert done.status == OUTPUT
    assert "another run is writing it" in done.error()
    assert scanner.seen == []


def test_a_file_that_is_no_journal(run, scanner):
    Path("holiday.jpg").write_bytes(b"\xff\xd8 a picture")
    done = run("photos", "--journal", "holiday.jpg")
    assert done.status == OUTPUT
    assert "is not a journal" in done.error()
    assert Path("holiday.jpg").read_bytes() == b"\xff\xd8 a picture"


def test_damaged_lines_are_said_and_measured_again(run, scanner):
    first = run("photos")
    lines = Path(JOURNAL).read_bytes().splitlines(keepends=True)
    lines[1] = lines[1].replace(b"22.5", b"62.5")
    Path(JOURNAL).write_bytes(b"".join(lines))
    scanner.seen.clear()
    second = run("photos")
    assert f"{JOURNAL}: damaged lines skipped: 1\n" in second.err
    assert "0.jpg" in scanner.seen
    assert second.out == first.out


def test_a_full_disk_ends_it_in_one_line(run, scanner, monkeypatch):
    def full(self, key, entry):
        raise OutputError(f"{self.path}: cannot be written: No space left on device")

    monkeypatch.setattr(Journal, "add", full)
    done = run("photos")
    assert (done.status, done.out) == (OUTPUT, "")
    assert done.err == f"ringscan: {JOURNAL}: cannot be written: No space left on device\n"


def test_names_cannot_break_a_line_or_steer_a_terminal(run, scanner):
    Path("photos/\x1b[31m\nred[b].jpg").write_text("no sheet")
    done = run("photos")
    assert "\x1b" not in done.err + done.out
    assert len(done.err.splitlines()) == 8
    assert "red[b].jpg: no scan sheet was found" in done.out


def test_the_real_scan_in_processes(run, tmp_path, monkeypatch):
    """The whole way: two processes, a known axis and a file that is no picture."""
    monkeypatch.chdir(tmp_path)
    Path("a.jpg").write_bytes(picture())
    Path("b.jpg").write_bytes(b"not a picture")
    done = run("a.jpg", "b.jpg", "--jobs", "2", "--json")
    assert done.status == PHOTO
    content = json.loads(done.out)
    expected = to_record(scanned()) | {"photo": "a.jpg", "file": "a.jpg"}
    (found,) = content["photos"]
    assert set(found) == set(expected)
    # numerical libraries may use another number of threads there
    assert found["natural_frequency_hz"] == pytest.approx(
        expected["natural_frequency_hz"], rel=1e-4
    )
    assert (found["verdict"], found["photo_sha256"]) == ("call", expected["photo_sha256"])
    assert content["failures"][0]["photo"] == "b.jpg"
    assert run("a.jpg", "--json").err == "1 of 1: a.jpg: WREN-1, axis X: " + (
        f"{found['natural_frequency_hz']:.2f} ±{half(found):.2f} Hz (known)\n"
    )


def half(record: dict) -> float:
    low, high = record["natural_frequency_interval_hz"]
    return (high - low) / 2
