"""How long a scan takes and how much memory, as ratios to baselines of the same run.

    python -m tests.bench.speed sample_images

FOLDER holds pictures. Printed are: the warm scan, step by step, against the JPEG decode of the same
photo; the command's cold start against importing the five packages that any such tool imports; one
core against two on 40 photos (`--photos`; 0 leaves this out); peak memory against the decoded
pixels; the fit of one face against one singular value decomposition of its array. Processor time
does not count what other programs do meanwhile, wall-clock time does: on a machine at rest both
agree. Memory is read where Linux tells it. docs/performance.md holds a run.
"""

from __future__ import annotations

import os

# one core is meant; read when the libraries are loaded
os.environ |= dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")

import argparse
import io
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import cycle, islice
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
from PIL import Image

import ringscan.look
import ringscan.scan
from ringscan.batch import Job, scan_batch
from ringscan.model.budget import intervals
from ringscan.model.fit import fit_jointly
from ringscan.pictures import find_pictures
from ringscan.show.record import RECORD_VERSION, to_record
from tests.walls import doubts_of, random_wall, simulate_walls

STEPS: dict[str, tuple[tuple[ModuleType, str], ...]] = {
    "decode": ((ringscan.look, "read_photo"),),
    "find": tuple(
        (ringscan.look, name) for name in ("find_sheet", "read_code", "find_pose", "locate_face")
    ),
    "rectify": ((ringscan.look, "rectify_face"),),
    "inspect": ((ringscan.look, "inspect_picture"),),
    "bands": ((ringscan.scan, "measure_bands"),),
    "fit": ((ringscan.scan, "fit_jointly"),),
}
"""Functions that make up each step, where they are called from; what is left is the rest."""

IMPORTS = "import cv2, skimage, numpy, scipy, typer"
COMMAND = "from ringscan.cli import main; main()"
MEMORY = """
import sys
from pathlib import Path
import cv2, zxingcpp, ringscan.scan

def peak():  # getrusage's would be that of the process that started this one
    status = Path("/proc/self/status").read_text()
    return status.split("VmHWM:")[1].split()[0]

before = peak()
ringscan.scan.scan_photo(Path(sys.argv[1]))
print(before, peak())
"""

WALLS = 12
"""Faces of the fit's benchmark: some take more rounds than others."""

CORE_ROUNDS = 2
"""Batches with one process and with two, in turn: a machine's speed drifts."""

Seconds = tuple[float, float]
"""Processor time and wall-clock time."""


@dataclass(slots=True)
class Watch:
    """Adds up the time spent in functions, by both clocks."""

    cpu_s: float = 0.0
    wall_s: float = 0.0

    @contextmanager
    def running(self) -> Iterator[None]:
        """Count the time in this block."""
        cpu, wall = time.process_time(), time.perf_counter()
        try:
            yield
        finally:
            self.cpu_s += time.process_time() - cpu
            self.wall_s += time.perf_counter() - wall

    def around(self, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function, timed."""

        def timed(*args: Any, **kwargs: Any) -> Any:
            with self.running():
                return function(*args, **kwargs)

        return timed


@contextmanager
def watched() -> Iterator[dict[str, Watch]]:
    """Times every step of the scans in this block."""
    watches = {step: Watch() for step in STEPS}
    places = [(step, *place) for step, parts in STEPS.items() for place in parts]
    before = [getattr(module, name) for _, module, name in places]
    for (step, module, name), function in zip(places, before, strict=True):
        setattr(module, name, watches[step].around(function))
    try:
        yield watches
    finally:
        for (_, module, name), function in zip(places, before, strict=True):
            setattr(module, name, function)


def least(function: Callable[[], object], times: int) -> Seconds:
    """The least time of several runs: what disturbs only ever adds."""
    runs = []
    for _ in range(times):
        watch = Watch()
        with watch.running():
            function()
        runs.append((watch.cpu_s, watch.wall_s))
    return min(cpu for cpu, _ in runs), min(wall for _, wall in runs)


def warm_scan(photos: list[Path], times: int) -> None:
    """Print each step of the warm scan over the JPEG decode of the same photo."""
    total: dict[str, list[Seconds]] = {}
    ringscan.scan.scan_photo(photos[0])
    for photo in photos:
        data = photo.read_bytes()
        codes = np.frombuffer(data, np.uint8)
        decode = least(lambda codes=codes: cv2.imdecode(codes, cv2.IMREAD_COLOR), times)
        pillow = least(lambda data=data: np.asarray(Image.open(io.BytesIO(data))), times)
        runs: dict[str, list[Seconds]] = {}
        for _ in range(times):
            whole = Watch()
            with watched() as watches, whole.running():
                ringscan.scan.scan_photo(photo)
            rest = Watch(
                whole.cpu_s - sum(watch.cpu_s for watch in watches.values()),
                whole.wall_s - sum(watch.wall_s for watch in watches.values()),
            )
            for step, watch in {**watches, "rest": rest, "whole scan": whole}.items():
                runs.setdefault(step, []).append((watch.cpu_s, watch.wall_s))
        spent = {step: (min(r[0] for r in s), min(r[1] for r in s)) for step, s in runs.items()}
        for step, (cpu, wall) in {"Pillow's decode": pillow, **spent}.items():
            total.setdefault(step, []).append((cpu / decode[0], wall / decode[1]))
        total.setdefault("ms", []).append((1e3 * decode[0], 1e3 * decode[1]))
    cpu_ms, wall_ms = (statistics.median(column) for column in zip(*total.pop("ms"), strict=True))
    print(f"JPEG decode (cv2.imdecode): {cpu_ms:.0f} ms of processor time, {wall_ms:.0f} ms")
    print(f"warm scan over that decode, median of {len(photos)} photos, best of {times} runs each")
    for step, ratios in total.items():
        cpu, wall = (statistics.median(column) for column in zip(*ratios, strict=True))
        print(f"  {step:16s} {cpu:6.2f} by processor time {wall:6.2f} by the clock")


def child(arguments: list[str]) -> Seconds:
    """Processor and wall-clock time of a Python of its own."""
    # a user's Python keeps the compiled modules; where it may not, every start would compile anew
    keeping = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL, env=keeping)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, wall


def cold_start(photo: Path, times: int) -> None:
    """Print a fresh process's time over that of importing the five packages."""
    commands = {
        IMPORTS: ["-c", IMPORTS],
        "ringscan --help": ["-c", COMMAND, "--help"],
        "ringscan scan PHOTO": ["-c", COMMAND, "scan", str(photo)],
    }
    spent = {}
    for name, arguments in commands.items():
        runs = [child(arguments) for _ in range(times)]
        spent[name] = min(cpu for cpu, _ in runs), min(wall for _, wall in runs)
    warm = least(lambda: ringscan.scan.scan_photo(photo), times)
    cold = spent["ringscan scan PHOTO"]
    spent["that less the warm scan"] = cold[0] - warm[0], cold[1] - warm[1]
    base = spent.pop(IMPORTS)
    print(f"{IMPORTS}: {base[0]:.2f} s of processor time, {base[1]:.2f} s")
    print(f"a process from its start to its end, over that; best of {times} runs each")
    for name, (cpu, wall) in spent.items():
        print(f"  {name:24s} {cpu / base[0]:6.2f} by processor time {wall / base[1]:6.2f} by clock")


def cores(photos: list[Path], count: int) -> None:
    """Print how much sooner two processes are done with a batch than one."""
    job = Job(to_record=to_record, record_version=RECORD_VERSION)
    with tempfile.TemporaryDirectory() as folder:
        names = []
        for number, photo in enumerate(islice(cycle(photos), count)):
            names.append(Path(folder) / f"{number:03d}-{photo.name}")
            names[-1].symlink_to(photo.resolve())
        clock: dict[int, list[float]] = {1: [], 2: []}
        for jobs in (1, 2) * CORE_ROUNDS:
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            start = time.perf_counter()
            done = sum(entry.record is not None for entry in scan_batch(names, job, jobs=jobs))
            spent = time.perf_counter() - start
            clock[jobs].append(spent)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            print(
                f"{count} photos, {jobs} process(es): {spent:.0f} s, {cpu:.0f} s of "
                f"processor time, {done} measured; {cpu / spent / jobs:.0%} of its cores had"
            )
        print(f"  one core over two, best of each: {min(clock[1]) / min(clock[2]):.2f}")


def memory(photos: list[Path]) -> None:
    """Print the peak of a scan in a process of its own over the decoded pixels, by size."""
    print("peak memory over the decoded pixels (3 bytes each), worst of each size")
    sizes: dict[int, list[Path]] = {}
    for photo in photos:
        with Image.open(photo) as image:
            sizes.setdefault(image.width * image.height, []).append(photo)
    for pixels, same in sorted(sizes.items()):
        over, whole = [], []
        for photo in same[:3]:
            run = subprocess.run(
                [sys.executable, "-c", MEMORY, str(photo)],
                check=True,
                capture_output=True,
                text=True,
            )
            before, peak = (1024 * int(text) / (3 * pixels) for text in run.stdout.split())
            over.append(peak - before)
            whole.append(peak)
        print(
            f"  {pixels / 1e6:4.1f} megapixels    whole process {max(whole):5.2f}, beyond the",
            end="",
        )
        print(f" imports {max(over):5.2f}")


def fit(times: int) -> None:
    """Print the fit of random faces over one singular value decomposition of such an array."""
    spent = []
    for seed in range(WALLS):
        wall = random_wall(np.random.default_rng(seed))
        walls, doubts = simulate_walls(wall, seed), doubts_of(wall)
        spent.append(least(lambda w=walls, d=doubts: intervals(fit_jointly(w, d).estimate), times))
    svd = least(lambda: np.linalg.svd(walls.intensity), times)[0]
    rows, columns = walls.intensity.shape
    print(f"fit of {rows} bands of {columns} samples, intervals included, {WALLS} random walls")
    for name, of in (("median", statistics.median), ("slowest", max)):
        s = of(cpu for cpu, _ in spent)
        print(f"  {name:8} {1e3 * s:4.0f} ms of processor time, over numpy.linalg.svd ", end="")
        print(f"of the array ({1e3 * svd:.1f} ms) {s / svd:5.1f}")


def main() -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--photos", type=int, default=40, help="for one core against two")
    parser.add_argument("--times", type=int, default=5, help="runs of which the best counts")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    photos, errors = find_pictures([given.folder])
    if errors or not photos:
        parser.error(f"no pictures in {given.folder}")
    load = ", ".join(f"{n:.1f}" for n in os.getloadavg())
    print(f"{os.cpu_count()} cores, Python {sys.version.split()[0]}; load at the start {load}")
    warm_scan(photos, given.times)
    fit(given.times)
    memory(photos)
    cold_start(photos[0], given.times)
    if given.photos:
        cores(photos, given.photos)
    print(f"load at the end {', '.join(f'{n:.1f}' for n in os.getloadavg())}")


if __name__ == "__main__":
    main()
