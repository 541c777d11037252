"""The photo with all that was found drawn on it: outline, bands' ripple, quiet band."""

from __future__ import annotations

import io
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from PIL.PngImagePlugin import PngInfo

from ringscan.image.photo import MARKED_BY, Photo, read_photo
from ringscan.model.verdict import Outcome
from ringscan.output import write_whole
from ringscan.scan import Scan

LONGEST_SIDE_PX = 2000
"""Size of the marked picture: enough to see ripples, small enough to send."""

OUTLINE = (0, 158, 115)
MEASURED = (240, 228, 66)
FITTED = (86, 180, 233)
QUIET = (204, 121, 167)
"""Colours that the colour-blind can tell apart (Okabe & Ito)."""

Colour = tuple[int, int, int]

DOT_PX = 4
"""Radius of a band's point."""

REACH = 0.4
"""Share of the face's width that a ripple as large as the unshaped one is drawn with."""


def write_marked(photo_path: Path, scan: Scan, out: Path, *, max_megapixels: float = 400) -> None:
    """Write the marked photo, as JPEG where the name says so, else as PNG.

    Raises OutputError, or PhotoError if the photo is gone.
    """
    picture = draw_marked(read_photo(photo_path, max_megapixels=max_megapixels), scan)
    buffer = io.BytesIO()
    kind = "JPEG" if out.suffix.lower() in (".jpg", ".jpeg") else "PNG"
    tag = PngInfo()
    tag.add_text("Comment", MARKED_BY)
    picture.save(buffer, format=kind, quality=92, comment=MARKED_BY, pnginfo=tag)
    write_whole(out, buffer.getvalue())


def draw_marked(photo: Photo, scan: Scan) -> Image.Image:
    """Return the upright photo, reduced, with outline, ripple of every band and quiet band."""
    scale = min(1.0, LONGEST_SIDE_PX / max(photo.width_px, photo.height_px))
    size = (round(photo.width_px * scale), round(photo.height_px * scale))
    picture = _resized(photo.grey8(), size).convert("RGB")
    if photo.half_rgb is not None:
        _, *colour = _resized(photo.half_rgb, size).convert("YCbCr").split()
        picture = Image.merge("YCbCr", [picture.convert("L"), *colour]).convert("RGB")
    draw = ImageDraw.Draw(picture)
    pen = _Pen(draw=draw, scan=scan, scale=scale)
    _draw_outline(pen)
    _draw_ripple(pen)
    _draw_quiet(pen)
    _draw_caption(pen, picture.size)
    return picture


def _resized(pixels: NDArray[np.uint8], size: tuple[int, int]) -> Image.Image:
    return Image.fromarray(pixels).resize(size, Image.Resampling.LANCZOS)


class _Pen:
    """Draws lines given in the face's frame."""

    def __init__(self, *, draw: ImageDraw.ImageDraw, scan: Scan, scale: float) -> None:
        self.draw, self.scan, self.scale = draw, scan, scale

    def points(
        self, s_mm: NDArray[np.float64], z_mm: NDArray[np.float64]
    ) -> list[tuple[float, float]]:
        """Face points in the reduced picture's pixels."""
        # half a pixel each way: centres of pixels are at whole numbers in both pictures
        px = (self.scan.view.to_px(s_mm, z_mm) + 0.5) * self.scale - 0.5
        return [(float(x), float(y)) for x, y in px]

    def line(self, s_mm: object, z_mm: object, colour: Colour, width: int) -> None:
        """Draw a polyline with a dark rim, so that it shows on any filament."""
        s, z = np.broadcast_arrays(np.asarray(s_mm, float), np.asarray(z_mm, float))
        points = self.points(s.ravel(), z.ravel())
        self.draw.line(points, fill=(0, 0, 0), width=width + 2, joint="curve")
        self.draw.line(points, fill=colour, width=width, joint="curve")

    def dots(self, s_mm: NDArray[np.float64], z_mm: NDArray[np.float64], colour: Colour) -> None:
        """Draw points with a dark rim."""
        for x, y in self.points(s_mm, z_mm):
            self.draw.circle((x, y), DOT_PX, fill=colour, outline=(0, 0, 0))

    def text(self, at: tuple[float, float], words: str, colour: Colour) -> None:
        """Write words with a rim at a point of the reduced picture."""
        font = ImageFont.load_default(size=30)
        self.draw.text(at, words, fill=colour, font=font, stroke_width=3, stroke_fill=(0, 0, 0))


def _draw_outline(pen: _Pen) -> None:
    w, h = pen.scan.view.width_mm, pen.scan.view.height_mm
    along = np.linspace(0, 1, 30)
    zero, one = np.zeros_like(along), np.ones_like(along)
    s = w * np.concatenate([along, one, along[::-1], zero])
    z = h * np.concatenate([zero, along, one, along[::-1]])
    pen.line(s, z, OUTLINE, 3)
    pen.line([0, 0], [0, h], OUTLINE, 7)


def _draw_ripple(pen: _Pen) -> None:
    scan, w = pen.scan, pen.scan.view.width_mm
    if scan.verdict.outcome is Outcome.NO_CALL:
        return  # there is nothing that ripples could be relative to
    z = scan.bands.height_mm
    pen.line([w / 2, w / 2], [z.min(), z.max()], (255, 255, 255), 1)
    breaks = np.flatnonzero(scan.bands.state[1:] != scan.bands.state[:-1]) + 1
    for part in np.split(np.arange(z.size), breaks):
        measured = np.clip(scan.ripple.signed[part], -1.2, 1.2)
        fitted = scan.ripple.fitted[part] * np.where(scan.ripple.turned[part], -1, 1)
        pen.line(w / 2 + REACH * w * np.clip(fitted, -1.2, 1.2), z[part], FITTED, 4)
        pen.dots(w / 2 + REACH * w * measured, z[part], MEASURED)


def _draw_quiet(pen: _Pen) -> None:
    scan = pen.scan
    if scan.verdict.outcome is not Outcome.CALL or math.isnan(scan.quiet_height_mm):
        return
    w = scan.view.width_mm
    pen.line([-0.06 * w, 1.06 * w], [scan.quiet_height_mm] * 2, QUIET, 4)
    (at,) = pen.points(np.array([1.08 * w]), np.array([scan.quiet_height_mm]))
    pen.text(at, f"quiet at {scan.quiet_height_mm:.1f} mm", QUIET)


def _draw_caption(pen: _Pen, size: tuple[int, int]) -> None:
    scan = pen.scan
    title = f"{scan.plan.tower}  axis {scan.axis.upper()}: {scan.verdict.outcome.value}"
    if scan.verdict.outcome is Outcome.CALL:
        f, z = scan.frequency_hz, scan.damping_ratio
        title += (
            f"   {f.value:.2f} Hz ({f.low:.2f} to {f.high:.2f})"
            f"   damping ratio {z.value:.3f} ({z.low:.3f} to {z.high:.3f})"
        )
    pen.text((20, 15), title, (255, 255, 255))
    legend = [("face; thick: entry edge", OUTLINE)]
    if scan.verdict.outcome is not Outcome.NO_CALL:
        legend += [("ripple measured, per band", MEASURED), ("ripple fitted", FITTED)]
    for i, (words, colour) in enumerate(reversed(legend)):
        pen.text((20, size[1] - 50 - 38 * i), words, colour)
