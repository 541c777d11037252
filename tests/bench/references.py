"""References other than the sheet, on pictures without one: how far off face and answer are.

    python -m tests.bench.references paint FOLDER PAINTED [NAME...]
    python -m tests.bench.references score PAINTED [--looks] [--only card] [NAME...]

FOLDER holds rendered pictures and their truth.json. `paint` takes the sheet away and lays a card
beside the face (see desk.py); `score` finds the face and scans by the card, by the face alone, and
by corners that are POINTED_PX off.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import RingscanError
from ringscan.look import Flush, Kind, PictureSide, look_at
from ringscan.model.verdict import Outcome
from ringscan.plan import Direction, Plan
from ringscan.scan import scan_photo
from tests.bench.degrade import Shot
from tests.bench.desk import ID1_MM, Scene, on_desk

Array = NDArray[np.float64]

GROUNDS = ("plain", "wood", "boards")
CARDS_MM = (ID1_MM, ID1_MM, (100.0, 70.0))
POINTED_PX = 3.0
"""Standard deviation of given corners, each way."""
WRONG_MM = 1.5
"""A face with a corner that is farther off was not found."""


def shown(px: Array, truth: dict[str, Any]) -> Array:
    """Pixels of the file as they are displayed, after the EXIF turn."""
    width, height = truth["phone"]["width_px"] - 1, truth["phone"]["height_px"] - 1
    x, y = px.T
    turned = {1: (x, y), 3: (width - x, height - y), 6: (height - y, x), 8: (y, width - x)}
    return np.column_stack(turned[truth["phone"]["orientation"]])


def paint(folder: Path, out: Path, names: list[str]) -> None:
    """Write the pictures without their sheets, and what is known of them."""
    out.mkdir(parents=True, exist_ok=True)
    truths = json.loads((folder / "truth.json").read_text())
    known: dict[str, Any] = {}
    for number, (name, truth) in enumerate(truths.items()):
        if names and name not in names:
            continue
        size_mm, ground = CARDS_MM[number % len(CARDS_MM)], GROUNDS[number // 3 % len(GROUNDS)]
        scene = Scene.of(Shot.load(folder / name, truth))
        alone, shot, card = on_desk(scene, ground, truth["seed"], size_mm)
        alone.save(out / name)
        if shot is not None:
            shot.save(out / f"card-{name}")
        around = shown(scene.shot.face_px, truth)
        up = around[2:].sum(axis=0) - around[:2].sum(axis=0)
        if truth["plan"]["motion"]["direction"] == Direction.CLOCKWISE:
            around = around[[1, 0, 3, 2]]
        known[name] = truth | {
            "ground": ground,
            "card_mm": card and size_mm,
            "card_px": card and shown(scene.px(card.corners(scene)), truth).tolist(),
            "corners_px": around.tolist(),
            "base": max(PictureSide, key=lambda base: float(up @ base.away_px)).value,
        }
        (out / "truth.json").write_text(json.dumps(known, indent=1))
        print(name, ground, "card" if card else "no room for a card", flush=True)


def references(name: str, truth: dict[str, Any]) -> Iterator[tuple[str, Flush]]:
    """Every kind, and the picture that has it."""
    base = PictureSide(truth["base"])
    if truth["card_mm"]:
        way = np.mean(truth["card_px"], axis=0) - np.mean(truth["corners_px"], axis=0)
        side = max(PictureSide, key=lambda side: float(-way @ side.away_px))
        size_mm = tuple(truth["card_mm"])
        yield f"card-{name}", Flush(rectangle_mm=size_mm, base=base, card_side=side)
    yield name, Flush(base=base)
    off = np.random.default_rng(truth["seed"]).normal(0, POINTED_PX, (4, 2))
    yield name, Flush(corners_px=np.array(truth["corners_px"]) + off)


def score(path: Path, truth: dict[str, Any], flush: Flush, *, looks: bool) -> dict[str, Any]:
    """One picture by one reference."""
    row: dict[str, Any] = {"name": path.stem, "kind": flush.kind, "ground": truth["ground"]}
    plan = Plan.model_validate(truth["plan"])
    given: dict[str, Any] = {"plan": plan, "axis": truth["axis"], "flush": flush}
    start = time.process_time()
    try:
        scan = None if looks else scan_photo(path, **given)
        view = look_at(path, **given).view if scan is None else scan.view
    except RingscanError as exc:
        return row | {"outcome": type(exc).__name__, "text": str(exc)}
    off = np.linalg.norm(view.corners_px - truth["corners_px"], axis=1) / view.px_per_mm
    row |= {"off_mm": float(off.max()), "seconds": time.process_time() - start}
    row |= _parts(view.corners_px, np.array(truth["corners_px"]), view.px_per_mm)
    if flush.kind is Kind.CARD:
        sizes = zip(view.sheet_size_mm, (view.width_mm, view.height_mm), strict=True)
        row |= {f"by_card_{n}": by / mm - 1 for n, (by, mm) in enumerate(sizes)}
    row["outcome"] = "found" if scan is None else scan.verdict.outcome.value
    true_hz = truth["natural_frequency_hz"]
    if scan is not None and scan.verdict.outcome is Outcome.CALL and true_hz:
        for name, got, want in (
            ("hz", scan.frequency_hz, true_hz),
            ("zeta", scan.damping_ratio, truth["damping_ratio"]),
        ):
            row[name] = got.value - want
            row[f"{name}_half"] = got.half_width
            row[f"{name}_inside"] = got.low <= want <= got.high
    return row


def _parts(found: Array, true: Array, px_per_mm: float) -> dict[str, float]:
    """The face's errors, as the scan's uncertainties name them: place and skew of the entry edge,
    mm, and widths, 1.
    """
    along = true[1] - true[0] + true[2] - true[3]
    along = along / np.linalg.norm(along)
    base, top = ((found - true) @ along / px_per_mm)[[0, 3]]
    sides = [np.linalg.norm(np.roll(c, -1, axis=0) - c, axis=1) for c in (found, true)]
    ratio = sides[0] / sides[1] - 1
    return {
        "edge_mm": float(base + top) / 2,
        "skew_mm": float(top - base),
        "wide": float(ratio[[0, 2]].mean()),
        "tall": float(ratio[[1, 3]].mean()),
    }


def table(rows: list[dict[str, Any]]) -> str:
    """The rows of docs/other-references.md."""
    lines = [
        "| reference | pictures | refused | face wrong | call | median, 95 %, worst error | inside "
        "(frequency, damping) |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind in Kind:
        of = [row for row in rows if row["kind"] is kind]
        if not of:
            continue
        seen = [row for row in of if "off_mm" in row]
        wrong = sum(row["off_mm"] > WRONG_MM for row in seen)
        called = [row for row in seen if "hz" in row]
        text = "| | |"
        if called:
            hz = np.abs([row["hz"] for row in called])
            inside = [sum(row[f"{n}_inside"] for row in called) for n in ("hz", "zeta")]
            text = (
                f"| {np.median(hz):.2f}, {np.quantile(hz, 0.95):.2f}, {hz.max():.2f} Hz | "
                f"{inside[0]}, {inside[1]} of {len(called)} |"
            )
        lines.append(
            f"| {kind} | {len(of)} | {len(of) - len(seen)} | {wrong} | {len(called)} {text}"
        )
    return "\n".join(lines)


def main() -> None:
    """Read the command line, paint or score."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.references")
    parser.add_argument("what", choices=["paint", "score"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("names", nargs="*", help="to paint: where to, then names")
    parser.add_argument("--looks", action="store_true", help="find the face only")
    parser.add_argument("--only", choices=[kind.value for kind in Kind])
    parser.add_argument("--json", type=Path, help="write all figures there")
    given = parser.parse_intermixed_args()
    if given.what == "paint":
        paint(given.folder, Path(given.names[0]), given.names[1:])
        return
    rows = []
    for name, truth in json.loads((given.folder / "truth.json").read_text()).items():
        if given.names and name not in given.names:
            continue
        for file, flush in references(name, truth):
            if given.only and flush.kind != given.only:
                continue
            row = score(given.folder / file, truth, flush, looks=given.looks)
            rows.append(row)
            print(
                " ".join(f"{v:.3f}" if isinstance(v, float) else str(v) for v in row.values()),
                flush=True,
            )
    print(table(rows))
    if given.json:
        given.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
