"""The door for Python: what `import ringscan` offers, as docs/library.md shows it.

Like cli/ it ties the halls to `show/`, and like it nothing in the package imports it.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from ringscan.batch import Entry, Job, not_found, require_doable, scan_batch
from ringscan.journal import Journal
from ringscan.look import Flush, Look, look_at
from ringscan.machines import Batch, summarise
from ringscan.pictures import find_pictures
from ringscan.plan import Axis, Plan
from ringscan.plan import load_plan as _load_plan
from ringscan.scan import Scan
from ringscan.scan import scan_photo as _scan_photo
from ringscan.show import findings, ranked, record, table
from ringscan.show.terminal import ResultConsole

PathLike = str | os.PathLike[str]


def load_plan(path: PathLike) -> Plan:
    """Read and check a plan file. Raises PlanError, a RingscanError."""
    return _load_plan(Path(path))


def scan_photo(
    photo: PathLike,
    *,
    plan: Plan | PathLike | None = None,
    axis: Axis | None = None,
    flush: Flush | None = None,
    check_line_mm: float = 100.0,
    max_megapixels: float = 60,
) -> Scan:
    """Measure one photo.

    Parameters
    ----------
    photo : the picture file
    plan : plan or plan file, where the sheet's code does not hold it
    axis : axis the face shows, "x" or "y"; else by the sheet's code
    flush : a reference in the face's plane instead of the sheet; plan must then be given
    check_line_mm : measured length of the sheet's 100 mm line; does not go with `flush`
    max_megapixels : larger pictures are refused

    Raises
    ------
    RingscanError
        If the picture cannot be measured at all. "No call" is a result: see `Scan.verdict`.
    TypeError, ValueError
        If the axis is neither "x" nor "y", the check line no 100 mm line's length or given
        together with `flush`, or `flush` no Flush.
    """
    return _scan_photo(
        Path(photo),
        plan=_plan(plan),
        axis=axis,
        flush=flush,
        check_line_mm=check_line_mm,
        max_megapixels=max_megapixels,
    )


def look_at_photo(
    photo: PathLike,
    *,
    plan: Plan | PathLike | None = None,
    axis: Axis | None = None,
    flush: Flush | None = None,
    check_line_mm: float = 100.0,
    max_megapixels: float = 60,
) -> Look:
    """Say whether one photo is fit to be scanned, and what it lacks, without measuring it.

    Parameters are those of `scan_photo`, and so are the errors. What stands in a call's way is no
    error: see `Look.is_fit`, `Look.findings` and `Look.remarks`.
    """
    return look_at(
        Path(photo),
        plan=_plan(plan),
        axis=axis,
        flush=flush,
        check_line_mm=check_line_mm,
        max_megapixels=max_megapixels,
    )


def scan_each(
    photos: PathLike | Iterable[PathLike],
    *,
    plan: Plan | PathLike | None = None,
    axis: Axis | None = None,
    flush: Flush | None = None,
    check_line_mm: float = 100.0,
    max_megapixels: float = 60,
    journal: PathLike | None = None,
    again: bool = False,
    executor: Executor | None = None,
    jobs: int | None = None,
) -> Iterator[Entry]:
    """Measure many photos and give one entry for each, as they are done.

    What is wrong with the arguments is raised by the call itself, not by the first entry.

    Parameters
    ----------
    photos : files, folders, patterns
    plan, axis, flush, check_line_mm, max_megapixels : as for `scan_photo`, the same for all
    journal : file that keeps the results; what it knows already is not measured again
    again : measure it all the same
    executor : any of concurrent.futures; None starts processes, so that a script has to make this
        call under `if __name__ == "__main__":`
    jobs : how many photos at a time; None: one for each core

    Raises
    ------
    RingscanError
        If there is no going on. What is wrong with one photo is in its entry.
    TypeError, ValueError
        As of `scan_photo`; if `flush` holds the corners of a face, and there are several photos;
        or if jobs is below 1.
    """
    job = Job(
        to_record=record.to_record,
        record_version=record.RECORD_VERSION,
        plan=_plan(plan),
        axis=axis,
        flush=flush,
        check_line_mm=check_line_mm,
        max_megapixels=max_megapixels,
    )
    given = [photos] if isinstance(photos, str | os.PathLike) else photos
    files, missing = find_pictures(Path(each) for each in given)
    require_doable(files, job, jobs)

    def entries() -> Iterator[Entry]:
        for path, error in missing:
            yield not_found(path, error)
        with nullcontext() if journal is None else Journal(Path(journal)) as kept:
            yield from scan_batch(
                files, job, journal=kept, again=again, executor=executor, jobs=jobs
            )

    return entries()


def pool(entries: Iterable[Entry]) -> Batch:
    """Pool entries to towers and machines; of each only a few numbers are held in memory."""
    found = [entry.reading() for entry in entries]
    return summarise(found)


def as_dict(result: Scan | Batch | Look) -> dict[str, Any]:
    """Plain values: docs/json.md describes those of a scan, docs/batch.md those of a batch, and
    docs/photo-quality.md those of a look.
    """
    if isinstance(result, Look):
        return findings.look_record(result)
    return record.to_record(result) if isinstance(result, Scan) else ranked.to_dict(result)


def as_rows(result: Scan | Batch | Look) -> list[dict[str, Any]]:
    """Table with the same keys in each row: a scan's bands, a batch's machines to failures, or a
    look's findings.
    """
    if isinstance(result, Look):
        found: list[dict[str, Any]] = findings.look_record(result)["findings"]
        return found
    if isinstance(result, Scan):
        bands: list[dict[str, Any]] = record.to_record(result)["bands"]
        return bands
    return ranked.to_rows(result)


def as_text(result: Scan | Batch | Look, *, width: int = 80) -> str:
    """What the command line prints, without colour."""
    out = io.StringIO()
    # in a notebook, or with colours asked for, it would write elsewhere or more than text
    console = ResultConsole(
        file=out, width=width, color_system=None, force_terminal=False, force_jupyter=False
    )
    if isinstance(result, Scan):
        table.print_scan(result, console)
    elif isinstance(result, Look):
        findings.print_look(result, console)
    else:
        ranked.print_batch(result, console)
    return out.getvalue()


def _plan(given: Plan | PathLike | None) -> Plan | None:
    return given if given is None or isinstance(given, Plan) else load_plan(given)
