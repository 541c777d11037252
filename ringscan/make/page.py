"""A PDF page that is drawn on in the scan sheet's frame: mm, x to the right, y down."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from ringscan.layout import Paper

MM = 72 / 25.4
"""PDF points per mm."""

Rect = tuple[float, float, float, float]
"""x0, y0, x1, y1 with x0 < x1 and y0 < y1."""


class Page:
    """A PDF page in the sheet's frame: mm, y down. Text sizes are in points."""

    def __init__(self, canvas: Any, paper: Paper) -> None:
        self._canvas = canvas
        self._left, top = paper.origin_mm
        self._top = paper.size_mm[1] - top

    def point(self, x: float, y: float) -> tuple[float, float]:
        """Return the place in PDF points."""
        return (self._left + x) * MM, (self._top - y) * MM

    def fill(self, rects: Iterable[Rect], grey: float = 0.0) -> None:
        """Fill all rectangles as one path: viewers show hairlines between separate ones."""
        path = self._canvas.beginPath()
        for x0, y0, x1, y1 in rects:
            path.rect(*self.point(x0, y1), (x1 - x0) * MM, (y1 - y0) * MM)
        self._canvas.setFillGray(grey)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def polygon(self, points: Sequence[tuple[float, float]]) -> None:
        """Fill a polygon."""
        path = self._canvas.beginPath()
        path.moveTo(*self.point(*points[0]))
        for corner in points[1:]:
            path.lineTo(*self.point(*corner))
        path.close()
        self._canvas.setFillGray(0)
        self._canvas.drawPath(path, stroke=0, fill=1)

    def line(self, start: tuple[float, float], end: tuple[float, float], line_mm: float) -> None:
        """Draw a straight line."""
        self._canvas.setLineWidth(line_mm * MM)
        self._canvas.setStrokeGray(0)
        self._canvas.line(*self.point(*start), *self.point(*end))

    def frame(self, rect: Rect, line_mm: float) -> None:
        """Draw a rectangle's outline, centred on its edges."""
        x0, y0, x1, y1 = rect
        self._canvas.setLineWidth(line_mm * MM)
        self._canvas.setStrokeGray(0)
        self._canvas.rect(*self.point(x0, y1), (x1 - x0) * MM, (y1 - y0) * MM)

    def disc(self, x: float, y: float, radius: float) -> None:
        """Fill a circle."""
        self._canvas.setFillGray(0)
        self._canvas.circle(*self.point(x, y), radius * MM, stroke=0, fill=1)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float,
        *,
        font: str = "Helvetica",
        grey: float = 0.0,
        centred: bool = False,
        turn: float = 0.0,
        room_mm: float | None = None,
    ) -> None:
        """Write on the baseline from (x, y), or centred there, turned counter-clockwise.

        Words longer than `room_mm` are written smaller.
        """
        canvas = self._canvas
        if room_mm is not None:
            size *= min(1.0, room_mm * MM / canvas.stringWidth(words, font, size))
        canvas.saveState()
        canvas.translate(*self.point(x, y))
        canvas.rotate(turn)
        canvas.setFillGray(grey)
        canvas.setFont(font, size)
        (canvas.drawCentredString if centred else canvas.drawString)(0, 0, words)
        canvas.restoreState()
