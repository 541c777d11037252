"""What `import ringscan` offers, and that docs/library.md is right about it."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from ringing import FREQUENCY_HZ, picture, scanned
from scanner import CONTENTS, Scanner
from workloads import InTurn

import ringscan
from ringscan.batch import Job
from ringscan.show.record import to_record

DOCUMENT = Path(__file__).parent.parent / "docs" / "library.md"
HEAVY = {"PIL", "cv2", "numpy", "pydantic", "rich", "scipy", "skimage", "typer"}


@pytest.fixture
def batch(tmp_path, monkeypatch) -> ringscan.Batch:
    """A batch of texts that stand for photos, with three that fail."""
    for number, text in enumerate(CONTENTS):
        (tmp_path / f"{number}.jpg").write_text(text)
    monkeypatch.setattr("ringscan.scan.scan_photo", Scanner())
    monkeypatch.setattr("ringscan.show.record.to_record", dict)
    return ringscan.pool(ringscan.scan_each(tmp_path, executor=InTurn()))


def test_an_axis_that_there_is_not(tmp_path):
    with pytest.raises(ValueError, match="axis must be 'x' or 'y', not 'z'"):
        ringscan.scan_photo(tmp_path / "any.jpg", axis="z")


def test_importing_it_costs_nothing():
    program = f"import sys, ringscan; print(*sorted({HEAVY!r} & set(sys.modules)))"
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=300
    )
    assert run.stdout.split() == []


def test_every_public_name_is_there_and_documented():
    assert set(ringscan.__all__) == set(ringscan._HOMES) <= set(dir(ringscan))
    text = DOCUMENT.read_text(encoding="utf-8")
    for name in ringscan.__all__:
        assert getattr(ringscan, name).__doc__
        assert f"`{name}" in text


def test_a_name_that_is_not_there():
    with pytest.raises(AttributeError, match="module 'ringscan' has no attribute 'frobnicate'"):
        ringscan.frobnicate  # noqa: B018


def test_errors_of_a_photo_are_raised_with_their_class(tmp_path):
    with pytest.raises(ringscan.RingscanError, match="there is no such file"):
        ringscan.scan_photo(str(tmp_path / "missing.jpg"))


def test_one_photo_and_a_batch_of_it(tmp_path, monkeypatch):
    """A name as text, the scan as dict, rows and text, and the same by way of a batch."""
    path = tmp_path / "wren.jpg"
    path.touch()
    monkeypatch.setattr("ringscan.scan.scan_photo", lambda photo, **_: scanned())
    scan = scanned()
    record = ringscan.as_dict(scan)
    assert record == to_record(scan)
    assert ringscan.as_rows(scan) == record["bands"]
    assert f"{scan.frequency_hz.value:.2f} Hz" in ringscan.as_text(scan)
    (entry,) = ringscan.scan_each(str(path), executor=InTurn())
    assert isinstance(entry, ringscan.Entry)
    assert entry.record == record
    batch = ringscan.pool([entry])
    assert batch.machines[0].frequency_hz.value == pytest.approx(scan.frequency_hz.value)


def test_a_batch_as_dict_rows_and_text(batch):
    assert [m["machine"] for m in ringscan.as_dict(batch)["machines"]] == ["HERON"]
    rows = ringscan.as_rows(batch)
    assert len({tuple(row) for row in rows}) == 1
    assert [row["level"] for row in rows] == [
        *("machine", "tower"),
        *["photo"] * 4,
        *["failure"] * 3,
    ]
    text = ringscan.as_text(batch)
    assert "Not measured: 3" in text
    assert not [line for line in text.splitlines() if line != line.rstrip() or len(line) > 80]
    narrow = ringscan.as_text(batch, width=60).splitlines()
    tables = [line for line in text.splitlines() if re.match(r"rank| +\d+ ", line)]
    assert [line for line in narrow if line in tables] == tables  # with all their digits
    assert max(len(line) for line in narrow if line not in tables) <= 60


def test_what_is_not_there_is_an_entry(tmp_path):
    entries = list(ringscan.scan_each([tmp_path, tmp_path / "*.png"], executor=InTurn()))
    assert [entry.reason for entry in entries] == [
        "is a folder without pictures; give picture files",
        "no picture matches",
    ]


def test_a_plan_may_be_a_file(tmp_path):
    with pytest.raises(ringscan.RingscanError, match="there is no such plan file"):
        ringscan.scan_photo("a.jpg", plan=str(tmp_path / "missing.toml"))


def test_a_journal_keeps_what_is_done(tmp_path, monkeypatch):
    (tmp_path / "a.jpg").write_text("22.5")
    scanner = Scanner()
    monkeypatch.setattr("ringscan.scan.scan_photo", scanner)
    monkeypatch.setattr("ringscan.show.record.to_record", dict)
    for _ in range(2):
        options = {"journal": tmp_path / "j.jsonl", "executor": InTurn()}
        (entry,) = ringscan.scan_each(tmp_path / "a.jpg", **options)
    assert entry.known
    assert scanner.seen == ["a.jpg"]


def test_another_reference(tmp_path, monkeypatch):
    (tmp_path / "a.jpg").write_text("22.5")
    scanner = Scanner()
    monkeypatch.setattr("ringscan.scan.scan_photo", scanner)
    monkeypatch.setattr("ringscan.library._scan_photo", scanner)
    monkeypatch.setattr("ringscan.show.record.to_record", dict)
    flush = ringscan.Flush(rectangle_mm=ringscan.CARD_MM, base=ringscan.PictureSide.DOWN)
    ringscan.scan_photo(tmp_path / "a.jpg", flush=flush)
    list(ringscan.scan_each(tmp_path, flush=flush, executor=InTurn()))
    assert [settings["flush"] for settings in scanner.settings] == [flush, flush]


def test_a_look_from_python_is_that_of_the_command_line(good, run):
    look = ringscan.look_at_photo(str(good), axis="x")
    assert isinstance(look, ringscan.Look)
    assert look.is_fit
    assert look.remarks == ()
    assert {finding.grade for finding in look.findings} <= {
        ringscan.Grade.GOOD,
        ringscan.Grade.POOR,
    }
    assert ringscan.as_dict(look) == json.loads(run("look", good, "--json").out)
    assert ringscan.as_rows(look) == ringscan.as_dict(look)["findings"]
    assert ringscan.as_text(look) == run("look", good).out
    other = ringscan.look_at_photo(good, axis="y")
    assert not other.is_fit
    assert "the sheet's code says axis X, but Y was given" in other.remarks[0]


def test_what_a_setting_leaves():
    scan = scanned()
    quiet = scan.with_setting(scan.ranking[0].frequency_hz).setting_left
    assert quiet.low <= quiet.left <= quiet.high
    assert (quiet.helps, quiet.in_part) == (True, False)
    with pytest.raises(ValueError, match="was not printed"):
        scan.with_setting(400.0)


def examples() -> list[str]:
    return re.findall(r"```python\n(.*?)```", DOCUMENT.read_text(encoding="utf-8"), re.DOTALL)


def test_the_five_lines_are_five():
    assert len(examples()) == 5
    for example in examples()[:2]:
        assert len([line for line in example.splitlines() if line.strip()]) <= 5


def test_the_examples_run(tmp_path):
    """Each as a script of its own, beside a picture of a known axis by the name they give."""
    photo = tmp_path / "sample_images" / "heron-1-x.jpg"
    photo.parent.mkdir()
    photo.write_bytes(picture())
    printed = []
    for example in examples()[:3]:
        script = tmp_path / "example.py"
        script.write_text(example)
        run = subprocess.run(
            [sys.executable, script], cwd=tmp_path, capture_output=True, text=True, timeout=600
        )
        assert run.stderr == ""
        printed.append(run.stdout)
    value, low, high = map(float, printed[0].split())
    assert low < FREQUENCY_HZ < high
    assert f"WREN-1  X     {value:.2f}" in printed[1]
    assert printed[2].startswith("fit")


CORNERS_PX = [[10, 900], [800, 900], [800, 10], [10, 10]]


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"axis": "X"}, "axis must be 'x' or 'y', not 'X'"),
        ({"check_line_mm": 0}, "check_line_mm = 0 must be 90 to 110"),
        ({"check_line_mm": float("nan")}, "check_line_mm = nan must be 90 to 110"),
        (
            {"check_line_mm": 99.5, "flush": ringscan.Flush(base=ringscan.PictureSide.UP)},
            "check_line_mm = 99.5 is the scan sheet's and does not go with flush",
        ),
        ({"flush": "card"}, "flush must be a Flush, not str"),
        ({"jobs": -1}, "jobs = -1 must be 1 or more"),
        (
            {"flush": ringscan.Flush(corners_px=CORNERS_PX)},
            "flush.corners_px are those of one photo, not of 2",
        ),
    ],
)
def test_wrong_arguments_are_raised_by_the_call(tmp_path, wrong, says):
    kind = TypeError if wrong.get("flush") == "card" else ValueError
    with pytest.raises(kind, match=f"^{re.escape(says)}$"):
        ringscan.scan_each([tmp_path / "a.jpg", tmp_path / "b.jpg"], **wrong)
    if "of one photo" not in says and "jobs" not in wrong:
        with pytest.raises(kind, match=f"^{re.escape(says)}$"):
            ringscan.scan_photo(tmp_path / "there-is-none.jpg", **wrong)
        with pytest.raises(kind, match=f"^{re.escape(says)}$"):
            ringscan.look_at_photo(tmp_path / "there-is-none.jpg", **wrong)


def test_whole_numbers_are_the_same_job():
    """The command line gives 60.0 where a script writes 60."""
    jobs = [Job(to_record=to_record, record_version=1, max_megapixels=n) for n in (60, 60.0)]
    assert jobs[0].identity == jobs[1].identity


def test_text_is_text_in_a_notebook_and_where_colours_are_forced(batch, monkeypatch):
    plain = ringscan.as_text(batch)
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setattr("rich.console._is_jupyter", lambda: True)
    assert ringscan.as_text(batch) == plain != ""


def test_a_misspelt_name_is_seen_by_a_type_checker(tmp_path):
    program = tmp_path / "mine.py"
    program.write_text("import ringscan\nx: str = ringscan.__version__\nringscan.scan_foto('x')\n")
    mypy = [sys.executable, "-m", "mypy", "--config-file=", "--strict", "--no-incremental"]
    home = DOCUMENT.parent.parent  # where the package is
    run = subprocess.run(
        [*mypy, "--follow-imports=silent", str(program)],
        capture_output=True,
        text=True,
        timeout=300,
        cwd=home,
    )
    assert run.returncode == 1, run.stderr
    assert re.findall(r"mine.py:(\d+): error", run.stdout) == ["3"]
