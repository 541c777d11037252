"""The sheet, printed by an independent renderer (PDFium) and measured as a picture."""

import hashlib
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest
import zxingcpp
from pages import DPI, ONE_PIXEL_MM, PX_PER_MM, Picture, found_corners, rendered, window
from plans import IMPULSES, plan_with

from ringscan import layout
from ringscan.errors import OutputError, PlanError
from ringscan.layout import Paper
from ringscan.make.sheet import sheet_pdf, write_sheet
from ringscan.plan import Axis, Plan
from ringscan.plancode import decode_plan, encode_plan


@pytest.fixture(scope="module")
def plan() -> Plan:
    return plan_with()


@pytest.fixture(scope="module", params=list(Paper))
def paper(request: pytest.FixtureRequest) -> Paper:
    value: Paper = request.param
    return value


@pytest.fixture(scope="module")
def pdf(plan: Plan, paper: Paper) -> bytes:
    return sheet_pdf(plan, paper)


@pytest.fixture(scope="module")
def page(pdf: bytes) -> Picture:
    return rendered(pdf, 0, DPI)


@pytest.fixture
def document(pdf: bytes) -> Iterator[pdfium.PdfDocument]:
    document = pdfium.PdfDocument(pdf)
    yield document
    document.close()


def test_one_page_per_axis_at_true_size(document: pdfium.PdfDocument, paper: Paper) -> None:
    # ISO 216 A4, and 8.5 × 11 inch (from memory); PDF units are 1/72 inch (ISO 32000)
    width, height = {Paper.A4: (210, 297), Paper.LETTER: (215.9, 279.4)}[paper]
    assert len(document) == 2
    for sheet in document:
        # 0.001 mm: the file holds three or more decimals of a point
        assert sheet.get_width() * 25.4 / 72 == pytest.approx(width, abs=1e-3)
        assert sheet.get_height() * 25.4 / 72 == pytest.approx(height, abs=1e-3)


def test_printers_are_asked_not_to_scale(document: pdfium.PdfDocument) -> None:
    assert not pdfium.raw.FPDF_VIEWERREF_GetPrintScaling(document.raw)


def test_fiducials_lie_where_the_layout_says(page: Picture, paper: Paper) -> None:
    found = found_corners(page)
    assert set(found) == set(layout.ring_corners())
    numbers = sorted(found)
    truth = np.array([layout.ring_corners()[n] for n in numbers])
    # PDFium stretches the page to a whole number of pixels: take that out
    px_per_mm = np.array(page.shape[::-1]) / np.array(paper.size_mm)
    seen = (np.array([found[n] for n in numbers]) + 0.5) / px_per_mm - np.array(paper.origin_mm)
    # OpenCV finds clean corners to 0.1 px or better; twice that is 0.008 mm
    assert np.abs(seen - truth).max() < 0.2 * ONE_PIXEL_MM


def test_check_line_measures_100_mm(page: Picture, paper: Paper) -> None:
    x0, x1, y = layout.CHECK_LINE
    # only the two end ticks reach this high
    band = window(page, paper, (x0 - 2, y - 1.95, x1 + 2, y - 1.6))
    dark = np.flatnonzero(band.mean(axis=0) < 128)
    ticks = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    assert len(ticks) == 2
    left, right = (tick.mean() for tick in ticks)
    assert (right - left) / PX_PER_MM == pytest.approx(100, abs=ONE_PIXEL_MM)
    assert (left + 0.5) / PX_PER_MM == pytest.approx(2, abs=2 * ONE_PIXEL_MM)  # crop and edge


@pytest.mark.parametrize("axis", ["x", "y"])
def test_code_is_read_at_two_and_a_half_pixels_per_module(
    pdf: bytes, plan: Plan, axis: Axis
) -> None:
    x0, _, x1, _ = layout.CODE_BOX
    modules = 41  # the largest code of 130 characters at level M: ISO/IEC 18004, from memory
    px_per_mm = 2.5 * modules / (x1 - x0)
    picture = rendered(pdf, plan.axes.index(axis), px_per_mm * 25.4)
    codes = zxingcpp.read_barcodes(picture)
    assert [code.format for code in codes] == [zxingcpp.BarcodeFormat.QRCode]
    assert codes[0].ec_level == "M"
    read = decode_plan(codes[0].text)
    assert read.plan == plan
    assert read.axis == axis


def test_code_of_the_longest_text_has_41_modules() -> None:
    # widths with more decimals until the text just fits
    tries = [{"size.width_mm": float("60." + "123456789012345"[:k])} for k in range(1, 16)]
    tries = [{"tower": "OYSTERCATC-9", "motion.speed_mm_s": 120.125} | one for one in tries]
    fitting = [p for p in map(plan_with, tries) if fits(p)]
    longest = max(fitting, key=lambda p: len(encode_plan(p, "y")))
    assert 128 <= len(encode_plan(longest, "y")) <= 130
    picture = rendered(sheet_pdf(longest, Paper.A4), 1, DPI)
    x0, y0, x1, _ = layout.CODE_BOX
    module = 30 / 41
    # row 7 of every code alternates dark and light between the two upper finder patterns
    row = window(picture, Paper.A4, (x0, y0 + 6.4 * module, x1, y0 + 6.6 * module)).mean(axis=0)
    changes = np.count_nonzero(np.diff((row < 128).astype(int)))
    assert changes == 41 - 14 + 1
    assert decode_plan(zxingcpp.read_barcodes(picture)[0].text).plan == longest


def fits(plan: Plan) -> bool:
    try:
        encode_plan(plan, "y")
    except PlanError:
        return False
    return True


def test_bars_and_outline(page: Picture, paper: Paper, plan: Plan) -> None:
    outline = layout.tower_outline(plan)
    x0, y0, _, y1 = layout.COMB_BOX
    column = window(page, paper, (50, y0, 52, y1)).mean(axis=1)
    edges = np.flatnonzero(np.diff((column < 128).astype(int))) + 1
    # whole bars of 3 mm every 6 mm, one of them centred on y = 144: 64.5, 67.5, 70.5 ... 223.5
    assert edges / PX_PER_MM + y0 == pytest.approx(np.arange(64.5, 224, 3), abs=1.5 * ONE_PIXEL_MM)
    bar = window(page, paper, (x0 - 2, 173, outline.left + 4, 175)).mean(axis=0)
    dark = np.flatnonzero(bar < 128)
    assert dark[0] / PX_PER_MM + x0 - 2 == pytest.approx(x0, abs=1.5 * ONE_PIXEL_MM)
    # the outline's line is 0.2 mm wide, half of it inside
    assert (dark[-1] + 1) / PX_PER_MM + x0 - 2 == pytest.approx(
        outline.left + 0.1, abs=1.5 * ONE_PIXEL_MM
    )
    above = window(page, paper, (95, 90, 97, outline.top + 3)).mean(axis=1)
    end = np.flatnonzero(above < 128)[-1] + 1
    assert end / PX_PER_MM + 90 == pytest.approx(outline.top + 0.1, abs=1.5 * ONE_PIXEL_MM)


def test_the_head_ends_where_it_is_said_to(page: Picture, paper: Paper) -> None:
    inner = layout.RING_SQUARES * layout.SQUARE_MM
    words = window(
        page,
        paper,
        (inner, layout.HEAD_BOTTOM_MM - 3, layout.WIDTH_MM - inner, layout.HEAD_BOTTOM_MM),
    )
    x0, y0, x1, _ = layout.COMB_BOX
    between = window(page, paper, (x0, layout.HEAD_BOTTOM_MM, x1, y0 - 2 * ONE_PIXEL_MM))
    assert words.min() < 128
    assert between.min() == 255


def test_ring_keeps_3_mm_of_white(page: Picture, paper: Paper) -> None:
    assert darkest_beside_the_ring(page, paper) == 255


def test_long_words_stay_on_their_place() -> None:
    ramp = {
        "quantity": "damping_ratio",
        "frequency_hz": 433.25,
        "first_layer": 1000,
        "last_layer": 3999,
        "start": 0.1375,
        "step": 0.0001,
    }
    plan = plan_with(
        {
            "tower": "WWWWWWWWWWWW",
            "size.layers": 4000,
            "size.first_layer_mm": 0.03,
            "size.layer_height_mm": 0.03,
            "shaper": IMPULSES | {"amplitudes": [0.5, 0.5], "times_in_periods": [0, 0.5]},
            "ramp": {"x": ramp},
            "motion.acceleration_mm_s2": 12500,
        }
    )
    page = rendered(sheet_pdf(plan, Paper.A4), 0, DPI)
    assert darkest_beside_the_ring(page, Paper.A4) == 255
    # between the label and the mark of the axis, and right of the words
    assert window(page, Paper.A4, (140.5, 27, 141.5, 36)).min() == 255
    assert window(page, Paper.A4, (164.5, 27, 168, 52)).min() == 255


def darkest_beside_the_ring(page: Picture, paper: Paper) -> int:
    """Grey value in the 3 mm inside and outside the ring, less two pixels for rounding."""
    hair = 2 * ONE_PIXEL_MM
    inner, outer = (24 + hair, 24 + hair, 168 - hair, 228 - hair), (27.0, 27.0, 165.0, 225.0)
    boxes = (
        (inner[0], inner[1], inner[2], outer[1] - hair),
        (inner[0], outer[3] + hair, inner[2], inner[3]),
        (inner[0], inner[1], outer[0] - hair, inner[3]),
        (outer[2] + hair, inner[1], inner[2], inner[3]),
        (-3, -3, 195, -hair),
        (-3, 252 + hair, 195, 255),
        (-3, -3, -hair, 255),
        (192 + hair, -3, 195, 255),
    )
    return min(int(window(page, paper, box).min()) for box in boxes)


@pytest.mark.parametrize("dpi", [73, 97, 143, 331])
def test_no_hairlines_between_rows_of_modules(plan: Plan, dpi: float) -> None:
    picture = rendered(sheet_pdf(plan, Paper.A4), 0, dpi)
    module = 30 / 37
    x, y = np.array(layout.CODE_BOX[:2]) + np.array(Paper.A4.origin_mm)
    pixel = 25.4 / dpi
    # the dark middle of a finder pattern: three rows of modules, less a pixel all round
    low = np.ceil((np.array([x, y]) + 2 * module + pixel) / pixel).astype(int)
    high = np.floor((np.array([x, y]) + 5 * module - pixel) / pixel).astype(int)
    middle = picture[low[1] : high[1], low[0] : high[0]]
    assert middle.size > 0
    assert middle.max() == 0


@pytest.mark.parametrize(
    ("direction", "side"), [("counter-clockwise", "left"), ("clockwise", "right")]
)
def test_words_stand_where_they_belong(direction: str, side: str) -> None:
    plan = plan_with({"motion.direction": direction})
    outline = layout.tower_outline(plan)
    document = pdfium.PdfDocument(sheet_pdf(plan, Paper.A4))
    text = document[1].get_textpage()

    def places(words: str, turned: bool) -> list[tuple[float, float]]:
        """Centres, in the sheet frame, of the words where they run along or up the page."""
        searcher, found = text.search(words, match_case=True), []
        while (hit := searcher.get_next()) is not None:
            boxes = np.array([text.get_charbox(hit[0] + k) for k in range(hit[1])]) * 25.4 / 72
            low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
            if (np.diff(high - low)[0] > 0) == turned:
                x, y = (low + high) / 2
                found.append((x - Paper.A4.origin_mm[0], 297 - y - Paper.A4.origin_mm[1]))
        return found

    [(x, _)] = places("entry edge", turned=True)
    distance = x - outline.left if side == "left" else outline.right - x
    assert 0 < distance < 15  # mm: beside its edge
    [(x, y)] = [place for place in places("base", turned=False) if place[1] > 170]
    assert x == pytest.approx(96, abs=1)
    assert 0 < outline.bottom - y < 20
    (left, _), (right, _) = sorted(places("lamp", turned=True))
    assert 26 < left < 36
    assert 156 < right < 166
    everything = " ".join(text.get_text_range().split())
    document.close()
    for part in ("HERON-3", "Y axis", "15 to 54.8 Hz in 200 steps", "3000 mm/s²", direction):
        assert part in everything
    assert encode_plan(plan, "y") in everything


def test_same_input_gives_the_same_bytes(plan: Plan, pdf: bytes, paper: Paper) -> None:
    assert sheet_pdf(plan, paper) == pdf
    # another process, with another hash seed, time zone and locale
    script = (
        "import sys, hashlib; from ringscan.plan import parse_plan; "
        "from ringscan.layout import Paper; from ringscan.make.sheet import sheet_pdf; "
        "p = sheet_pdf(parse_plan(sys.stdin.read()), Paper(sys.argv[1])); "
        "print(hashlib.sha256(p).hexdigest())"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, paper.value],
        input=plan.to_toml(),
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo", "LC_ALL": "C"},
    )
    assert run.stdout.strip() == hashlib.sha256(pdf).hexdigest()


def test_sheets_of_other_plans_differ(plan: Plan, pdf: bytes, paper: Paper) -> None:
    assert sheet_pdf(plan_with({"motion.speed_mm_s": 121}), paper) != pdf


def test_write_sheet(tmp_path: Path, plan: Plan) -> None:
    write_sheet(plan, tmp_path / "sheet.pdf", Paper.A4)
    assert (tmp_path / "sheet.pdf").read_bytes() == sheet_pdf(plan, Paper.A4)
    with pytest.raises(OutputError):
        write_sheet(plan, tmp_path / "nowhere" / "sheet.pdf", Paper.A4)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"size.width_mm": 90}, "does not fit the scan sheet; 24 to 80"),
        (
            {"size.width_mm": 60.12345678901234, "motion.speed_mm_s": 99.12345678901},
            "the scan sheet's code",
        ),
    ],
)
def test_plan_that_does_not_fit_writes_nothing(
    tmp_path: Path, changes: dict[str, float], said: str
) -> None:
    with pytest.raises(PlanError, match=said):
        write_sheet(plan_with(changes), tmp_path / "sheet.pdf", Paper.A4)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    "changes",
    [
        {"size.width_mm": 24, "size.layers": 450},
        {"size.layer_height_mm": 0.03, "size.first_layer_mm": 0.03},
        {"size.width_mm": 80, "size.layers": 599},
    ],
)
def test_towers_of_all_sizes_have_a_sheet(changes: dict[str, float]) -> None:
    plan = plan_with(changes)
    picture = rendered(sheet_pdf(plan, Paper.LETTER), 0, 150)
    assert decode_plan(zxingcpp.read_barcodes(picture)[0].text).plan == plan
    assert len(found_corners(picture)) == 66
