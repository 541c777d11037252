"""Towers laid down otherwise: read as they lie where that is plain, else never called."""

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from ringing import RingingScene

import ringscan.scan
from ringscan.errors import FaceError
from ringscan.look import READ_TURNED
from ringscan.model.verdict import Outcome
from ringscan.scan import Scan, scan_photo

SAMPLES = Path(__file__).parents[1] / "sample_images"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))


def scanned(name: str, order: list[int], folder: Path) -> Scan:
    """A sample image with its face moved onto itself, corner k to where corner order[k] was."""
    with Image.open(SAMPLES / name) as image:
        pixels, exif = np.asarray(image), image.getexif()
    corners = np.array(TRUTH[name]["face_corners_px"], np.float32)
    move = cv2.getPerspectiveTransform(corners, corners[order])
    size = (pixels.shape[1], pixels.shape[0])
    moved = cv2.warpPerspective(pixels, move, size, flags=cv2.INTER_CUBIC)
    face = np.zeros(pixels.shape[:2], np.uint8)
    cv2.fillConvexPoly(face, corners.astype(np.int32), 1)
    out = folder / "moved.jpg"
    result = np.where(face[..., None] > 0, moved, pixels)
    Image.fromarray(result).save(out, quality=95, exif=exif)
    return scan_photo(out)


def test_a_tower_with_its_base_away_is_read_turned(tmp_path: Path) -> None:
    scan = scanned("finch-3-y.jpg", [2, 3, 0, 1], tmp_path)
    truth = TRUTH["finch-3-y.jpg"]
    assert scan.verdict.outcome is Outcome.CALL
    assert any("turned by 180°" in flag for flag in scan.flags)
    # what is promised of the picture itself; the corners are taken from the truth, not the fit
    assert scan.frequency_hz.value == pytest.approx(truth["natural_frequency_hz"], abs=0.5)
    assert scan.damping_ratio.value == pytest.approx(truth["damping_ratio"], abs=0.008)


def test_a_scene_with_its_base_away_is_read_turned(tmp_path: Path) -> None:
    scene = RingingScene(yaw_deg=181.5)
    path = tmp_path / "turned.jpg"
    Image.fromarray(scene.render()).save(path, quality=92)
    scan = scan_photo(path)
    assert scan.verdict.outcome is Outcome.CALL
    assert READ_TURNED in scan.flags
    found, true = scan.frequency_hz, scene.frequency_hz
    assert abs(found.value - true) < found.half_width
    assert found.half_width < 0.02 * true
    off_mm = (scan.view.corners_px - scene.corners_px) / scan.view.px_per_mm
    assert np.abs(off_mm).max() < 0.25


def test_an_entry_edge_on_the_other_side_is_named_and_not_called(tmp_path: Path) -> None:
    scan = scanned("finch-3-y.jpg", [1, 0, 3, 2], tmp_path)
    assert scan.verdict.outcome is not Outcome.CALL
    assert any("start at the other edge" in reason for reason in scan.verdict.reasons)


@pytest.mark.parametrize("step", ["measure_bands", "measure"])
def test_a_second_reading_that_fails_leaves_the_first(
    monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """The blank sample is no call, so that it is read the other way up as well."""
    path = SAMPLES / "wren-5-y.jpg"
    first = scan_photo(path)
    real, calls = getattr(ringscan.scan, step), []

    def fails_later(*given: Any, **options: Any) -> Any:
        calls.append(given)
        if len(calls) > 1:
            raise FaceError("too dark")
        return real(*given, **options)

    monkeypatch.setattr(ringscan.scan, step, fails_later)
    again = scan_photo(path)
    assert len(calls) == 2
    assert again.verdict == first.verdict
