"""Hostile input: thousands of spoilt files through intake and pipeline.

    python -m tests.bench.fuzz --count 10000
    python -m tests.bench.fuzz --count 1 --first 4711     one case again

A third of the cases spoil what the picture shows, the rest the file. Every case must end in a
result or in a RingscanError, without a warning, within a time and within an amount of memory.
Cases run in a child process with a watchdog and a limited address space; if it dies, that is a
finding, and the next case goes on in a new one. Every --fit-every-th case that shows a face goes
through the fit too. To save time a spoilt file that can be decoded is only looked through for the
sheet, but for every fourth, and not at all if its pixels came out as before. The case's number is
its seed.
"""

from __future__ import annotations

import argparse
import faulthandler
import json
import resource
import subprocess
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from enum import IntEnum
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
from bench.mutate import Case, disfigured, good_files, mutated
from numpy.typing import NDArray
from ringing import FREQUENCY_HZ, RingingScene

from ringscan.errors import RingscanError
from ringscan.image.bands import measure_bands
from ringscan.image.photo import read_photo
from ringscan.image.reference import find_sheet, read_code
from ringscan.look import look_at
from ringscan.model.verdict import Outcome
from ringscan.scan import scan_photo

ROOT = Path(__file__).parents[2]
LIMIT_S = 300.0
"""For one case, by the clock; on an idle machine a good picture of this size takes a second."""
LIMIT_BYTES = 4_000_000_000
"""Of address space: 60 megapixels in 16 bits and some copies, and what the libraries map."""
WRONG_HZ = 2.0
"""An answer that is off by more, and by more than its interval, is confidently wrong."""


def scene() -> NDArray[np.uint8]:
    """A small picture of a tower that rings: 1.05 megapixels, 4.5 px per mm."""
    return RingingScene(width_px=900, height_px=1170, focal_px=922.5).render()


def case_of(number: int, pixels: NDArray[np.uint8], files: dict[str, bytes]) -> Case:
    """The case of a number."""
    rng = np.random.default_rng(number)
    return disfigured(pixels, rng) if number % 3 == 0 else mutated(files, rng)


class Depth(IntEnum):
    """How far a case goes."""

    SHEET = 0
    BANDS = 1
    FIT = 2

    @classmethod
    def of(cls, number: int, fit_every: int) -> Depth:
        """By the case's number."""
        if number % fit_every == 0:
            return cls.FIT
        return cls.BANDS if number % 3 == 0 or number % 4 == 0 else cls.SHEET


def run(case: Case, folder: Path, seen: set[int], depth: Depth) -> dict[str, Any]:
    """Feed a case in; say what became of it, and the processor time that it took."""
    path = folder / f"case{case.suffix}"
    path.write_bytes(case.data)
    started = time.process_time()
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            ended = _measure(path, seen, depth)
        except RingscanError as exc:
            one_line = "\n" not in str(exc) and str(exc).strip()
            ended = type(exc).__name__ if one_line else f"BAD MESSAGE {str(exc)!r}"
        except Exception as exc:
            ended = f"TRACEBACK {_place(exc)}"
    if caught:
        ended = f"WARNING {caught[0].message} at {Path(caught[0].filename).name}:{caught[0].lineno}"
    return {"ended": ended, "seconds": time.process_time() - started}


def _measure(path: Path, seen: set[int], depth: Depth) -> str:
    if depth is Depth.FIT:
        found = scan_photo(path)
        if found.verdict.outcome is not Outcome.CALL:
            return found.verdict.outcome.value
        off = abs(found.frequency_hz.value - FREQUENCY_HZ)
        wrong = off > max(WRONG_HZ, found.frequency_hz.half_width)
        return f"WRONG by {off:.1f} Hz" if wrong else "call"
    photo = read_photo(path)
    known = hash((photo.luma.tobytes(), photo.focal_px, photo.curve is None))
    if known in seen:
        return "decoded as before"
    seen.add(known)
    if depth is Depth.SHEET:
        read_code(photo, find_sheet(photo))
        return "sheet"
    look = look_at(path)
    measure_bands(look.face, look.plan, look.axis)
    return "bands"


def _place(exc: Exception) -> str:
    frames = traceback.extract_tb(exc.__traceback__)
    ours = [f for f in frames if "ringscan" in f.filename] or list(frames)
    return f"{type(exc).__name__} at {Path(ours[-1].filename).name}:{ours[-1].lineno}: {exc}"[:300]


def work(first: int, count: int, fit_every: int) -> Iterator[dict[str, Any]]:
    """Run cases in this process, under its limits."""
    pixels = scene()
    files = good_files(pixels)
    resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
    status = Path("/proc/self/status")
    seen: set[int] = set()
    with TemporaryDirectory() as folder:
        for number in range(first, first + count):
            case = case_of(number, pixels, files)
            faulthandler.dump_traceback_later(LIMIT_S, exit=True)
            Path("/proc/self/clear_refs").write_text("5")  # the peak of memory starts anew
            result = run(case, Path(folder), seen, Depth.of(number, fit_every))
            faulthandler.cancel_dump_traceback_later()
            lines = dict(ln.split(":", 1) for ln in status.read_text().splitlines() if ":" in ln)
            peak = int(lines["VmHWM"].split()[0]) // 1024
            yield {"number": number, "done": case.done, "peak_mb": peak, **result}


def supervise(first: int, count: int, fit_every: int) -> Iterator[dict[str, Any]]:
    """Run cases in child processes; a child's death is a result too."""
    last = first + count
    while first < last:
        asked = ["--worker", "--first", first, "--count", last - first, "--fit-every", fit_every]
        command = [sys.executable, "-m", "tests.bench.fuzz", *map(str, asked)]
        with subprocess.Popen(
            command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        ) as child:
            assert child.stdout is not None
            assert child.stderr is not None
            for line in child.stdout:
                result = json.loads(line)
                first = result["number"] + 1
                yield result
            said = child.stderr.read()
        if first < last:
            why = "HANG" if "Timeout" in said else f"DIED with status {child.returncode}"
            ended = f"{why}: {said.strip()[-300:]}"
            yield {"number": first, "done": "", "peak_mb": 0, "seconds": 0.0, "ended": ended}
            first += 1


def is_finding(result: dict[str, Any]) -> bool:
    """Whether a case ended as none may."""
    return str(result["ended"]).split()[0].isupper()


def report(results: list[dict[str, Any]]) -> Iterator[str]:
    """How the cases ended, by what was done to them."""
    yield f"{len(results)} cases"
    for ended, number in Counter(r["ended"] for r in results if not is_finding(r)).most_common():
        yield f"{number:6d}  {ended}"
    for result in filter(is_finding, results):
        yield f"FOUND case {result['number']}, {result['done']}: {result['ended']}"
    slowest = max(results, key=lambda r: r["seconds"])
    largest = max(results, key=lambda r: r["peak_mb"])
    which = f"(case {slowest['number']}, {slowest['done']})"
    yield f"slowest {slowest['seconds']:.1f} s of processor time {which}"
    yield f"largest {largest['peak_mb']} MB (case {largest['number']}, {largest['done']})"


def main() -> None:
    """Run the cases and report."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.fuzz")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--fit-every", type=int, default=50)
    parser.add_argument("--worker", action="store_true", help="in this process, one line a case")
    given = parser.parse_args()
    if given.worker:
        for result in work(given.first, given.count, given.fit_every):
            print(json.dumps(result), flush=True)
        return
    results = []
    for result in supervise(given.first, given.count, given.fit_every):
        results.append(result)
        if is_finding(result):
            print(json.dumps(result)[:400], file=sys.stderr, flush=True)
        if len(results) % 500 == 0:
            print("\n".join(report(results)), end="\n\n", file=sys.stderr, flush=True)
    print("\n".join(report(results)))
    raise SystemExit(any(is_finding(result) for result in results))


if __name__ == "__main__":
    main()
