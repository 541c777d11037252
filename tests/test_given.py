"""What a picture makes the model believe of it: blur, doubts, and what the model leaves out."""

from dataclasses import replace
from math import hypot, sqrt
from pathlib import Path

import numpy as np
import pytest
from ringing import picture

from ringscan.image.bands import measure_bands
from ringscan.image.quality import COMPRESSION, SHARPENING, Grade
from ringscan.image.sharpness import FREQUENCIES, EdgeResponse
from ringscan.look import Kind, Look, look_at
from ringscan.model.budget import PHOTO, WITHOUT_SHEET
from ringscan.plan import Quantity
from ringscan.scan import measure
from ringscan.walls import beyond_of, blur_mm_of, doubts_of

TURN_MM = 0.4 * 0.2
"""Of the plan's layers, 0.2 mm, by which a spiral's turns may lie lower."""


@pytest.fixture(scope="module")
def look(tmp_path_factory) -> Look:
    path: Path = tmp_path_factory.mktemp("given") / "a.jpg"
    path.write_bytes(picture())
    return look_at(path)


def with_grade(look: Look, name: str, grade: Grade) -> Look:
    findings = [replace(f, grade=grade) if f.name == name else f for f in look.findings]
    return replace(look, findings=tuple(findings))


def blurred(look: Look, blur_px: float) -> Look:
    kept = np.exp(-2 * (np.pi * blur_px * FREQUENCIES) ** 2)
    return replace(look, response=EdgeResponse(per_px=FREQUENCIES, modulation=kept, edges=9))


def test_doubts_of_a_sheet_s_picture(look):
    assert not look.edges_doubtful
    doubts = doubts_of(look)
    assert (doubts.shift_mm, doubts.stretch, doubts.skew_mm) == (0.12, 0.0025, 0.03)
    assert doubts.height_mm == pytest.approx(hypot(0.06, TURN_MM))
    assert doubts.blur_mm2 == 0.05  # the filament's: no picture says how far light goes in it
    ramp = look.plan.ramp_of("x")
    assert doubts.hz_per_mm == pytest.approx(ramp.step / ramp.layers_per_step / 0.2)


def test_a_ramp_of_the_damping_ratio_moves_no_frequency_with_height(look):
    ramp = look.plan.ramp_of("x")
    damping = ramp.model_copy(
        update={"quantity": Quantity.DAMPING, "frequency_hz": 30.0, "start": 0.0, "step": 0.01}
    )
    plan = look.plan.model_copy(
        update={"ramp": look.plan.ramp.model_copy(update={"x": damping, "y": None})}
    )
    assert doubts_of(replace(look, plan=plan)).hz_per_mm == 0


def test_doubts_grow_where_the_edges_are_doubtful(look):
    for doubtful in (
        with_grade(look, SHARPENING, Grade.POOR),
        replace(look, view=replace(look.view, flags=("an edge was not seen",))),
    ):
        doubts = doubts_of(doubtful)
        assert (doubts.shift_mm, doubts.stretch) == pytest.approx((0.3, 0.00625))
        assert doubts.skew_mm == pytest.approx(0.075)
        assert doubts.height_mm == pytest.approx(hypot(0.15, TURN_MM))


def test_doubts_without_a_sheet_are_larger_and_the_face_s_size_is_the_scale(look):
    face = replace(look, reference=Kind.FACE, response=None)
    doubts = doubts_of(face)
    assert (doubts.shift_mm, doubts.stretch, doubts.skew_mm) == (0.4, 0.0035, 0.3)
    flagged = doubts_of(replace(face, view=replace(look.view, flags=("an edge was not seen",))))
    assert (flagged.shift_mm, flagged.stretch) == pytest.approx((1.0, 0.0035))


def test_the_sheet_s_blur_beyond_what_lies_behind_the_face_is_the_face_s(look):
    per_mm = look.view.px_per_mm
    for sheet_px in (0.5, 0.9, 1.5):
        assert blur_mm_of(blurred(look, sheet_px)) * per_mm == pytest.approx(0.9)
    soft = blurred(look, 4.0)
    assert blur_mm_of(soft) * per_mm == pytest.approx(sqrt(16 - 1.3**2), rel=5e-3)
    assert blur_mm_of(replace(look, response=None)) * per_mm == pytest.approx(0.9)


def test_what_the_model_leaves_out_depends_on_the_picture(look):
    assert beyond_of(look, shadowed=False) == PHOTO
    assert beyond_of(replace(look, reference=Kind.FACE), shadowed=False) == WITHOUT_SHEET
    # light in the filament leaves the frequency as well known, the damping ratio half as well
    through = beyond_of(look, shadowed=True)
    assert through.frequency == PHOTO.frequency
    assert through.damping_ratio == pytest.approx(2 * PHOTO.damping_ratio)
    coarse = beyond_of(with_grade(look, COMPRESSION, Grade.POOR), shadowed=False)
    assert coarse.frequency == pytest.approx(2.5 * PHOTO.frequency)
    assert coarse.damping_ratio == pytest.approx(2.5 * PHOTO.damping_ratio)


def test_the_intervals_hold_it(look):
    """The same fit, more left out: the interval's square grows by the difference of squares."""
    bands = measure_bands(look.face, look.plan, look.axis)
    one = measure(look, bands)
    other = measure(with_grade(look, COMPRESSION, Grade.POOR), bands)
    assert other.frequency_hz.value == one.frequency_hz.value
    grown = other.frequency_hz.half_width**2 - one.frequency_hz.half_width**2
    k_squared = grown / (one.frequency_hz.value**2 * (2.5**2 - 1) * PHOTO.frequency**2)
    assert 1.96 - 1e-6 < sqrt(k_squared) < 2.2  # Student's t, of many degrees of freedom


def test_another_sheet_in_view_is_told(look):
    assert not look.flags
    assert look.sheet is not None
    flags = replace(look, sheet=replace(look.sheet, repeated=20)).flags
    assert [flag.split(",")[0] for flag in flags] == ["more than one scan sheet is in view"]
