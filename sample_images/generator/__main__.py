"""Write rendered pictures and their truth.

python -m sample_images.generator samples --out sample_images
python -m sample_images.generator random --first 1 --count 6 --out FOLDER
python -m sample_images.generator random --first 1 --count 6 --family EI3 --out FOLDER
python -m sample_images.generator blank --first 1 --count 4 --out FOLDER
python -m sample_images.generator turned --first 1 --count 4 --out FOLDER
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from ringscan.output import write_whole
from ringscan.plan import Family
from sample_images.generator.camera import ideal_px, jpeg, photograph
from sample_images.generator.draw import blank_specimen, random_specimen, turned_specimen
from sample_images.generator.samples import sample_specimens
from sample_images.generator.scene import render
from sample_images.generator.simulate import simulate
from sample_images.generator.specimen import Specimen
from sample_images.generator.wall import build_tower


def picture(specimen: Specimen) -> bytes:
    """Simulate, render and photograph a specimen; return the JPEG file."""
    plan, phone = specimen.plan, specimen.phone
    track = simulate(plan, specimen.axis, specimen.normal, specimen.along)
    lamp, room = render(specimen, build_tower(track, plan, specimen.flaws))
    face_px = ideal_px(specimen.face_directions(), phone)
    x, y = face_px.mean(axis=0).astype(int)
    face = slice(y - 200, y + 200), slice(x - 200, x + 200)
    light = lamp + room * (specimen.lamp.room * lamp[face].mean() / room[face].mean())
    bright = np.percentile(light[::8, ::8].max(axis=2), 75)
    light *= min(specimen.exposure / light[face].max(axis=2).mean(), specimen.paper_white / bright)
    return jpeg(photograph(light, face_px, phone, specimen.seed), phone)


def truth(specimen: Specimen) -> dict[str, Any]:
    """Return what is known of a picture, fit for JSON; the natural frequency first."""
    known = dataclasses.asdict(specimen)
    plan = known.pop("plan")
    normal = specimen.normal
    return {
        "natural_frequency_hz": normal and normal.frequency_hz,
        "damping_ratio": normal and normal.damping_ratio,
        "ripple_um": round(specimen.ripple_um, 1),
        "plan_digest": plan.digest,
        "plan": plan.model_dump(mode="json", exclude_none=True, exclude_defaults=True),
        "face_corners_px": np.round(specimen.face_corners_px(), 2).tolist(),
    } | known


def write(specimens: Iterable[Specimen], folder: Path) -> None:
    """Write each picture, and after each one the truth of all of them."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "truth.json"
    known = json.loads(path.read_text()) if path.exists() else {}
    for specimen in specimens:
        started = time.monotonic()
        file = f"{specimen.name}.jpg"
        write_whole(folder / file, picture(specimen))
        known[file] = truth(specimen)
        text = json.dumps(known, indent=1, allow_nan=False, default=float)
        write_whole(path, (text + "\n").encode())
        print(f"{folder / file}: {time.monotonic() - started:.0f} s", flush=True)


def main() -> None:
    """Read the command line and write the pictures it asks for."""
    parser = argparse.ArgumentParser(prog="python -m sample_images.generator")
    drawn = {"random": random_specimen, "blank": blank_specimen, "turned": turned_specimen}
    parser.add_argument("kind", choices=["samples", *drawn])
    parser.add_argument("--first", type=int, default=1, help="seed of the first picture")
    parser.add_argument("--count", type=int, default=1, help="how many, each with the next seed")
    parser.add_argument("--family", type=Family, help="shaper of all; else it is drawn")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    arguments = parser.parse_args()
    if arguments.kind == "samples":
        specimens = sample_specimens()
    else:
        seeds = range(arguments.first, arguments.first + arguments.count)
        specimens = (drawn[arguments.kind](seed, arguments.family) for seed in seeds)
    write(specimens, arguments.out)


if __name__ == "__main__":
    main()
