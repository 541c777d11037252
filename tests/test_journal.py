"""The result file: whole lines only, whatever happens to the run or to the file."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import portalocker
import pytest
from readings import record

from ringscan.errors import OutputError
from ringscan.journal import HEADER, Journal

ENTRIES = {f"key-{n}": {"photo": f"Köln-{n}.jpg", "record": record("a", "b")} for n in range(4)}


WRITER = """
import sys
from pathlib import Path
from ringscan.journal import Journal
with Journal(Path(sys.argv[1])) as journal:
    for n in range(10**6):
        journal.add(f"k{n}", {"n": n, "padding": "x" * 20000})
"""


@pytest.fixture
def path(tmp_path) -> Path:
    """A journal that holds `ENTRIES`."""
    path = tmp_path / "results.jsonl"
    with Journal(path) as journal:
        for key, entry in ENTRIES.items():
            journal.add(key, entry)
    return path


def contents(path: Path) -> dict[str, object]:
    with Journal(path) as journal:
        return {key: found for key in ENTRIES if (found := journal.find(key)) is not None}


def test_what_was_added_is_found_again(path):
    assert contents(path) == ENTRIES
    with Journal(path) as journal:
        assert len(journal) == 4
        assert journal.damaged == 0
        assert journal.find("unknown") is None


def test_every_line_is_json_of_its_own(path):
    lines = path.read_bytes().splitlines()
    assert len(lines) == 5
    assert all(isinstance(json.loads(line), dict) for line in lines)


def test_entries_are_found_while_others_are_added(path):
    with Journal(path) as journal:
        journal.add("new", {"x": 1})
        assert journal.find("key-0") == ENTRIES["key-0"]
        journal.add("newer", {"x": 2})
        assert journal.find("new") == {"x": 1}


def test_the_last_of_several_counts(path):
    with Journal(path) as journal:
        journal.add("key-1", {"x": "again"})
        assert journal.find("key-1") == {"x": "again"}
    assert contents(path)["key-1"] == {"x": "again"}


def test_a_half_last_line_is_dropped_wherever_it_was_cut(path):
    whole = path.read_bytes()
    last = whole[:-1].rindex(b"\n") + 1
    before = {key: entry for key, entry in ENTRIES.items() if key != "key-3"}
    for cut in range(last, len(whole), 37):
        path.write_bytes(whole[:cut])
        assert contents(path) == before
        assert path.read_bytes() == whole[:last]
    with Journal(path) as journal:
        journal.add("key-3", ENTRIES["key-3"])
    assert path.read_bytes() == whole


@pytest.mark.parametrize("length", [0, 1, len(HEADER) - 1])
def test_a_first_line_that_was_broken_off_is_begun_anew(tmp_path, length):
    path = tmp_path / "j.jsonl"
    path.write_bytes(HEADER[:length])
    with Journal(path) as journal:
        journal.add("key", {"x": 1})
    assert path.read_bytes().startswith(HEADER)
    with Journal(path) as journal:
        assert journal.find("key") == {"x": 1}


def test_no_flipped_bit_makes_another_entry(path):
    """A damaged line is passed over, counted and left where it is."""
    whole = path.read_bytes()
    rng = random.Random(1)
    for _ in range(60):
        place = rng.randrange(len(HEADER), len(whole) - 1)
        damaged = bytearray(whole)
        damaged[place] ^= 1 << rng.randrange(8)
        path.write_bytes(damaged)
        found = contents(path)
        # a flip may change how a character is written but not what it says, or make or break a
        # line's end; what is found is right in any case
        assert found.items() <= ENTRIES.items()
        assert len(found) >= 2
        assert path.read_bytes().startswith(bytes(damaged)[: whole[:-1].rindex(b"\n")])


@pytest.mark.parametrize(
    "line",
    [
        b"\x00" * 40,
        b"{}",
        b"[]",
        b"17",
        b"\xff\xfe",
        b'{"check":"00000000","entry":["key-1",{}]}',
        b'{"check":"00000000","entry":"key-1"}',
        b"[" * 5000,
    ],
)
def test_lines_that_are_no_entries_are_counted(path, line):
    lines = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join([*lines[:2], line, *lines[2:]]) + b"\n")
    with Journal(path) as journal:
        assert journal.damaged == 1
    assert contents(path) == ENTRIES


@pytest.mark.parametrize("content", [b"\xff\xd8\xff\xe0 a picture", b"{}\n", b"x" * 100, b"\n"])
def test_a_file_that_is_no_journal_is_left_alone(tmp_path, content):
    path = tmp_path / "holiday.jpg"
    path.write_bytes(content)
    with pytest.raises(OutputError, match=r"holiday\.jpg: is not a journal of ringscan"):
        Journal(path)
    assert path.read_bytes() == content


def test_a_journal_in_another_form_is_said_to_be_one(tmp_path):
    path = tmp_path / "later.jsonl"
    path.write_bytes(b'{"ringscan_journal":2}\n')
    with pytest.raises(OutputError, match="is not a journal in this version's form; name another"):
        Journal(path)
    assert path.read_bytes() == b'{"ringscan_journal":2}\n'


def test_a_first_line_is_written_whole_or_the_disk_is_said_to_be_full(tmp_path, monkeypatch):
    monkeypatch.setattr("ringscan.journal._open", lambda path: HalfWriting(path.open("xb+", 0)))
    with pytest.raises(OutputError, match="No space left on device"):
        Journal(tmp_path / "j.jsonl")
    monkeypatch.undo()
    with Journal(tmp_path / "j.jsonl") as journal:  # what there is of it is begun anew
        journal.add("key", {"x": 1})
    assert (tmp_path / "j.jsonl").read_bytes().startswith(HEADER)


def test_places_where_no_journal_can_be(tmp_path):
    with pytest.raises(OutputError, match="it is not a file"):
        Journal(tmp_path)
    with pytest.raises(OutputError, match="No such file"):
        Journal(tmp_path / "missing" / "j.jsonl")


def test_a_second_writer_is_refused_until_the_first_ends(path):
    before = path.read_bytes()
    with Journal(path):
        with pytest.raises(OutputError, match="another run is writing it"):
            Journal(path)
        other = subprocess.run(
            [sys.executable, "-c", WRITER, str(path)], capture_output=True, text=True, timeout=300
        )
        assert "another run is writing it" in other.stderr
    assert path.read_bytes() == before
    Journal(path).close()


def test_a_place_that_cannot_be_locked_is_not_written(path, monkeypatch):
    """As on some network drives; without a lock two runs would cut each other's lines."""

    def refuse(*_: object) -> None:
        raise portalocker.LockException("No locks available")

    before = path.read_bytes()
    monkeypatch.setattr(portalocker, "lock", refuse)
    with pytest.raises(OutputError, match=r"results\.jsonl: cannot be locked: No locks available"):
        Journal(path)
    assert path.read_bytes() == before


def test_what_json_cannot_say_is_not_written(path):
    """RFC 8259, section 6: numbers that are no sequence of digits, as NaN, are not permitted."""
    before = path.read_bytes()
    with Journal(path) as journal:
        with pytest.raises(ValueError, match="JSON compliant"):
            journal.add("new", {"x": float("nan")})
        assert journal.find("new") is None
    assert path.read_bytes() == before


@pytest.mark.parametrize("fails", ["fsync", "write"])
def test_a_full_disk_leaves_what_there_was(path, monkeypatch, fails):
    before = path.read_bytes()
    with Journal(path) as journal:
        if fails == "fsync":
            monkeypatch.setattr(os, "fsync", full_disk)
        else:
            journal._file = HalfWriting(journal._file)
        with pytest.raises(OutputError, match="No space left on device"):
            journal.add("new", {"x": 1})
        monkeypatch.undo()
        assert journal.find("new") is None
        assert path.read_bytes() == before
        assert journal.find("key-2") == ENTRIES["key-2"]


def full_disk(*_: object) -> None:
    raise OSError(28, "No space left on device")


class HalfWriting:
    """A file that takes ten bytes and is full then."""

    def __init__(self, file) -> None:
        self._file = file
        self._full = False

    def __getattr__(self, name: str):
        return getattr(self._file, name)

    def write(self, data: bytes) -> int:
        if self._full:
            full_disk()
        self._full = True
        return self._file.write(data[:10])


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="the system has no SIGKILL")
def test_a_killed_writer_leaves_whole_entries_and_no_lock(tmp_path):
    path = tmp_path / "j.jsonl"
    with subprocess.Popen([sys.executable, "-c", WRITER, str(path)]) as writer:
        deadline = time.monotonic() + 60
        while not (path.exists() and path.stat().st_size > 2_000_000):
            assert time.monotonic() < deadline
            time.sleep(0.01)
        writer.kill()
    with Journal(path) as journal:
        count = len(journal)
        assert count >= 90
        assert journal.damaged == 0
        assert [journal.find(f"k{n}")["n"] for n in range(count)] == list(range(count))
