"""The whole chain on sample images; their truth is what the renderer was given, truth.json."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from ringscan.look import Flush, Kind
from ringscan.model.ranking import FALSE_QUIET
from ringscan.model.verdict import Outcome
from ringscan.scan import Scan, scan_photo

SAMPLES = Path(__file__).parents[1] / "sample_images"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


@lru_cache
def scanned(name: str) -> Scan:
    return scan_photo(SAMPLES / name)


# X and Y, ZV, ZVD and EI, light and dark and glossy, 60 to 180 µm
@pytest.mark.parametrize(
    "name", ["heron-1-x.jpg", "wren-2-y.jpg", "dipper-2-x.jpg", "finch-3-y.jpg"]
)
def test_truth_lies_in_the_interval(name: str):
    scan, truth = scanned(name), TRUTH[name]
    assert scan.verdict.outcome is Outcome.CALL
    assert (scan.axis, scan.plan.tower) == (truth["axis"], truth["plan"]["tower"])
    frequency = scan.frequency_hz
    assert frequency.low <= truth["natural_frequency_hz"] <= frequency.high
    # what the tool promises at this ripple; a wide interval must not hide a poor answer
    assert frequency.value == pytest.approx(truth["natural_frequency_hz"], abs=0.5)
    assert scan.damping_ratio.value == pytest.approx(truth["damping_ratio"], abs=0.008)


def test_a_heic_is_measured_as_its_jpeg_is():
    """The sample image in 12 megapixels coded by x265 (through pillow-heif 1.8.1) at quality 40."""
    pytest.importorskip("pi_heif")
    by_jpeg = scanned("dipper-2-x.jpg")
    scan = scan_photo(Path(__file__).parent / "image" / "heic" / "dipper-2-x.heic")
    assert scan.verdict.outcome is Outcome.CALL
    # another coding is another noise: half of what the interval allows for all of it
    within = by_jpeg.frequency_hz.half_width / 2
    assert scan.frequency_hz.value == pytest.approx(by_jpeg.frequency_hz.value, abs=within)
    assert scan.damping_ratio.value == pytest.approx(by_jpeg.damping_ratio.value, rel=0.02)
    # turned upright once, by the file's own property or by EXIF
    off_px = np.linalg.norm(scan.view.corners_px - by_jpeg.view.corners_px, axis=1)
    assert off_px.max() < 2


def test_two_answers_are_found_apart():
    scan, truth = scanned("dipper-2-x.jpg"), TRUTH["dipper-2-x.jpg"]
    assert scan.spacing.frequency_hz == pytest.approx(truth["natural_frequency_hz"], abs=1.0)
    assert scan.null.value == pytest.approx(truth["natural_frequency_hz"], abs=1.5)


def test_false_quiet_band_is_named():
    scan, truth = scanned("dipper-2-x.jpg"), TRUTH["dipper-2-x.jpg"]
    third = truth["natural_frequency_hz"] / 3
    nearest = min(scan.ranking, key=lambda row: abs(row.frequency_hz - third))
    assert nearest.remark == FALSE_QUIET
    best = scan.ranking[0]
    assert best.remark != FALSE_QUIET
    assert best.frequency_hz == pytest.approx(truth["natural_frequency_hz"], abs=2.0)


def test_quiet_height_is_where_the_ramp_says():
    scan, truth = scanned("heron-1-x.jpg"), TRUTH["heron-1-x.jpg"]
    ramp, size = scan.plan.ramp_of("x"), scan.plan.size
    steps = (truth["natural_frequency_hz"] - ramp.start) / ramp.step
    layer = ramp.first_layer + steps * ramp.layers_per_step
    expected = size.first_layer_mm + layer * size.layer_height_mm
    # ZV is quietest within 1 % of the natural frequency, one step and the interval aside
    hz_per_mm = ramp.step / ramp.layers_per_step / size.layer_height_mm
    slack = (0.01 * truth["natural_frequency_hz"] + 0.5) / hz_per_mm
    assert scan.quiet_height_mm == pytest.approx(expected, abs=slack)


def test_corners_given_by_hand_give_the_same_frequency():
    """Without the sheet: the face's corners as someone points at them, 2 px off."""
    name = "curlew-1-y.jpg"
    truth, by_sheet = TRUTH[name], scanned(name)
    off = np.random.default_rng(4).normal(0, 2, (4, 2))
    flush = Flush(corners_px=by_sheet.view.corners_px + off)
    scan = scan_photo(SAMPLES / name, plan=by_sheet.plan, axis=by_sheet.axis, flush=flush)
    assert scan.reference is Kind.CORNERS
    assert scan.verdict.outcome is Outcome.CALL
    frequency = scan.frequency_hz
    assert frequency.low <= truth["natural_frequency_hz"] <= frequency.high
    assert frequency.value == pytest.approx(truth["natural_frequency_hz"], abs=0.4)
    # the scale is the face's own size either way: neither much surer of it than with the sheet, nor
    # much less so
    assert frequency.half_width == pytest.approx(by_sheet.frequency_hz.half_width, rel=0.3)


def test_wall_without_ringing_gets_no_number():
    (name,) = [name for name, truth in TRUTH.items() if truth["natural_frequency_hz"] is None]
    scan = scanned(name)
    assert scan.verdict.outcome is Outcome.NO_CALL
    assert scan.verdict.reasons
