"""The scan sheet: a printed page that carries fiducials, the plan and the tower's place.

Everything is drawn as vectors in the frame of ringscan.layout, at true scale.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from math import cos, pi, sin
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ringscan import layout
from ringscan.layout import Outline, Paper
from ringscan.make.page import MM, Page, Rect
from ringscan.make.shaped import require_shaper
from ringscan.output import write_whole
from ringscan.plan import Axis, Family, Plan, Quantity
from ringscan.plancode import encode_plan

CLEAR_MM = 3.0
"""White kept between the ring and anything else, so that no corner is disturbed."""

GREY = 0.25
BOLD = "Helvetica-Bold"
MIN_GUIDE_PT = 4.5
"""Smaller print is not readable; a tower too small for the guide goes without."""


def write_sheet(plan: Plan, path: Path, paper: Paper) -> None:
    """Write the plan's scan sheet as PDF.

    Raises
    ------
    PlanError
        If the tower or the plan's code does not fit the sheet, or the shaper does not exist.
    OutputError
        If the file cannot be written.
    """
    write_whole(path, sheet_pdf(plan, paper))


def sheet_pdf(plan: Plan, paper: Paper) -> bytes:
    """Return the plan's scan sheet as PDF, one page per axis that has a ramp.

    The same plan and paper give the same bytes.

    Raises
    ------
    PlanError
        If the tower or the plan's code does not fit the sheet, or the shaper does not exist.
    """
    from reportlab.pdfgen.canvas import Canvas

    require_shaper(plan)
    outline = layout.tower_outline(plan)
    file = io.BytesIO()
    width_mm, height_mm = paper.size_mm
    canvas = Canvas(file, pagesize=(width_mm * MM, height_mm * MM), invariant=1)
    canvas.setTitle(f"Scan sheet of tower {plan.tower}")
    canvas.setCreator("ringscan")
    canvas.setViewerPreference("PrintScaling", "None")
    for axis in plan.axes:
        page = Page(canvas, paper)
        page.fill(_ring())
        page.fill(layout.comb_bars(outline))
        _draw_head(page, plan, axis)
        _draw_check_line(page)
        _draw_lamps(page)
        _draw_tower_place(page, plan, axis, outline)
        _draw_foot(page, paper)
        canvas.showPage()
    canvas.save()
    return file.getvalue()


def _ring() -> Iterator[Rect]:
    """Black squares and the black cells of the markers."""
    import cv2

    side, margin = layout.SQUARE_MM, (layout.SQUARE_MM - layout.MARKER_MM) / 2
    for row, column in layout.drawn_squares():
        if (row + column) % 2 == 0:
            yield (column * side, row * side, (column + 1) * side, (row + 1) * side)
    dictionary = layout.charuco_board().getDictionary()
    cells = dictionary.markerSize + 2
    for number, (row, column) in enumerate(layout.marker_squares()):
        image = cv2.aruco.generateImageMarker(dictionary, number, cells)
        corner = (column * side + margin, row * side + margin)
        yield from _dark_runs(np.asarray(image) == 0, corner, layout.MARKER_MM)


def _dark_runs(dark: NDArray[np.bool_], corner: tuple[float, float], side: float) -> Iterator[Rect]:
    """Rectangles, one per run of dark cells in a row, of a square pattern."""
    x, y = corner
    cell = side / len(dark)
    for i, row in enumerate(dark):
        edges = np.flatnonzero(np.diff(np.concatenate(([0], row.astype(int), [0]))))
        for a, b in edges.reshape(-1, 2).tolist():
            yield (x + a * cell, y + i * cell, x + b * cell, y + (i + 1) * cell)


def _draw_head(page: Page, plan: Plan, axis: Axis) -> None:
    """The code, and what it says in words."""
    import zxingcpp

    text = encode_plan(plan, axis)
    code = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    modules = np.array(code.to_image(scale=1, add_quiet_zones=False))
    x0, y0, x1, _ = layout.CODE_BOX
    page.fill(_dark_runs(modules == 0, (x0, y0), x1 - x0))

    left, right = layout.CHECK_LINE[:2]
    room = right - left
    page.text(left, 33.0, plan.tower, 20, font=BOLD, room_mm=room - 24)
    page.fill([(right - 22, 27.0, right, 34.5)])
    page.text(right - 11, 32.4, f"{axis.upper()} axis", 14, font=BOLD, grey=1, centred=True)
    for y, words in zip((38.0, 41.5), summary(plan, axis), strict=True):
        page.text(left, y, words, 8, room_mm=room)
    half = text.rfind(" ", 0, len(text) // 2 + 6)
    for y, words in zip((45.4, 48.0), (text[:half], text[half + 1 :]), strict=True):
        page.text(left, y, words, 6, font="Courier-Bold", grey=GREY, room_mm=room)


def summary(plan: Plan, axis: Axis) -> tuple[str, str]:
    """Two lines for people: what was commanded, and how the tower was printed."""
    ramp, shaper, motion = plan.ramp_of(axis), plan.shaper, plan.motion
    family = (
        f"list of {len(shaper.amplitudes)} impulses"
        if shaper.family is Family.LIST
        else f"{shaper.family} shaper"
    )
    if ramp.quantity is Quantity.FREQUENCY:
        swept = f"{ramp.start:g} to {ramp.end:g} Hz"
        fixed = f"damping ratio {shaper.damping_ratio:g}"
    else:
        swept = f"damping ratio {ramp.start:g} to {ramp.end:g}"
        fixed = f"{ramp.frequency_hz:g} Hz"
    commanded = (
        f"{swept} in {ramp.steps} steps, layers {ramp.first_layer} to {ramp.last_layer}, "
        f"{family}, {fixed}"
    )
    printed = (
        f"{motion.speed_mm_s:g} mm/s, {motion.acceleration_mm_s2:g} mm/s², corner "
        f"{motion.corner_speed_mm_s:g} mm/s, {motion.direction}, "
        f"{plan.size.width_mm:g} × {plan.height_mm:g} mm"
    )
    return commanded, printed


def _draw_check_line(page: Page) -> None:
    x0, x1, y = layout.CHECK_LINE
    thin = 0.2
    tall = {0: 2.0, 50: 1.5}
    ticks = []
    for k in range(0, 101, 10):
        x, half = x0 + k * (x1 - x0) / 100, tall.get(k % 100, 1.0)
        ticks.append((x - thin / 2, y - half, x + thin / 2, y + half))
    page.fill([(x0, y - thin / 2, x1, y + thin / 2), *ticks])
    page.text(
        (x0 + x1) / 2,
        y + 4.6,
        "Check line: 100 mm between the end ticks. If it measures otherwise, tell ringscan.",
        7,
        centred=True,
    )


def _draw_lamps(page: Page) -> None:
    """A lamp mark left and right, in the strip between ring and comb."""
    inner = layout.RING_SQUARES * layout.SQUARE_MM + CLEAR_MM
    y = layout.TOWER_CENTRE[1]
    for x, side in ((inner + 4.5, 1), (layout.WIDTH_MM - inner - 4.5, -1)):
        page.disc(x, y, 1.8)
        for k in range(8):
            dx, dy = cos(k * pi / 4), sin(k * pi / 4)
            page.line((x + 2.4 * dx, y + 2.4 * dy), (x + 4 * dx, y + 4 * dy), 0.5)
        turn = side * 90.0
        page.text(x + side * 1.5, y - 16, "lamp", 16, font=BOLD, centred=True, turn=turn)
        words = "low, on this side or the other"
        page.text(x + side * 1.0, y + 26, words, 8, centred=True, turn=turn)


def _draw_tower_place(page: Page, plan: Plan, axis: Axis, outline: Outline) -> None:
    """The outline, and inside it what the user reads before the tower covers it."""
    page.frame((outline.left, outline.top, outline.right, outline.bottom), 0.2)
    width, height = outline.right - outline.left, outline.bottom - outline.top
    unit = min(width / 60, height / 90)  # the drawing is designed for 60 × 90 mm

    x, tip = (outline.left + outline.right) / 2, outline.bottom - 1.5 * unit
    page.polygon([(x, tip), (x - 4 * unit, tip - 5 * unit), (x + 4 * unit, tip - 5 * unit)])
    page.text(x, tip - 7 * unit, "base", 24 * unit, font=BOLD, centred=True)

    entry_left = plan.motion.entry_left
    edge, inward = (outline.left, unit) if entry_left else (outline.right, -unit)
    tip, y = edge + 1.5 * inward, (outline.top + outline.bottom) / 2
    page.polygon([(tip, y), (tip + 5 * inward, y - 4 * unit), (tip + 5 * inward, y + 4 * unit)])
    turn = 90.0 if entry_left else -90.0
    words = "entry edge"
    page.text(tip + 11.5 * inward, y, words, 20 * unit, font=BOLD, centred=True, turn=turn)

    left, right = outline.left + 3 * unit, outline.right - 3 * unit
    left, right = (left + 14.5 * unit, right) if entry_left else (left, right - 14.5 * unit)
    _draw_guide(page, axis, (left, outline.top + 3 * unit, right, outline.bottom - 18.5 * unit))


def _guide(axis: Axis) -> list[str]:
    return [
        "Print at 100 %, 'actual size'. Measure the check line.",
        f"Lay the tower here, on its back: {axis.upper()} face up, base and entry edge at the "
        f"arrows.",
        "One lamp, low, at the left or the right. No flash, no light from above, other lights off.",
        "Phone above, parallel to the page, the whole ring in view: from about 30 cm with 1×, "
        "farther with 2×.",
        "The code carries the plan: the photo needs nothing else.",
    ]


def _draw_guide(page: Page, axis: Axis, box: Rect) -> None:
    """Write the capture guide as large as it fits the box; leave it out where it cannot be read."""
    from reportlab.lib.utils import simpleSplit

    x0, y0, x1, y1 = box
    for size in np.arange(10, MIN_GUIDE_PT - 0.1, -0.5).tolist():
        indent, leading = 1.3 * size / MM, 1.2 * size / MM
        wrapped = [
            simpleSplit(step, "Helvetica", size, (x1 - x0 - indent) * MM) for step in _guide(axis)
        ]
        lines = sum(map(len, wrapped)) + 0.5 * (len(wrapped) - 1)
        if lines * leading <= y1 - y0:
            break
    else:
        return
    y = y0
    for number, step in enumerate(wrapped, 1):
        page.text(x0, y + 0.8 * leading, f"{number}", size, font=BOLD)
        for line in step:
            page.text(x0 + indent, y + 0.8 * leading, line, size)
            y += leading
        y += 0.5 * leading


def _draw_foot(page: Page, paper: Paper) -> None:
    name = {Paper.A4: "A4", Paper.LETTER: "US Letter"}[paper]
    words = f"ringscan scan sheet, {name}. Print at 100 % ('actual size'), not 'fit to page'."
    page.text(layout.WIDTH_MM / 2, layout.HEIGHT_MM + 5.5, words, 7, grey=GREY, centred=True)
