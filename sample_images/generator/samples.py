"""The committed sample set: chosen to cover what the tool must read, and one wall it must not."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from ringscan.layout import Paper
from ringscan.plan import Direction, Family
from sample_images.generator.draw import MATERIALS, Wish, draw
from sample_images.generator.specimen import Specimen

FILAMENT = {material.name: material for material in MATERIALS}
LEFT, RIGHT = -1, 1
MP8, MP12 = (3264, 2448), (4032, 3024)

SAMPLES = (
    Wish(
        tower="HERON-1",
        axis="x",
        frequency_hz=22.6,
        damping_ratio=0.06,
        ripple_um=180,
        family=Family.ZV,
        material=FILAMENT["white"],
        lamp_side=LEFT,
        tilt_deg=3,
        paper=Paper.A4,
        pixels=MP12,
    ),
    Wish(
        tower="WREN-2",
        axis="y",
        frequency_hz=31.3,
        damping_ratio=0.05,
        ripple_um=90,
        family=Family.ZVD,
        material=FILAMENT["light grey"],
        lamp_side=RIGHT,
        tilt_deg=8,
        paper=Paper.LETTER,
        pixels=MP12,
    ),
    Wish(
        tower="PLOVER-1",
        axis="x",
        frequency_hz=41.2,
        damping_ratio=0.1,
        ripple_um=60,
        family=Family.ZV,
        material=FILAMENT["dark"],
        lamp_side=LEFT,
        tilt_deg=5,
        pixels=(4000, 3000),
    ),
    Wish(
        tower="FINCH-3",
        axis="y",
        frequency_hz=27.4,
        damping_ratio=0.04,
        ripple_um=120,
        family=Family.EI,
        material=FILAMENT["glossy silver"],
        lamp_side=RIGHT,
        tilt_deg=12,
        paper=Paper.A4,
        pixels=MP12,
    ),
    # the ramp from 15 Hz also meets a third of this frequency, where ZV cancels too
    Wish(
        tower="DIPPER-2",
        axis="x",
        frequency_hz=52.7,
        damping_ratio=0.035,
        ripple_um=70,
        family=Family.ZV,
        start_hz=15,
        material=FILAMENT["red"],
        lamp_side=LEFT,
        tilt_deg=6,
        pixels=MP12,
    ),
    Wish(
        tower="CURLEW-1",
        axis="y",
        frequency_hz=19.6,
        damping_ratio=0.09,
        ripple_um=200,
        family=Family.ZVD,
        direction=Direction.CLOCKWISE,
        material=FILAMENT["glossy orange"],
        lamp_side=RIGHT,
        tilt_deg=10,
        pixels=MP8,
    ),
    Wish(
        tower="LINNET-4",
        axis="x",
        frequency_hz=36.1,
        damping_ratio=0.07,
        ripple_um=20,
        family=Family.ZV,
        material=FILAMENT["cream"],
        lamp_side=LEFT,
        tilt_deg=2,
        pixels=MP12,
    ),
    Wish(
        tower="AVOCET-1",
        axis="y",
        frequency_hz=46.4,
        damping_ratio=0.06,
        ripple_um=35,
        family=Family.ZV,
        material=FILAMENT["blue"],
        lamp_side=RIGHT,
        tilt_deg=15,
        pixels=MP12,
    ),
    Wish(
        tower="SISKIN-2",
        axis="x",
        frequency_hz=29.2,
        damping_ratio=0.12,
        ripple_um=150,
        family=Family.ZVDD,
        material=FILAMENT["black"],
        lamp_side=RIGHT,
        tilt_deg=7,
        paper=Paper.A4,
        pixels=(4000, 3000),
    ),
)

BLANK = Wish(
    tower="WREN-5",
    axis="y",
    ripple_um=80,
    family=Family.ZV,
    material=FILAMENT["grey"],
    lamp_side=LEFT,
    tilt_deg=4,
    pixels=MP12,
)
"""Printed on rigid axes: nothing rings, and no frequency may be read from it."""

FIRST_SEED = 701


def sample_specimens() -> Iterator[Specimen]:
    """Return the sample set; the last one must end in no call."""
    wishes = (*SAMPLES, BLANK)
    for seed, wish in enumerate(wishes, FIRST_SEED):
        specimen = draw(seed, f"{wish.tower}-{wish.axis}".lower(), wish)
        if wish is BLANK:
            specimen = dataclasses.replace(specimen, normal=None, along=None)
        yield specimen
