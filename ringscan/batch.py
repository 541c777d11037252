"""The hall for many photos: measure them by any executor, remember what is done, give all of it.

The record that is kept of a scan is made by a function that the caller names: records are a matter
of `show/`, of which nothing here knows.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cache
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ringscan.errors import OutputError, RingscanError, own_fault
from ringscan.readings import Failed, Reading, reading_of
from ringscan.workers import WorkerDied, each_result, usable_cores

if TYPE_CHECKING:
    from ringscan.journal import Journal
    from ringscan.look import Flush
    from ringscan.plan import Axis, Plan
    from ringscan.scan import Scan


THREADS_OF_LIBRARIES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""Environment variables that numerical libraries read when they are loaded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What is done with every photo; goes to the workers.

    to_record : makes a scan a dict of plain values; for processes, a function they can import
    record_version : of its form
    plan, axis, flush, check_line_mm, max_megapixels : as for `scan_photo`

    Raises TypeError or ValueError for what no photo could be measured with.
    """

    to_record: Callable[[Scan], dict[str, Any]]
    record_version: int
    plan: Plan | None = None
    axis: Axis | None = None
    flush: Flush | None = None
    check_line_mm: float = 100.0
    max_megapixels: float = 60

    def __post_init__(self) -> None:
        """Refuse what no photo could be measured with, before the first one."""
        from ringscan.look import require_settings

        require_settings(axis=self.axis, flush=self.flush, check_line_mm=self.check_line_mm)

    @property
    def identity(self) -> str:
        """SHA-256 of all that decides the result beside the picture; results under another one
        are not used again.
        """
        deciding = [
            version("ringscan"),
            code_sha256(Path(__file__).parent),
            self.record_version,
            self.plan and self.plan.digest,
            self.axis,
            self.flush and self.flush.said,
            float(self.check_line_mm),
            float(self.max_megapixels),
        ]
        return hashlib.sha256(json.dumps(deciding).encode()).hexdigest()

    def __call__(self, photo: Path) -> Entry:
        """Measure one photo; what is wrong with it is in the entry, not raised."""
        from ringscan.scan import scan_photo

        before = _state(photo)
        try:
            scan = scan_photo(
                photo,
                plan=self.plan,
                axis=self.axis,
                flush=self.flush,
                check_line_mm=self.check_line_mm,
                max_megapixels=self.max_megapixels,
            )
            record = self.to_record(scan)
        except ImportError:
            raise  # not this photo's fault: no other would fare better
        except Exception as exc:
            # also what is our own fault: it must not stop the photos after this one
            # a file still being copied is another one by now: nothing is known of it
            still = _state(photo) == before
            return _failure(photo, exc, sha256=fingerprint(photo) if still else None)
        return Entry(photo=str(photo), sha256=record["photo_sha256"], record=record)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """What became of one photo: a record or an error.

    photo : its file, as it was given
    sha256 : of the file; None if it could not be read
    record : of the scan, see docs/json.md
    kind, exit_status, reason : of the error; reason is one line, without the file's name
    lasting : whether the same file would come to the same again; not so where memory was short,
        a part not installed, a file not readable, or the program at fault
    known : whether it was taken from the journal
    """

    photo: str
    sha256: str | None
    record: dict[str, Any] | None = None
    kind: str = ""
    exit_status: int = 0
    reason: str = ""
    lasting: bool = True
    known: bool = False

    def reading(self) -> Reading | Failed:
        """What pooling and tables need of it. Raises KeyError, TypeError or ValueError."""
        if self.record is not None:
            return reading_of(self.photo, self.record)
        return Failed(
            photo=self.photo, kind=self.kind, exit_status=self.exit_status, reason=self.reason
        )


def scan_batch(
    photos: Sequence[Path],
    job: Job,
    *,
    journal: Journal | None = None,
    again: bool = False,
    executor: Executor | None = None,
    jobs: int | None = None,
) -> Generator[Entry]:
    """Give one entry for every photo, as they are done: first those that the journal knows.

    Parameters
    ----------
    photos : files; each is measured once, however often it is given
    job : what to do with each
    journal : results are added to it before they are given, and are not worked out again if it
        holds one of the same file by the same job
    again : work them out again all the same
    executor, jobs : see `each_result`; None: a process for every usable core

    Raises
    ------
    RingscanError
        If there is no going on: the journal cannot be written, or the executor does not work.
    ValueError
        If the job gives a face's corners, and there are several photos, or jobs is below 1.
    """
    require_doable(photos, job, jobs)
    photos = list(dict.fromkeys(photos))
    to_do = []
    for photo in photos:
        known = None if again or not journal else _known(journal, job, photo)
        if known is None:
            to_do.append(photo)
        else:
            yield known
    jobs = min(jobs or usable_cores(), len(to_do)) or 1
    for photo, outcome in each_result(
        job, to_do, executor=executor, jobs=jobs, prepare=hold_threads
    ):
        entry = outcome if isinstance(outcome, Entry) else _without_answer(photo, outcome)
        if journal is not None:
            # what need not come again must not stand in for a copy of the file that was measured
            file = entry.sha256 if entry.lasting and entry.sha256 else entry.photo
            journal.add(_key(job, file), asdict(entry))
        yield entry


def require_doable(photos: Sequence[Path], job: Job, jobs: int | None) -> None:
    """Refuse the arguments of `scan_batch` that it cannot go by. Raises ValueError."""
    if jobs is not None and jobs < 1:
        raise ValueError(f"jobs = {jobs} must be 1 or more")
    count = len(set(photos))
    if job.flush is not None and job.flush.corners_px is not None and count > 1:
        raise ValueError(f"flush.corners_px are those of one photo, not of {count}")


def recorded(journal: Journal, job: Job, reading: Reading) -> dict[str, Any]:
    """Record of a photo that this job has measured, with its file as it was given.

    Raises OutputError if the journal lost it since: somebody else wrote or cut the file.
    """
    found = journal.find(_key(job, reading.sha256))
    if found is None:
        raise OutputError(
            f"{journal.path}: was changed by another program meanwhile, and {reading.photo} is no "
            "longer in it; delete the file and give the same command again"
        )
    record: dict[str, Any] = found["record"]
    return {"file": reading.photo} | record | {"photo": Path(reading.photo).name}


def not_found(path: Path, error: RingscanError) -> Entry:
    """Entry of what gave no picture: a folder, a pattern."""
    return _failure(path, error, sha256=None)


def hold_threads() -> None:
    """Keep numerical libraries to one thread: workers on all cores would fight for them."""
    # for what is loaded later, SciPy's own BLAS among it; the limit below is for what is loaded now
    os.environ |= dict.fromkeys(THREADS_OF_LIBRARIES, "1")
    with suppress(ImportError):  # the first photo will say what is missing
        import cv2
        from threadpoolctl import threadpool_limits

        import_module("ringscan.scan")
        cv2.setNumThreads(1)
        threadpool_limits(1)


def fingerprint(path: Path) -> str | None:
    """SHA-256 of a file; None if it cannot be read."""
    try:
        if not path.is_file():
            return None
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError):  # a ValueError for names that no file can have
        return None


@cache
def code_sha256(package: Path) -> str:
    """SHA-256 of a package's own sources: its version stays the same while they change."""
    whole = hashlib.sha256()
    for path in sorted(package.rglob("*.py"), key=lambda path: path.relative_to(package).parts):
        name = path.relative_to(package).as_posix()
        # of fixed length each, so that nothing can pass from one file to the next
        for part in (name.encode(), path.read_bytes()):
            whole.update(hashlib.sha256(part).digest())
    return whole.hexdigest()


def _state(path: Path) -> tuple[int, int] | None:
    """What changes when a file is written: time and size; None if there is none."""
    try:
        state = path.stat()
    except (OSError, ValueError):
        return None
    return state.st_mtime_ns, state.st_size


def _key(job: Job, file: str) -> str:
    return f"{job.identity}:{file}"


def _known(journal: Journal, job: Job, photo: Path) -> Entry | None:
    """What the journal has of this file by this job; None if nothing that would be the same."""
    sha256 = fingerprint(photo)
    found = None if sha256 is None else journal.find(_key(job, sha256))
    if found is None:
        return None
    try:
        # the file may bear another name by now
        if found["record"] is not None:
            found["record"]["photo"] = photo.name
        entry = Entry(**(found | {"photo": str(photo), "known": True}))
        entry.reading()
    except (KeyError, TypeError, ValueError):
        return None
    return entry if entry.lasting else None


def _failure(photo: Path, exc: BaseException, *, sha256: str | None) -> Entry:
    if isinstance(exc, RingscanError):
        status, lasting = exc.exit_status, not isinstance(exc.__cause__, ImportError | MemoryError)
        text = str(exc).removeprefix(f"{photo}: ").removeprefix(f"{photo.name}: ")
        reason = " ".join(text.split())
    else:
        status, lasting, reason = RingscanError.exit_status, False, own_fault(exc)
    return Entry(
        photo=str(photo),
        sha256=sha256,
        kind=type(exc).__name__,
        exit_status=status,
        reason=reason,
        lasting=lasting and sha256 is not None,
    )


def _without_answer(photo: Path, outcome: object) -> Entry:
    """Entry of a photo for which there is an exception where its entry should be."""
    if isinstance(outcome, WorkerDied):
        reason = "the process that measured it died, perhaps for lack of memory; try it alone"
    elif isinstance(outcome, Exception) and not isinstance(outcome, ImportError):
        reason = f"the executor lost it: {' '.join(str(outcome).split())}"
    else:
        assert isinstance(outcome, BaseException)
        raise outcome
    return Entry(
        photo=str(photo),
        sha256=None,
        kind=type(outcome).__name__,
        exit_status=RingscanError.exit_status,
        reason=reason,
        lasting=False,
    )
