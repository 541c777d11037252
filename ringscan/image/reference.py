"""Find the scan sheet in a picture: its chessboard corners, and the plan in its QR code."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NoReturn

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.errors import PlanError, SheetError
from ringscan.image.exposure import ill_lit
from ringscan.image.photo import Photo
from ringscan.image.recover import mapped, name_corners, px_per_mm
from ringscan.image.shrink import shrunk
from ringscan.layout import CODE_BOX, MARKER_MM, SQUARE_MM, charuco_board, ring_corners
from ringscan.plancode import SheetCode, decode_plan

SEARCH_LONG_SIDES_PX = (1600, 3200)
"""Least sizes at which markers are looked for, coarse first; corners are refined at full size."""
THRESHOLD_WINDOWS_PX = ((13, 13), (3, 23))
"""Of the pictures in black and white in which markers are looked for: one, or three 10 px apart."""
ENOUGH_CORNERS = 40
"""With fewer of the sheet's corners than this the finer size is tried as well."""
MIN_CORNERS = 12
FEWEST = 3
"""Fewer of the sheet's corners are no sign of a sheet: blur leaves one by chance."""
MIN_SPREAD_MM = 120.0
"""A pose needs corners on two sides of the tower at least."""
GATE_MM = 0.8
"""Corners off a common homography by more are outliers; lens and paper bend less than this."""
REFINE_SHARE = 0.8
"""Share of the gap between corner and marker that the refining window may reach into."""
CODE_MARGIN_MM = 6.0
CODE_CROP_PX_PER_MM = 16.0
"""A code of 45 modules on 30 mm then has over 10 px per module."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SheetView:
    """The scan sheet as seen in a picture.

    corners_px : chessboard corners in the picture, (n, 2)
    corners_mm : the same corners on the sheet as drawn, (n, 2)
    homography : from the sheet as drawn, mm, to the picture, px, (3, 3); lens distortion ignored
    left_out : number of corners seen that are more than GATE_MM off the plane of the others
    left_out_mm : by how much, along the sheet, their median; 0 if there are none
    repeated : number of markers beyond one of each kind: another sheet's
    """

    corners_px: NDArray[np.float64]
    corners_mm: NDArray[np.float64]
    homography: NDArray[np.float64]
    left_out: int = 0
    left_out_mm: float = 0.0
    repeated: int = 0

    def seen_px(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points of the sheet as drawn, (n, 2), are in the picture, in it or not."""
        return mapped(self.homography, points_mm)

    @property
    def code_px(self) -> NDArray[np.float64]:
        """Corners of the QR code in the picture, as drawn from the upper left one on, (4, 2)."""
        x0, y0, x1, y1 = CODE_BOX
        return self.seen_px(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))

    @property
    def found(self) -> int:
        """Number of corners found."""
        return len(self.corners_px)

    @property
    def px_per_mm(self) -> float:
        """Typical scale in the picture."""
        return px_per_mm(self.corners_mm, self.corners_px)


def find_sheet(photo: Photo) -> SheetView:
    """Find the sheet's chessboard corners.

    Raises
    ------
    SheetError
        If there are too few for a pose, or the picture is mirrored.
    """
    grey = photo.grey8()
    board = charuco_board()
    drawn_at = ring_corners()
    possible = len(drawn_at)
    best = np.empty((0, 2)), np.empty(0, dtype=np.int64), 0
    for long_side, windows in zip(SEARCH_LONG_SIDES_PX, THRESHOLD_WINDOWS_PX, strict=True):
        found = _detect(grey, board, long_side, windows)
        if len(found[1]) > len(best[1]):
            best = found
        if len(best[1]) >= ENOUGH_CORNERS:
            break
    corners, ids, repeated = best
    if len(ids) < MIN_CORNERS:
        _explain_failure(photo, grey, board, len(ids), possible)
    every_drawn = drawn = np.array([drawn_at[number] for number in ids.tolist()])
    every_corner, inside = corners, _gate(drawn, corners)
    drawn, corners = drawn[inside], corners[inside]
    _check_spread(photo, drawn, possible)
    corners = _refine(grey, drawn, corners)
    inside = _gate(drawn, corners)
    drawn, corners = drawn[inside], corners[inside]
    # what was no corner is drawn elsewhere by refining it
    _check_spread(photo, drawn, possible)
    homography = np.asarray(cv2.findHomography(drawn, corners, 0)[0], dtype=np.float64)
    far = np.linalg.norm(mapped(homography, every_drawn) - every_corner, axis=1)
    far_mm = far[far > GATE_MM * px_per_mm(drawn, corners)] / px_per_mm(drawn, corners)
    return SheetView(
        corners_px=corners,
        corners_mm=drawn,
        homography=homography,
        left_out=len(ids) - len(drawn),
        left_out_mm=float(np.median(far_mm)) if len(far_mm) else 0.0,
        repeated=repeated,
    )


def read_code(photo: Photo, view: SheetView) -> SheetCode | None:
    """Read the sheet's QR code; None if it cannot be read.

    Raises
    ------
    PlanError
        If in its place a code was read that is not a scan sheet's, or is damaged.
    """
    import zxingcpp

    qr_only = zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode)
    grey = photo.grey8()
    crop = _code_crop(grey, view)
    local = cv2.createCLAHE(clipLimit=4.0, tileGridSize=(4, 4)).apply(crop)
    refusal: PlanError | None = None
    for picture in (crop, local, grey):
        for found in zxingcpp.read_barcodes(picture, formats=qr_only):
            # asked for QR codes it also gives Micro QR codes, for which it takes what is blurred
            if found.format != zxingcpp.BarcodeFormat.QRCode:
                continue
            if picture is grey and not _in_place(found.position, view):
                continue
            try:
                return decode_plan(found.text)
            except PlanError as exc:
                refusal = exc
    if refusal is not None:
        raise PlanError(f"{photo.source}: {refusal}") from refusal
    return None


def _detect(
    grey: NDArray[np.uint8],
    board: cv2.aruco.CharucoBoard,
    long_side: int,
    windows: tuple[int, int],
) -> tuple[NDArray[np.float64], NDArray[np.int64], int]:
    """Chessboard corners, their numbers, and how many markers are seen repeatedly.

    They are found in the picture shrunk to `long_side` or more.
    """
    small, shrink = shrunk(grey, max(grey.shape) / long_side)
    charuco = cv2.aruco.CharucoParameters()
    charuco.minMarkers = 2
    markers_as = cv2.aruco.DetectorParameters()
    markers_as.adaptiveThreshWinSizeMin, markers_as.adaptiveThreshWinSizeMax = windows
    detector = cv2.aruco.CharucoDetector(board, charuco, markers_as)
    corners, ids, markers, marker_ids = detector.detectBoard(small)
    drawn_at = ring_corners()
    seen = {}
    if corners is not None and ids is not None:
        named = zip(np.ravel(ids).tolist(), np.reshape(corners, (-1, 2)), strict=True)
        seen = {number: place for number, place in named if number in drawn_at}
    if len(seen) < len(drawn_at) and marker_ids is not None:
        outlines = [np.reshape(marker, (4, 2)).astype(np.float64) for marker in markers]
        numbers = np.ravel(marker_ids).astype(int).tolist()
        for number, place in _unnamed(board, outlines, numbers, small):
            seen.setdefault(number, place)
    # pixel centres: the shrunk picture's (0, 0) covers several pixels of the full one
    full = (np.array(list(seen.values()), dtype=np.float64).reshape(-1, 2) + 0.5) / shrink - 0.5
    repeated = 0 if marker_ids is None else len(marker_ids) - len(np.unique(marker_ids))
    return full, np.array(list(seen), dtype=np.int64), repeated


def _unnamed(
    board: cv2.aruco.CharucoBoard,
    outlines: list[NDArray[np.float64]],
    marker_ids: list[int],
    grey: NDArray[np.uint8],
) -> Iterator[tuple[int, NDArray[np.float64]]]:
    """Corners that can be seen though a marker beside them is hidden, with their numbers."""
    on_board = dict(zip(np.ravel(board.getIds()).tolist(), board.getObjPoints(), strict=True))
    if not marker_ids:
        return
    drawn = np.concatenate([on_board[n][:, :2] for n in marker_ids]).astype(np.float64)
    seen = np.concatenate(outlines)
    places = ring_corners()
    found = name_corners(drawn, seen, np.array(list(places.values())), grey)
    for number, place in zip(places, found, strict=True):
        if np.isfinite(place).all():
            yield number, place


def _explain_failure(
    photo: Photo,
    grey: NDArray[np.uint8],
    board: cv2.aruco.CharucoBoard,
    found: int,
    possible: int,
) -> NoReturn:
    mirrored = np.ascontiguousarray(grey[:, ::-1])
    _, ids, _ = _detect(mirrored, board, SEARCH_LONG_SIDES_PX[0], THRESHOLD_WINDOWS_PX[1])
    if len(ids) >= max(MIN_CORNERS, 2 * found):
        raise SheetError(
            f"{photo.source}: the picture is mirrored; switch off the camera's mirroring, or use "
            f"the rear camera"
        )
    if found < FEWEST:
        raise SheetError(
            f"{photo.source}: no scan sheet in the picture, or "
            + (
                ill_lit(photo)
                or "it is blurred; print one with 'ringscan sheet', lay the tower on it and "
                "photograph the whole sheet, sharp"
            )
        )
    raise SheetError(
        f"{photo.source}: only {found} of the scan sheet's {possible} chessboard corners can be "
        f"seen, {MIN_CORNERS} are needed; "
        + (ill_lit(photo) or "show the whole sheet, sharp, flat and evenly lit")
    )


def _check_spread(photo: Photo, drawn: NDArray[np.float64], possible: int) -> None:
    spread = np.ptp(drawn, axis=0) if len(drawn) else np.zeros(2)
    if len(drawn) < MIN_CORNERS or spread.max() < MIN_SPREAD_MM or spread.min() < SQUARE_MM:
        raise SheetError(
            f"{photo.source}: too much of the scan sheet is hidden: the {len(drawn)} of {possible} "
            "chessboard corners that are seen lie close together; "
            + (ill_lit(photo) or "show the whole sheet, flat and evenly lit")
        )


def _gate(drawn: NDArray[np.float64], seen: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which corners lie on a common homography."""
    if len(drawn) < MIN_CORNERS:
        return np.zeros(len(drawn), dtype=bool)
    limit = GATE_MM * px_per_mm(drawn, seen)
    _, inside = cv2.findHomography(drawn, seen, cv2.USAC_MAGSAC, limit, maxIters=2000)
    if inside is None:
        return np.zeros(len(drawn), dtype=bool)
    mask: NDArray[np.bool_] = inside.ravel().astype(bool)
    return mask


def _refine(
    grey: NDArray[np.uint8], drawn: NDArray[np.float64], corners: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Corners to a small part of a pixel, at full size."""
    gap_px = (SQUARE_MM - MARKER_MM) / 2 * px_per_mm(drawn, corners)
    half = int(np.clip(REFINE_SHARE * gap_px, 3, 11))
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    start = corners.astype(np.float32).reshape(-1, 1, 2)
    fine = cv2.cornerSubPix(grey, start, (half, half), (-1, -1), criteria)
    return fine.reshape(-1, 2).astype(np.float64)


def _in_place(position: Any, view: SheetView) -> bool:
    """Whether a code lies where this sheet has its own: another sheet's says another plan."""
    corners = position.top_left, position.top_right, position.bottom_right, position.bottom_left
    x, y = np.mean([(corner.x, corner.y) for corner in corners], axis=0).tolist()
    return cv2.pointPolygonTest(view.code_px.astype(np.float32), (x, y), False) >= 0


def _code_crop(grey: NDArray[np.uint8], view: SheetView) -> NDArray[np.uint8]:
    """The QR code seen straight on, upright, with its quiet zone."""
    x0, y0, x1, y1 = CODE_BOX
    scale, margin = CODE_CROP_PX_PER_MM, CODE_MARGIN_MM
    size = (round((x1 - x0 + 2 * margin) * scale), round((y1 - y0 + 2 * margin) * scale))
    to_crop = np.array(
        [[scale, 0, (margin - x0) * scale], [0, scale, (margin - y0) * scale], [0, 0, 1.0]]
    )
    warp = to_crop @ np.linalg.inv(view.homography)
    return np.asarray(cv2.warpPerspective(grey, warp, size, flags=cv2.INTER_LINEAR), np.uint8)
