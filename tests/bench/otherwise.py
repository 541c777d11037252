"""Towers that lie, or were printed, otherwise than the plan says: read right, refused, or wrong.

    python -m tests.bench.otherwise FOLDER [NAME...]

FOLDER holds rendered pictures and their truth.json. Laid otherwise: the face's picture is put back
mirrored (see degrade.py); towers that only lie with their base away are rendered, by the
generator's `turned`. Printed more slowly: the plan is told a higher speed than the tower was
printed with. Each way's row says what became of the pictures, how often a call's interval held the
truth, the worst errors of those that did not, and how often the true cause was named.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from ringscan.errors import RingscanError
from ringscan.model.causes import Suspect
from ringscan.model.verdict import Outcome
from ringscan.plan import Plan, build_plan
from ringscan.scan import Scan, scan_photo
from tests.bench.degrade import Shot, lay_otherwise

SHARES = (0.95, 0.9, 0.8, 0.65)
WORST = 4
"""Errors that are printed of each way."""


@dataclass
class Tally:
    """What became of the pictures of one way."""

    pictures: int = 0
    inside: int = 0
    named: int = 0
    outside: list[tuple[float, float]] = field(default_factory=list)

    def add(self, scan: Scan | None, truth_hz: float, cause: Suspect | None) -> None:
        """Count one picture; None where it could not be measured at all."""
        self.pictures += 1
        if scan is None:
            return
        self.named += cause is not None and scan.verdict.suspect is cause
        if scan.verdict.outcome is not Outcome.CALL:
            return
        found = scan.frequency_hz
        off = found.value - truth_hz
        if abs(off) <= found.half_width:
            self.inside += 1
        else:
            self.outside.append((off, found.half_width))

    def row(self, way: str) -> str:
        """One row of the table."""
        worst = sorted(self.outside, key=lambda one: -abs(one[0]))[:WORST]
        said = ", ".join(f"{off:+.2f} ± {half:.2f}" for off, half in worst)
        refused = self.pictures - self.inside - len(self.outside)
        return (
            f"| {way} | {self.pictures} | {refused} | {self.named} | {self.inside} "
            f"| {len(self.outside)} | {said} |"
        )


def scanned(path: Path, plan: Plan | None = None) -> Scan | None:
    """Scan a picture; None if it is refused outright."""
    try:
        return scan_photo(path, plan=plan)
    except RingscanError:
        return None


def laid(order: tuple[int, int, int, int], shot: Shot, scratch: Path) -> Scan | None:
    """Scan the picture with its face put back turned."""
    path = scratch / "turned.jpg"
    lay_otherwise(order, shot).save(path)
    return scanned(path)


def slower(share: float, path: Path, truth: dict) -> Scan | None:
    """Scan the picture with a plan that is told a higher speed."""
    motion = truth["plan"]["motion"]
    told = motion | {"speed_mm_s": motion["speed_mm_s"] / share}
    return scanned(path, build_plan(truth["plan"] | {"motion": told}))


def main() -> None:
    """Score a folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*")
    given = parser.parse_args()
    known = json.loads((given.folder / "truth.json").read_text())
    ways: defaultdict[str, Tally] = defaultdict(Tally)
    with tempfile.TemporaryDirectory() as scratch:
        for name, truth in known.items():
            truth_hz = truth["natural_frequency_hz"]
            if truth_hz is None or (given.names and name not in given.names):
                continue
            path = given.folder / name
            shot = Shot.load(path, truth)
            cases: dict[str, tuple[Callable[[], Scan | None], Suspect | None]] = {
                "as planned": (partial(scanned, path), None),
                "entry edge on the other side": (
                    partial(laid, (1, 0, 3, 2), shot, Path(scratch)),
                    Suspect.MIRRORED,
                ),
                "both": (partial(laid, (3, 2, 1, 0), shot, Path(scratch)), Suspect.UPSIDE_DOWN),
            }
            for share in SHARES:
                cases[f"printed at {share:.0%} of the speed"] = (
                    partial(slower, share, path, truth),
                    Suspect.SLOWER,
                )
            for way, (scan, cause) in cases.items():
                ways[way].add(scan(), truth_hz, cause)
    print("| way | pictures | no answer | cause named | call, inside | call, outside | worst, Hz |")
    print("|---|---|---|---|---|---|---|")
    for way, tally in ways.items():
        print(tally.row(way))


if __name__ == "__main__":
    main()
