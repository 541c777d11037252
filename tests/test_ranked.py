"""A batch as text, CSV and JSON: what is said, that it fits, and what docs/batch.md names."""

import csv
import io
import json
import re
from pathlib import Path

import pytest
from readings import reading
from rich.console import Console

from ringscan.machines import Batch, summarise
from ringscan.model.verdict import Outcome
from ringscan.readings import Failed
from ringscan.show.ranked import (
    COLUMNS,
    batch_json,
    print_batch,
    summary_line,
    to_csv,
    to_dict,
    to_rows,
)

OTHER_PLAN = (
    "the plan file counts, not the sheet's code, which differs: motion.speed_mm_s 100.0 on the "
    "sheet, 90.0 in the file"
)
DOCUMENT = Path(__file__).parent.parent / "docs" / "batch.md"


@pytest.fixture(scope="module")
def batch() -> Batch:
    """All that a batch can hold: calls, outliers, disagreements, none, failures."""
    herons = zip((22.5, 22.6, 41.2, 22.7), range(1, 5), strict=True)
    return summarise(
        [
            *(reading(f"heron-{n}.jpg", f"HERON-{n}", hz) for hz, n in herons),
            reading("heron-2-b.jpg", "HERON-2", None),
            reading("heron-1-y.jpg", "HERON-1", 31.0, axis="y", half_hz=0.1),
            reading("wren-1.jpg", "WREN-1", 20.0, flags=(OTHER_PLAN, "no left edge; is it dark?")),
            reading("wren-2.jpg", "WREN-2", 24.0),
            reading(
                "longest.jpg",
                "BLACKBIRD-12",
                None,
                outcome=Outcome.DISAGREEMENT,
                flags=("high lamp",),
            ),
            Failed(
                photo="photos/cat.jpg", kind="SheetError", exit_status=5, reason="no scan sheet"
            ),
        ]
    )


def text_of(batch: Batch, width: int = 80) -> str:
    out = io.StringIO()
    print_batch(batch, Console(file=out, width=width))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


def test_machines_are_ranked_with_all_that_was_asked_for(batch):
    text = text_of(batch).split("Machines")[1]
    rows = [row.split() for row in re.findall(r"^ +\d .*$", text, re.MULTILINE)]
    # frequency, interval, damping, number of towers, scatter, verdict
    assert rows[0] == ["1", "HERON", "Y", "31.00", "±0.10", "0.050", "1", "–", "call"]
    assert rows[1][:4] == ["2", "HERON", "X", "22.60"]
    assert rows[1][5:] == ["0.050", "3", "of", "4", "0.00", "call"]
    assert [row[1] for row in rows[2:]] == ["BLACKBIRD", "WREN"]
    assert rows[3][3:7] == ["–", "–", "–", "2"]
    # 20 and 24 Hz scatter by 4 / sqrt(2), a little of which their own errors explain
    assert float(rows[3][7]) == pytest.approx(2.82, abs=0.02)
    assert rows[3][8] == "disagreement"


def test_who_was_left_out_is_said_and_why(batch):
    text = " ".join(text_of(batch).split())
    assert "HERON, axis X: without HERON-3: outlier: 41.20 Hz, 18.6 Hz above the other 3" in text
    assert "HERON-2, axis X: without heron-2-b.jpg: no call: no ripple stands out" in text
    assert "WREN, axis X: towers differ from 20.00 Hz (WREN-1) to 24.00 Hz (WREN-2)" in text
    assert "Not measured: 1 - photos/cat.jpg: no scan sheet" in text


def test_notes_on_the_pictures_stand_under_the_towers_whatever_the_verdict(batch):
    towers, machines = text_of(batch).split("Machines")
    notes = re.findall(r"^  - (?:.|\n  (?!- ))+", towers, re.MULTILINE)
    said = [" ".join(note.split()) for note in notes]
    assert f"- wren-1.jpg: {OTHER_PLAN} | no left edge; is it dark?" in said
    assert "- longest.jpg: high lamp" in said
    assert len([note for note in said if ".jpg: " in note and "without" not in note]) == 2
    assert "lamp" not in machines


def test_every_line_fits_80_columns(batch):
    lines = text_of(batch).splitlines()
    assert max(map(len, lines)) <= 80
    # nothing was cut to make it fit
    assert not [line for line in lines if "…" in line]


@pytest.mark.parametrize("width", [40, 70])
def test_no_number_is_cut_short_on_a_narrow_terminal(batch, width):
    """The rows are those of a wide one, and only the notes below them are wrapped otherwise."""

    def rows(text):
        return re.findall(r"^(?:rank| +\d+) .*$", text, re.MULTILINE)

    text = text_of(batch, width)
    assert "…" not in text
    assert rows(text) == rows(text_of(batch, 200))
    notes = [line for line in text.splitlines() if line.startswith("  - ")]
    assert max(map(len, notes)) <= width


def test_a_photo_in_a_line(batch):
    lines = [summary_line(photo) for photo in (*batch.photos, *batch.failures)]
    assert "heron-1-y.jpg: HERON-1, axis Y: 31.00 ±0.10 Hz" in lines
    assert "longest.jpg: BLACKBIRD-12, axis X: disagreement" in lines
    assert lines[-1] == "photos/cat.jpg: no scan sheet"


def test_names_are_not_read_as_markup_and_cannot_steer():
    hostile = summarise(
        [Failed(photo="[red]\x1b[31mx\n", kind="PhotoError", exit_status=4, reason="damaged")]
    )
    assert r"- [red]\x1b[31mx\n: damaged" in text_of(hostile)


def test_nothing_measured_prints_no_empty_tables():
    failures = [Failed(photo="a", kind="PhotoError", exit_status=4, reason="damaged")]
    assert text_of(summarise(failures)) == "Not measured: 1\n  - a: damaged"
    assert text_of(summarise([])) == ""


def test_csv_holds_the_rows(batch):
    rows = to_rows(batch)
    read = list(csv.DictReader(io.StringIO(to_csv(rows))))
    assert len(read) == len(rows) == 4 + 8 + 9 + 1
    for row, wanted in zip(read, rows, strict=True):
        assert set(row) == set(COLUMNS)
        assert row == {key: "" if v is None else str(v) for key, v in wanted.items()}


NAMES = (
    "=1+1.jpg",
    "+a.jpg",
    "-a.jpg",
    "@a.jpg",
    'c,"d;.jpg',
    "n\nl.jpg",
    "c\rr.jpg",
    "\x1b[31m.jpg",
)


def test_names_cannot_break_a_row_steer_a_terminal_or_become_a_formula():
    """By RFC 4180 with rows of one line; pandas ends a row at a bare carriage return as well."""
    good = [reading(f"{n}{name}", "HERON-1", None) for n, name in enumerate(NAMES)]
    bad = [Failed(photo=n, kind="PhotoError", exit_status=4, reason="damaged") for n in NAMES]
    text = to_csv(to_rows(summarise([*good, *bad])))
    lines = text.splitlines()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(lines) == len(rows) + 1 == 1 + 2 + 2 * len(NAMES)
    assert "\x1b" not in text
    failures = [row["photo"] for row in rows if row["level"] == "failure"]
    plain = {"./=1+1.jpg", "./+a.jpg", "./-a.jpg", "./@a.jpg", 'c,"d;.jpg'}
    assert set(failures) == plain | {r"n\nl.jpg", r"c\rr.jpg", r"\x1b[31m.jpg"}


def test_rows_are_ranked_within_their_level(batch):
    rows = to_rows(batch)
    for level, count in (("machine", 4), ("tower", 8), ("photo", 9)):
        ranks = [row["rank"] for row in rows if row["level"] == level]
        assert ranks == list(range(1, count + 1))
    photos = [row for row in rows if row["level"] == "photo"]
    assert photos[0]["photo"] == "heron-1-y.jpg"
    (failure,) = [row for row in rows if row["level"] == "failure"]
    assert (failure["photo"], failure["verdict"], failure["reasons"]) == (
        "photos/cat.jpg",
        "SheetError",
        "no scan sheet",
    )


def test_notes_on_the_picture_have_a_column_of_their_own(batch):
    flags = {row["photo"]: row["flags"] for row in to_rows(batch) if row["flags"]}
    assert flags == {
        "wren-1.jpg": f"{OTHER_PLAN} | no left edge; is it dark?",
        "longest.jpg": "high lamp",
    }


def test_numbers_of_a_row_are_those_of_the_answer(batch):
    answer = batch.machines[1]
    row = to_rows(batch)[1]
    assert row["natural_frequency_hz"] == answer.frequency_hz.value
    assert row["natural_frequency_low_hz"] == answer.frequency_hz.low
    assert row["damping_ratio_high"] == answer.damping_ratio.high
    assert (row["pooled"], row["left_out"]) == (3, 1)


def test_json_comes_in_pieces_and_is_whole(batch):
    records = [{"file": "a.jpg", "bands": []}, {"file": "b.jpg", "bands": [{"x": 1.5}]}]
    text = "".join(batch_json(batch, records))
    assert json.loads(text, parse_constant=pytest.fail) == {"photos": records} | to_dict(batch)
    empty = json.loads("".join(batch_json(summarise([]), [])))
    assert empty == {"batch_version": 1, "photos": [], "machines": [], "towers": [], "failures": []}


def documented(heading: str) -> set[str]:
    """Names in the first column of a section's table."""
    section = DOCUMENT.read_text(encoding="utf-8").split(f"\n## `{heading}`\n")[1].split("\n## ")[0]
    cells = re.findall(r"^\| ([^|]+) \|", section, re.MULTILINE)
    return {name for cell in cells for name in re.findall(r"`([^`]+)`", cell)}


def test_the_document_names_the_columns():
    assert documented("--csv") == set(COLUMNS)


def test_the_document_names_the_keys(batch):
    content = to_dict(batch)
    answers = {f"….{key}" for level in ("machines", "towers") for key in content[level][0]}
    assert all(set(a) == set(content["towers"][0]) for a in content["machines"])
    assert documented("--json") == {"photos", "photos[].file", *content, *answers}
    failure = DOCUMENT.read_text(encoding="utf-8").split("| `failures` |")[1].split("\n")[0]
    assert set(re.findall(r"`(\w+)`", failure)) == set(content["failures"][0])
