"""Many photos: each gets its entry, what is known is not measured again, and the command's ways.

Where only the batch matters, the scan is replaced by one that takes no time.
"""

import hashlib
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from plans import plan_with
from readings import record
from scanner import CONTENTS, Scanner
from workloads import Dying, InTurn

from ringscan.batch import Entry, Job, code_sha256, fingerprint, recorded, scan_batch
from ringscan.errors import OutputError, PhotoError
from ringscan.image.beside import PictureSide
from ringscan.image.inplane import CARD_MM, Flush
from ringscan.journal import Journal
from ringscan.machines import summarise
from ringscan.readings import Failed

CORNERS_PX = np.array([[10.0, 900.0], [800.0, 900.0], [800.0, 10.0], [10.0, 10.0]])
FLUSHES = (
    None,
    Flush(base=PictureSide.DOWN),
    Flush(base=PictureSide.UP),
    Flush(rectangle_mm=CARD_MM, base=PictureSide.DOWN),
    Flush(rectangle_mm=(100.0, 70.0), base=PictureSide.DOWN),
    Flush(corners_px=CORNERS_PX),
    Flush(corners_px=CORNERS_PX + 0.5),
)


@pytest.fixture
def scanner(monkeypatch) -> Scanner:
    scanner = Scanner()
    monkeypatch.setattr("ringscan.scan.scan_photo", scanner)
    return scanner


@pytest.fixture
def photos(tmp_path) -> list[Path]:
    folder = tmp_path / "photos"
    folder.mkdir()
    for number, text in enumerate(CONTENTS):
        (folder / f"{number}.jpg").write_text(text)
    return [*sorted(folder.iterdir()), folder / "missing.jpg"]


def job(**settings: object) -> Job:
    return Job(**{"to_record": dict, "record_version": 1} | settings)


def entries(photos: list[Path], the_job: Job | None = None, **options: object) -> dict[str, Entry]:
    found = list(scan_batch(photos, the_job or job(), **{"executor": InTurn()} | options))
    assert len(found) == len(photos)
    return {Path(entry.photo).name: entry for entry in found}


def test_every_photo_gets_its_entry(scanner, photos):
    found = entries(photos)
    assert [name for name, entry in found.items() if entry.record] == [
        "0.jpg",
        "1.jpg",
        "3.jpg",
        "5.jpg",
    ]
    assert found["0.jpg"].sha256 == hashlib.sha256(b"22.5").hexdigest()
    failed = found["2.jpg"]
    assert (failed.kind, failed.exit_status) == ("SheetError", 5)
    assert failed.reason == "no scan sheet was found"  # one line, without the name
    assert failed.sha256 == hashlib.sha256(b"no sheet").hexdigest()
    assert (found["missing.jpg"].kind, found["missing.jpg"].sha256) == ("PhotoError", None)
    assert found["missing.jpg"].reason == "there is no such file"


def test_a_fault_of_the_program_takes_one_photo_only(scanner, photos):
    entry = entries(photos)["4.jpg"]
    assert (entry.kind, entry.exit_status) == ("ZeroDivisionError", 1)
    assert "the program's own: ZeroDivisionError in scanner.py:" in entry.reason


def test_a_dead_worker_is_said(scanner, photos):
    (entry,) = scan_batch([photos[0]], job(), executor=Losing())
    assert (entry.kind, entry.exit_status, entry.lasting) == ("WorkerDied", 1, False)
    assert "died" in entry.reason


def test_what_an_executor_loses_in_its_own_way_is_said(scanner, photos):
    class Odd(InTurn):
        def submit(self, function, /, item):
            return super().submit(int, "killed worker 7")

    found = entries(photos[:2], executor=Odd())
    assert {entry.kind for entry in found.values()} == {"ValueError"}
    assert all("the executor lost it: " in entry.reason for entry in found.values())
    assert not any(entry.lasting for entry in found.values())


class Losing(Dying):
    """Loses everything, and heals."""

    def __init__(self) -> None:
        super().__init__(heals=True)

    def submit(self, function, /, item):
        return super().submit(function, 5)


def test_a_missing_library_ends_it(scanner, photos):
    photos[0].write_text("no library")
    with pytest.raises(ImportError, match="libGL"):
        entries(photos)


def test_what_is_known_is_not_measured_again(scanner, photos, tmp_path):
    with Journal(tmp_path / "j") as journal:
        first = entries(photos, journal=journal)
        scanner.seen.clear()
        second = entries(photos, journal=journal)
    # a bug, a decoder that may be installed by now, and a file that may be there
    assert sorted(scanner.seen) == ["4.jpg", "6.jpg", "missing.jpg"]
    assert {name for name, entry in second.items() if not entry.known} == set(scanner.seen)
    for name, entry in second.items():
        assert entry.record == first[name].record
        assert entry.reason.partition(":")[0] == first[name].reason.partition(":")[0]


def test_unless_asked(scanner, photos, tmp_path):
    with Journal(tmp_path / "j") as journal:
        entries(photos, journal=journal)
        scanner.seen.clear()
        entries(photos, journal=journal, again=True)
    assert len(scanner.seen) == len(photos)


def test_a_changed_photo_is_measured_and_a_renamed_one_known(scanner, photos, tmp_path):
    with Journal(tmp_path / "j") as journal:
        entries(photos[:2], journal=journal)
        scanner.seen.clear()
        photos[0].write_text("30.0")
        moved = photos[1].rename(photos[1].with_name("moved.jpg"))
        found = entries([photos[0], moved], journal=journal)
    assert scanner.seen == ["0.jpg"]
    assert found["0.jpg"].record["natural_frequency_hz"] == 30.0
    assert found["moved.jpg"].known
    assert found["moved.jpg"].record["photo"] == "moved.jpg"


@pytest.mark.parametrize(
    "other",
    [
        {"check_line_mm": 99.5},
        {"axis": "y"},
        {"plan": plan_with()},
        {"max_megapixels": 30},
        {"record_version": 2},
    ],
)
def test_other_settings_or_another_form_are_another_matter(scanner, photos, tmp_path, other):
    with Journal(tmp_path / "j") as journal:
        entries(photos[:1], journal=journal)
        entries(photos[:1], job(**other), journal=journal)
        assert len(scanner.seen) == 2
        entries(photos[:1], journal=journal)
        entries(photos[:1], job(**other), journal=journal)
        assert len(scanner.seen) == 2


def test_another_reference_is_another_matter(scanner, photos, tmp_path):
    with Journal(tmp_path / "j") as journal:
        for flush in FLUSHES + FLUSHES:
            entries(photos[:1], job(flush=flush), journal=journal)
    assert [settings["flush"] for settings in scanner.settings] == list(FLUSHES)
    # the same said again
    again = Flush(corners_px=CORNERS_PX.copy())
    assert job(flush=again).identity == job(flush=FLUSHES[5]).identity


def test_corners_are_those_of_one_photo(scanner, photos):
    flush = Flush(corners_px=CORNERS_PX)
    with pytest.raises(ValueError, match=r"those of one photo, not of 2"):
        entries(photos[:2], job(flush=flush))
    assert scanner.seen == []
    assert entries(photos[:1], job(flush=flush))["0.jpg"].record


def test_another_version_of_the_program_measures_again(scanner, photos, tmp_path, monkeypatch):
    with Journal(tmp_path / "j") as journal:
        entries(photos[:1], journal=journal)
        monkeypatch.setattr("ringscan.batch.version", lambda _: "99.0")
        entries(photos[:1], journal=journal)
    assert len(scanner.seen) == 2


def test_other_code_of_the_same_version_measures_again(scanner, photos, tmp_path, monkeypatch):
    with Journal(tmp_path / "j") as journal:
        entries(photos[:1], journal=journal)
        monkeypatch.setattr("ringscan.batch.code_sha256", lambda package: f"of {package.name}")
        assert not entries(photos[:1], journal=journal)["0.jpg"].known
        assert entries(photos[:1], journal=journal)["0.jpg"].known


def test_code_is_told_apart_by_names_and_contents_of_its_sources(tmp_path):
    found = []
    for number, sources in enumerate(
        [
            {"a.py": "x", "b/c.py": "y"},
            {"b/c.py": "y", "a.py": "x", "a.cpython-311.pyc": "z"},  # the same
            {"a.py": "x", "b/c.py": "z"},
            {"a.py": "x", "c.py": "y"},
            {"a.py": "xb/c.pyy"},
        ]
    ):
        package = tmp_path / str(number)
        for name, text in sources.items():
            (package / name).parent.mkdir(parents=True, exist_ok=True)
            (package / name).write_text(text)
        found.append(code_sha256(package))
    assert found[0] == found[1]
    assert len(set(found)) == 4


def test_a_copy_whose_measuring_failed_by_accident_spoils_nothing(photos, tmp_path, monkeypatch):
    """The same file twice; memory runs short at the second one."""
    first, second = photos[0], photos[0].with_name("copy.jpg")
    second.write_bytes(first.read_bytes())
    scanner = Scanner()

    def short_of_memory(path, **settings):
        if path == second:
            raise MemoryError
        return scanner(path, **settings)

    monkeypatch.setattr("ringscan.scan.scan_photo", short_of_memory)
    with Journal(tmp_path / "j") as journal:
        found = entries([first, second], journal=journal)
        assert found["copy.jpg"].record is None
        reading = found[first.name].reading()
        assert recorded(journal, job(), reading)["photo"] == first.name


def test_a_file_still_being_copied_is_not_known_to_fail(photos, tmp_path, monkeypatch):
    photo = photos[0]
    whole = photo.read_text()
    photo.write_text("half of it")
    scanner = Scanner()

    def copied_meanwhile(path, **settings):
        if path.read_text() == whole:
            return scanner(path, **settings)
        path.write_text(whole)
        raise PhotoError(f"{path}: the picture is damaged or cut short")

    monkeypatch.setattr("ringscan.scan.scan_photo", copied_meanwhile)
    with Journal(tmp_path / "j") as journal:
        assert entries([photo], journal=journal)[photo.name].kind == "PhotoError"
        assert entries([photo], journal=journal)[photo.name].record is not None


def test_an_entry_that_makes_no_sense_is_measured_again(scanner, photos, tmp_path):
    with Journal(tmp_path / "j") as journal:
        entries(photos[:1], journal=journal)
        (key,) = journal._places
        older = journal.find(key)
        del older["record"]["flags"]
        for nonsense in ({}, {"record": {"tower": 1}}, {"record": 7, "photo": "a"}, older):
            journal.add(key, nonsense)
            scanner.seen.clear()
            entries(photos[:1], journal=journal)
            assert scanner.seen == ["0.jpg"]


def test_a_run_that_is_interrupted_goes_on_where_it_was(scanner, photos, tmp_path):
    photos[5].write_text("interrupt")
    with Journal(tmp_path / "j") as journal, pytest.raises(KeyboardInterrupt):
        entries(photos, journal=journal, jobs=1)
    photos[5].write_text("22.7")
    scanner.seen.clear()
    with Journal(tmp_path / "j") as journal:
        entries(photos, journal=journal, jobs=1)
    assert not {"0.jpg", "1.jpg", "2.jpg", "3.jpg"} & set(scanner.seen)


def test_records_are_found_by_their_readings(scanner, photos, tmp_path):
    with Journal(tmp_path / "j") as journal:
        found = entries(photos[:2], journal=journal)
        for photo in photos[:2]:
            entry = found[photo.name]
            whole = recorded(journal, job(), entry.reading())
            assert whole == {"file": str(photo)} | entry.record


def test_a_journal_that_somebody_else_cut_is_said_to_be_changed(scanner, photos, tmp_path):
    with Journal(tmp_path / "j") as journal:
        reading = entries(photos[:1], journal=journal)["0.jpg"].reading()
        (tmp_path / "j").write_text("")
        with pytest.raises(
            OutputError, match=r"was changed by another program.*0\.jpg is no longer"
        ):
            recorded(journal, job(), reading)


def test_memory_does_not_grow_with_the_photos(tmp_path, monkeypatch):
    """Each record is 100 kB; the journal keeps the places of all, the caller one at a time."""

    def scan(path: Path, **_: object) -> dict:
        return record(path.name, fingerprint(path)) | {"bands": "x" * 100_000}

    monkeypatch.setattr("ringscan.scan.scan_photo", scan)
    photos = [tmp_path / f"{n}.jpg" for n in range(80)]
    for photo in photos:
        photo.write_text(photo.name)
    peaks = []
    with Journal(tmp_path / "j") as journal:
        for some in (photos[:10], photos, photos):  # the third time all are known
            tracemalloc.start()
            for entry in scan_batch(some, job(), journal=journal, executor=InTurn(), jobs=2):
                entry.reading()
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    # 70 more photos: what is kept of each is below 2 kB, not 100
    assert max(peaks) - peaks[0] < 70 * 2_000


@pytest.mark.parametrize("jobs", [1, 2, 5])
@pytest.mark.parametrize("order", [1, -1])
def test_order_and_workers_change_nothing(scanner, photos, jobs, order):
    with ThreadPoolExecutor(jobs) as threads:
        options = {"executor": threads, "jobs": jobs}
        ours = summarise(e.reading() for e in entries(photos[::order], **options).values())
    expected = summarise(e.reading() for e in entries(photos).values())
    assert ours == expected
    assert [f.photo for f in ours.failures] == sorted(str(photos[i]) for i in (2, 4, 6, 7))


def test_a_failure_is_no_reading(scanner, photos):
    assert isinstance(entries(photos)["2.jpg"].reading(), Failed)
