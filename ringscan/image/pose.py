"""The camera: where it stood over the sheet, its focal length, and one term of lens distortion."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.errors import SheetError
from ringscan.image.camera import Camera
from ringscan.image.descent import descend
from ringscan.image.hindrance import misplaced
from ringscan.image.photo import FILM_DIAGONAL_MM, Photo
from ringscan.image.reference import SheetView
from ringscan.layout import require_check_line

EXIF_FOCAL_SD = 0.05
"""Relative: makers round the 35 mm equivalent and relate it to different diagonals."""
USUAL_FOCAL_MM = 26.8
USUAL_FOCAL_SD = 0.15
"""Main cameras of phones: 24 to 30 mm equivalent; a crop makes it longer (common practice)."""
K1_SD = 0.03
"""Phones correct their pictures: what is left is a per cent or so at the corners."""
CENTRE_SD = 0.01
"""Of the principal point, in diagonals: lenses are centred to less, but pictures are cropped."""
CORNER_SD_PX = 0.3
"""Of a refined corner in a real picture, with a sheet that is not quite flat."""
STRETCH_SD = 0.002
"""Printers feed paper a little more or less than they draw across it (common practice)."""
MAX_TILT_DEG = 50.0
UNEVEN_SHARE, UNEVEN_MM = 0.1, 0.1
"""Of corners off the plane, and rms of the rest: flat sheets in rendered pictures have .02 and
.018 mm, sides that rise by 2 mm make .19 mm of it, and more than that loses a quarter of them."""
MAX_LEFT_OUT_MM = 3.0
"""Sides that rise by 8 mm are seen off by 2.4 mm at most, and the face is still found; at 16 mm,
3.2 mm and more, also the bars around the tower are bent, and it may be found in the wrong place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the picture file says of the camera.

    source : name of the file
    size_px : width and height
    ln_focal, ln_focal_sd : ln(focal length in px) and its standard deviation
    """

    source: str
    size_px: tuple[int, int]
    ln_focal: float
    ln_focal_sd: float

    @property
    def miss_slopes(self) -> NDArray[np.float64]:
        """Slopes of `misses` with the parameters, (5, 11)."""
        slopes = np.zeros((5, 11))
        sds = [self.ln_focal_sd, K1_SD, STRETCH_SD, CENTRE_SD, CENTRE_SD]
        slopes[np.arange(5), np.arange(6, 11)] = 1 / np.array(sds)
        return slopes

    @classmethod
    def of(cls, photo: Photo) -> Expected:
        """By EXIF where it says; else as phones are."""
        size = (photo.width_px, photo.height_px)
        focal_px, sd = photo.focal_px, EXIF_FOCAL_SD
        if focal_px is None:
            focal_px = USUAL_FOCAL_MM / FILM_DIAGONAL_MM * math.hypot(*size)
            sd = USUAL_FOCAL_SD
        return cls(source=photo.source, size_px=size, ln_focal=math.log(focal_px), ln_focal_sd=sd)

    def longer(self, times: float) -> Expected:
        """The same with a longer lens."""
        return replace(self, ln_focal=self.ln_focal + math.log(times))

    def start(
        self, points_mm: NDArray[np.float64], seen_px: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Parameters as in Pose.vector, (11,), by points of one plane, (n, 3), and where they are.

        Raises
        ------
        SheetError
            If no camera sees them so.
        """
        focal, (columns, rows) = math.exp(self.ln_focal), self.size_px
        matrix = np.array([[focal, 0, (columns - 1) / 2], [0, focal, (rows - 1) / 2], [0, 0, 1]])
        _, rotation, translation = cv2.solvePnP(
            points_mm, seen_px, matrix, None, flags=cv2.SOLVEPNP_IPPE
        )
        lens = [self.ln_focal, 0.0, 0.0, 0.0, 0.0]
        vector = np.concatenate([rotation.ravel(), translation.ravel(), lens])
        if not np.isfinite(vector).all():  # it returns success all the same
            raise SheetError(
                f"{self.source}: the corners found cannot belong to a flat sheet or face; "
                "photograph all of it, from above"
            )
        return vector

    def camera(self, vector: NDArray[np.float64]) -> Camera:
        """Camera of parameters as in Pose.vector."""
        diagonal = math.hypot(*self.size_px)
        x, y = (
            (n - 1) / 2 + diagonal * off for n, off in zip(self.size_px, vector[9:11], strict=True)
        )
        return Camera(
            focal_px=math.exp(vector[6]),
            centre_px=(float(x), float(y)),
            k1=float(vector[7]),
            rotation=vector[:3],
            translation_mm=vector[3:6],
        )

    def camera_slopes(self, slopes: NDArray[np.float64]) -> NDArray[np.float64]:
        """Camera.slopes with the camera, (n, 2, 10), as slopes with Pose.vector, (n, 2, 11)."""
        still = np.zeros((*slopes.shape[:2], 1))
        centre = slopes[..., 8:] * math.hypot(*self.size_px)
        return np.concatenate([slopes[..., :8], still, centre], axis=2)

    def misses(self, vector: NDArray[np.float64]) -> NDArray[np.float64]:
        """Parameters less what is expected of them, in standard deviations, (5,)."""
        focal = (vector[6] - self.ln_focal) / self.ln_focal_sd
        rest = [vector[7] / K1_SD, vector[8] / STRETCH_SD, *(vector[9:11] / CENTRE_SD)]
        return np.array([focal, *rest])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """The camera as the sheet alone gives it.

    camera : the camera
    sheet_scale : true mm per mm as drawn along x and y: what the printer made of it, (2,)
    rms_px : of the sheet's corners about the camera's projection
    focal_sd : standard deviation of ln(focal length); large when the sheet was seen straight on
    expected : what is known without the sheet
    used : which of the sheet's corners were used, (n,)
    vector : rotation, translation, ln focal, k1, the sheet's stretch along y, and the principal
        point's offset from the middle in diagonals, (11,)
    """

    camera: Camera
    sheet_scale: NDArray[np.float64]
    rms_px: float
    focal_sd: float
    expected: Expected
    used: NDArray[np.bool_]
    vector: NDArray[np.float64]


def find_pose(
    photo: Photo,
    view: SheetView,
    *,
    check_line_mm: float = 100.0,
    expected: Expected | None = None,
) -> Pose:
    """Find the camera from the sheet's corners.

    Parameters
    ----------
    check_line_mm : float
        Measured length of the sheet's check line, drawn 100 mm long.
    expected : Expected, optional
        Of the camera; by default what the picture file says.

    Raises
    ------
    SheetError
        If no camera explains the corners, or it looks too much from the side.
    """
    require_check_line(check_line_mm)
    seen = view.found + view.left_out
    if view.left_out > UNEVEN_SHARE * seen and view.left_out_mm > MAX_LEFT_OUT_MM:
        by = f" by {view.left_out_mm:.1f} mm"
        raise SheetError(f"{photo.source}: {_not_flat(view.left_out, seen, by)}")
    scale = check_line_mm / 100
    expected = expected or Expected.of(photo)
    flat = np.column_stack([view.corners_mm * scale, np.zeros(view.found)])
    vector = expected.start(flat, view.corners_px)
    used = np.ones(view.found, dtype=bool)
    for _ in range(3):
        vector, covariance = _fit(view, used, scale, expected, vector)
        off = np.linalg.norm(sheet_misses(vector, expected, view, scale), axis=1)
        limit = max(4 * 1.4826 * float(np.median(off[used])), 3 * CORNER_SD_PX)
        kept = off < limit
        if (kept == used).all():
            break
        used = kept
    camera = expected.camera(vector)
    rms = float(np.sqrt((off[used] ** 2).mean()))
    px_per_mm = view.px_per_mm
    if rms > 0.4 * px_per_mm or used.mean() < 0.5:
        raise SheetError(
            f"{photo.source}: the sheet's corners are {rms / px_per_mm:.1f} mm off what a camera "
            "would see of a flat sheet; "
            + (misplaced(photo, view) or "lay the sheet flat and photograph it with the main lens")
        )
    if camera.tilt_deg > MAX_TILT_DEG:
        raise SheetError(
            f"{photo.source}: the camera was tilted {camera.tilt_deg:.0f}° from straight above; "
            f"at most {MAX_TILT_DEG:.0f}°: hold it over the middle of the sheet, level"
        )
    return Pose(
        camera=camera,
        sheet_scale=scale * np.array([1.0, 1.0 + vector[8]]),
        vector=vector,
        rms_px=rms,
        focal_sd=float(np.sqrt(covariance[6, 6])),
        expected=expected,
        used=used,
    )


def unevenness(view: SheetView, pose: Pose) -> str | None:
    """Say that the sheet does not lie flat, if so: a curled sheet misleads in many ways."""
    seen = view.found + view.left_out
    off = view.left_out + int((~pose.used).sum())
    rms_mm = pose.rms_px / view.px_per_mm
    if off <= UNEVEN_SHARE * seen and rms_mm <= UNEVEN_MM:
        return None
    return _not_flat(off, seen, f", which fit it to {rms_mm:.2f} mm rms")


def _not_flat(off: int, seen: int, more: str) -> str:
    return (
        f"the scan sheet does not lie flat: {off} of the {seen} corners seen are off the plane of "
        f"the others{more}; tape the sheet down"
    )


def sheet_misses(
    vector: NDArray[np.float64], expected: Expected, view: SheetView, scale: float
) -> NDArray[np.float64]:
    """Projected less found corners, px, (n, 2)."""
    true_mm = view.corners_mm * scale * np.array([1.0, 1.0 + vector[8]])
    points = np.column_stack([true_mm, np.zeros(view.found)])
    return expected.camera(vector).project(points) - view.corners_px


def sheet_slopes(
    vector: NDArray[np.float64], expected: Expected, view: SheetView, scale: float
) -> NDArray[np.float64]:
    """Slopes of `sheet_misses` with the vector, (n, 2, 11)."""
    drawn = view.corners_mm * scale
    points = np.column_stack([drawn * np.array([1.0, 1.0 + vector[8]]), np.zeros(view.found)])
    by_point, by_camera = expected.camera(vector).slopes(points)
    slopes = expected.camera_slopes(by_camera)
    slopes[..., 8] = by_point[..., 1] * drawn[:, 1:]
    return slopes


def _fit(
    view: SheetView,
    used: NDArray[np.bool_],
    scale: float,
    expected: Expected,
    start: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least squares over the parameters, and their covariance."""

    def residuals(vector: NDArray[np.float64]) -> NDArray[np.float64]:
        misses = sheet_misses(vector, expected, view, scale)[used]
        return np.concatenate([misses.ravel() / CORNER_SD_PX, expected.misses(vector)])

    def slopes(vector: NDArray[np.float64]) -> NDArray[np.float64]:
        sheet = sheet_slopes(vector, expected, view, scale)[used]
        return np.concatenate([sheet.reshape(-1, 11) / CORNER_SD_PX, expected.miss_slopes])

    vector, slope = descend(residuals, slopes, start)
    return vector, np.asarray(np.linalg.inv(slope.T @ slope), dtype=np.float64)
