"""The sheet as a picture: rendered by PDFium, which shares no code with what drew it."""

import cv2
import numpy as np
import pypdfium2 as pdfium
from numpy.typing import NDArray

from ringscan import layout
from ringscan.layout import Paper

Picture = NDArray[np.uint8]

DPI = 600
PX_PER_MM = DPI / 25.4

ONE_PIXEL_MM = 1 / PX_PER_MM
"""0.042 mm. An edge found by thresholding is off by up to half of it, the place of a cut-out by
another half, and PDFium stretches the page to whole pixels, by up to one over the whole page. The
sheet's own claim is 0.1 mm."""


def rendered(pdf: bytes, page: int, dpi: float) -> Picture:
    document = pdfium.PdfDocument(pdf)
    try:
        bitmap = document[page].render(scale=dpi / 72, grayscale=True)
        return np.array(bitmap.to_numpy().squeeze())
    finally:
        document.close()


def to_px(mm: NDArray[np.float64], paper: Paper, px_per_mm: float) -> NDArray[np.float64]:
    """Sheet frame to picture, whose origin is the centre of its first pixel."""
    return (mm + np.array(paper.origin_mm)) * px_per_mm - 0.5


def window(picture: Picture, paper: Paper, box: tuple[float, float, float, float]) -> Picture:
    """The part of a 600 dpi picture within x0, y0, x1, y1 of the sheet."""
    x, y = paper.origin_mm
    x0, y0, x1, y1 = (np.array(box) + np.array([x, y, x, y])) * PX_PER_MM
    return picture[round(y0) : round(y1), round(x0) : round(x1)]


def found_corners(picture: Picture) -> dict[int, NDArray[np.float64]]:
    detector = cv2.aruco.CharucoDetector(layout.charuco_board())
    corners, ids, _, _ = detector.detectBoard(picture)
    if corners is None:
        return {}
    pairs = zip(np.ravel(ids).tolist(), np.reshape(corners, (-1, 2)), strict=True)
    return {number: place for number, place in pairs if number in layout.ring_corners()}
