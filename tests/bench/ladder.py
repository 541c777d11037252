"""The ladder of degradations: what becomes of the answer as a good picture is spoilt step by step.

    python -m tests.bench.ladder sample_images --pictures 3 > LADDER.md
    python -m tests.bench.ladder FOLDER --family blur --family JPEG

FOLDER holds rendered pictures and their truth.json. For each rung and picture stands the error in
Hz and the half width of the stated 95 % interval, the same of the damping ratio in per cent of the
true one, or that there was no answer and why. An answer is *confidently wrong* if it is off by more
than its interval and by more than 2 Hz, or by a third of the damping ratio.

With --scenes quick ray-cast scenes are scanned too: real tilt, real displacement of the tower,
towers of other brightness, lamps that hide the ripple. Their geometry is exact, their light crude.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from bench.degrade import Rung, Shot, rungs
from bench.scenes import SceneRung, scene_rungs

from ringscan.errors import RingscanError
from ringscan.model.verdict import Outcome
from ringscan.scan import scan_photo

WRONG_HZ = 2.0
WRONG_DAMPING = 1 / 3
"""So far off, and outside its interval, an answer is confidently wrong: in Hz, and relative."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What one spoilt picture ended in.

    error_hz, half_width_hz : of an answer; None where there is none
    damping_error, damping_half_width : of its damping ratio, relative to the true one
    reason : why there is none
    """

    error_hz: float | None = None
    half_width_hz: float = 0.0
    damping_error: float = 0.0
    damping_half_width: float = 0.0
    reason: str = ""

    @property
    def frequency_outside(self) -> bool:
        """Whether the true frequency is outside the stated interval."""
        return self.error_hz is not None and abs(self.error_hz) > self.half_width_hz

    @property
    def damping_outside(self) -> bool:
        """Whether the true damping ratio is outside the stated interval."""
        return abs(self.damping_error) > self.damping_half_width

    @property
    def wrong(self) -> bool:
        """Whether it is confidently wrong."""
        by_frequency = self.frequency_outside and abs(self.error_hz or 0.0) > WRONG_HZ
        return by_frequency or (self.damping_outside and abs(self.damping_error) > WRONG_DAMPING)


def scan(path: Path, truth_hz: float | None, truth_damping: float | None) -> Result:
    """Scan a file; a blank wall's answer has an infinite error."""
    try:
        found = scan_photo(path)
    except RingscanError as exc:
        text = str(exc).removeprefix(f"{path}: ").removeprefix(f"{path.name}: ")
        return Result(reason=f"{type(exc).__name__}: {text}")
    except Exception as exc:
        return Result(reason=f"TRACEBACK: {exc!r}")
    if found.verdict.outcome is not Outcome.CALL:
        reasons = "; ".join((*found.verdict.reasons, *(f"({flag})" for flag in found.flags)))
        return Result(reason=f"{found.verdict.outcome.value}: {reasons}")
    frequency, damping = found.frequency_hz, found.damping_ratio
    if truth_hz is None or truth_damping is None:
        return Result(error_hz=float("inf"))
    return Result(
        error_hz=frequency.value - truth_hz,
        half_width_hz=frequency.half_width,
        damping_error=damping.value / truth_damping - 1,
        damping_half_width=damping.half_width / truth_damping,
    )


def climb(rung: Rung, shot: Shot) -> Result:
    """Spoil a picture and scan it."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "spoilt.jpg"
        rung.change(shot).save(path)
        return scan(path, shot.truth["natural_frequency_hz"], shot.truth["damping_ratio"])


def cast(rung: SceneRung) -> Result:
    """Render a scene and scan it."""
    with TemporaryDirectory() as folder:
        path = rung.save(Path(folder))
        return scan(path, rung.scene.frequency_hz, rung.scene.damping_ratio)


def table(rows: Iterable[tuple[str, str, list[Result]]], names: list[str]) -> Iterator[str]:
    """Lines of Markdown, reasons numbered and listed beneath."""
    yield f"| | | {' | '.join(names)} |"
    yield "|---|---|" + "---|" * len(names)
    reasons: dict[str, int] = {}
    results: list[Result] = []
    last = ""
    for family, name, row in rows:
        cells = [_cell(result, reasons) for result in row]
        yield f"| {family if family != last else ''} | {name} | {' | '.join(cells)} |"
        last = family
        results += row
    yield ""
    for reason, number in reasons.items():
        yield f"{number}. {reason}"
    yield ""
    called = [r for r in results if r.error_hz is not None]
    frequency = sum(r.frequency_outside for r in called)
    damping = sum(r.damping_outside for r in called)
    yield (
        f"{len(results)} pictures: {len(called)} answered; the frequency outside its interval in "
        f"{frequency} of them, the damping ratio in {damping}; "
        f"{sum(r.wrong for r in called)} confidently wrong"
    )


def _cell(result: Result, reasons: dict[str, int]) -> str:
    if result.error_hz is None:
        # numbers differ from picture to picture: the first stands for all
        pattern = re.sub(r"[0-9.]+", "#", result.reason)
        same = [n for text, n in reasons.items() if re.sub(r"[0-9.]+", "#", text) == pattern]
        number = same[0] if same else reasons.setdefault(result.reason, len(reasons) + 1)
        return f"none ({number})"
    hz = f"{result.error_hz:+.2f} ± {result.half_width_hz:.2f}"
    percent = f"{100 * result.damping_error:+.0f} ± {100 * result.damping_half_width:.0f} %"
    text = f"*{hz}*" if result.frequency_outside else hz
    text += f"; *{percent}*" if result.damping_outside else f"; {percent}"
    return f"**{text}, WRONG**" if result.wrong else text


def main() -> None:
    """Climb the ladder."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.ladder")
    parser.add_argument("folder", type=Path, help="rendered pictures and their truth.json")
    parser.add_argument("--names", nargs="*", default=[], help="these pictures; else the first")
    parser.add_argument("--pictures", type=int, default=3, help="how many")
    parser.add_argument("--family", action="append", default=[], help="only this; can be repeated")
    parser.add_argument("--scenes", action="store_true", help="the ray-cast scenes instead")
    given = parser.parse_args()

    def wanted(family: str) -> bool:
        return not given.family or family in given.family

    rows: Iterator[tuple[str, str, list[Result]]]
    if given.scenes:
        names = ["ray-cast"]
        rows = ((r.family, r.name, [cast(r)]) for r in scene_rungs() if wanted(r.family))
    else:
        truths: dict[str, Any] = json.loads((given.folder / "truth.json").read_text("utf-8"))
        names = given.names or sorted(truths)[: given.pictures]
        shots = [Shot.load(given.folder / name, truths[name]) for name in names]
        rows = (
            (r.family, r.name, [climb(r, shot) for shot in shots])
            for r in rungs()
            if wanted(r.family)
        )
    for line in table(rows, [name.removesuffix(".jpg") for name in names]):
        print(line, flush=True)


if __name__ == "__main__":
    main()
