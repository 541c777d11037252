"""How far from the truth: scans every picture of a folder and prints the table of docs/accuracy.md.

    python -m tests.bench.accuracy FOLDER

FOLDER holds pictures and their truth.json, as `python -m sample_images.generator` writes them.
Nothing is left out and nothing is rounded in our favour: a picture that ends in an error or in
no call stands in the table as such.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ringscan.errors import RingscanError
from ringscan.model.verdict import Outcome
from ringscan.model.whiten import flatten
from ringscan.scan import Scan, scan_photo


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One picture: truth, answer, and what the eye's way gives."""

    name: str
    truth_hz: float | None
    truth_damping: float | None
    ripple_um: float
    family: str
    outcome: str
    frequency_hz: float | None = None
    half_width_hz: float | None = None
    inside: bool | None = None
    damping_ratio: float | None = None
    damping_inside: bool | None = None
    eye_hz: float | None = None

    @property
    def error_hz(self) -> float | None:
        """Answer less truth."""
        if self.frequency_hz is None or self.truth_hz is None:
            return None
        return self.frequency_hz - self.truth_hz


def eye_hz(scan: Scan) -> float:
    """Commanded frequency of the ramp's band with the least standard deviation."""
    bands = scan.bands
    flat = flatten(bands.s_mm, np.where(bands.valid, bands.profile, 0.0), bands.valid)
    spread = np.array([row[ok].std() for row, ok in zip(flat, bands.valid, strict=True)])
    spread[np.isnan(bands.frequency_hz)] = np.inf
    return float(bands.frequency_hz[int(spread.argmin())])


def score(path: Path, truth: dict[str, Any]) -> Row:
    """Scan one picture and hold it against its truth."""
    known: dict[str, Any] = {
        "name": path.stem,
        "truth_hz": truth["natural_frequency_hz"],
        "truth_damping": truth["damping_ratio"],
        "ripple_um": truth["ripple_um"],
        "family": truth["plan"]["shaper"]["family"],
    }
    try:
        scan = scan_photo(path)
    except RingscanError as exc:
        return Row(**known, outcome=f"{type(exc).__name__}: {exc}")
    eye = eye_hz(scan)
    if scan.verdict.outcome is not Outcome.CALL:
        return Row(**known, outcome=scan.verdict.outcome.value, eye_hz=eye)
    f, zeta = scan.frequency_hz, scan.damping_ratio
    true_f, true_zeta = known["truth_hz"], known["truth_damping"]
    return Row(
        **known,
        outcome="call",
        frequency_hz=f.value,
        half_width_hz=f.half_width,
        inside=true_f is not None and f.low <= true_f <= f.high,
        damping_ratio=zeta.value,
        damping_inside=true_zeta is not None and zeta.low <= true_zeta <= zeta.high,
        eye_hz=eye,
    )


def table(rows: list[Row]) -> Iterator[str]:
    """Markdown lines of the table and its summary."""
    yield (
        "| picture | shaper | ripple µm | true Hz | found Hz | error | ± 95 % | inside | "
        "true ζ | found ζ | inside | eye's way Hz |"
    )
    yield "|---|---|---|---|---|---|---|---|---|---|---|---|"
    for row in rows:
        cells = [
            row.name,
            row.family,
            f"{row.ripple_um:.0f}",
            _text(row.truth_hz, ".2f"),
            _text(row.frequency_hz, ".2f") if row.outcome == "call" else row.outcome,
            _text(row.error_hz, "+.2f"),
            _text(row.half_width_hz, ".2f"),
            _yes(row.inside),
            _text(row.truth_damping, ".4f"),
            _text(row.damping_ratio, ".4f"),
            _yes(row.damping_inside),
            _text(row.eye_hz, ".1f"),
        ]
        yield "| " + " | ".join(cells) + " |"
    yield ""
    yield from summary([row for row in rows if row.truth_hz])
    blanks = [row for row in rows if not row.truth_hz]
    if blanks:
        called = sum(row.outcome == "call" for row in blanks)
        yield f"- walls without any ringing: {len(blanks)}, of which called: {called}"


def summary(rows: list[Row]) -> Iterator[str]:
    """What the table comes to, over the pictures that have a truth."""
    if not rows:
        return
    errors = np.abs([row.error_hz for row in rows if row.error_hz is not None])
    called = [row for row in rows if row.outcome == "call"]
    zeta = np.abs([row.damping_ratio - row.truth_damping for row in called])  # type: ignore[operator]
    eye = np.abs([row.eye_hz - row.truth_hz for row in rows if row.eye_hz is not None])  # type: ignore[operator]
    yield f"- pictures with ringing: {len(rows)}, called: {len(called)}"
    if called:
        yield (
            f"- |error of the natural frequency|: median {np.median(errors):.2f} Hz, "
            f"95th percentile {np.percentile(errors, 95):.2f} Hz, worst {errors.max():.2f} Hz, "
            f"within 1 Hz {np.mean(errors <= 1):.0%}"
        )
        yield (
            f"- truth inside the 95 % interval: frequency {np.mean([r.inside for r in called]):.0%}"
            f", damping ratio {np.mean([r.damping_inside for r in called]):.0%}"
        )
        yield f"- |error of the damping ratio|: median {np.median(zeta):.4f}"
    yield (
        f"- the eye's way: |error| median {np.median(eye):.2f} Hz, worst {eye.max():.2f} Hz"
        if eye.size
        else "- the eye's way: nothing to look at"
    )


def _text(value: float | None, form: str) -> str:
    return "–" if value is None else format(value, form)


def _yes(value: bool | None) -> str:
    return "–" if value is None else ("yes" if value else "NO")


def main() -> None:
    """Score a folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    folder: Path = parser.parse_args().folder
    truths = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    rows = []
    for name in sorted(truths):
        rows.append(score(folder / name, truths[name]))
        print(name, rows[-1].outcome, rows[-1].error_hz, file=sys.stderr)
    print("\n".join(table(rows)))


if __name__ == "__main__":
    main()
