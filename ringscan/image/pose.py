"""The camera: where it stood over the sheet, its focal length, and one term of lens distortion."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.errors import SheetError
from ringscan.image.photo import FILM_DIAGONAL_MM, Photo
from ringscan.image.reference import SheetView

EXIF_FOCAL_SD = 0.05
"""Relative: makers round the 35 mm equivalent and relate it to different diagonals."""
USUAL_FOCAL_MM = 26.8
USUAL_FOCAL_SD = 0.15
"""Main cameras of phones: 24 to 30 mm equivalent; a crop makes it longer (common practice)."""
K1_SD = 0.03
"""Phones correct their pictures: what is left is a per cent or so at the corners."""
CORNER_SD_PX = 0.3
"""Of a refined corner in a real picture, with a sheet that is not quite flat."""
STRETCH_SD = 0.002
"""Printers feed paper a little more or less than they draw across it (common practice)."""
MAX_TILT_DEG = 50.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """A pinhole camera with one radial term; the sheet's frame is the world.

    focal_px : focal length
    centre_px : principal point (x, y): the middle of the picture
    k1 : radial distortion, r' = r (1 + k1 r²) with r in units of the focal length
    rotation : from the sheet's frame to the camera's, Rodrigues vector, (3,)
    translation_mm : the sheet's origin in the camera's frame, (3,)
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]

    @property
    def position_mm(self) -> NDArray[np.float64]:
        """Where the camera stood, in the sheet's frame (z is negative above the sheet), (3,)."""
        turn, _ = cv2.Rodrigues(self.rotation)
        where: NDArray[np.float64] = -turn.T @ self.translation_mm
        return where

    @property
    def tilt_deg(self) -> float:
        """Angle between the camera's axis and the sheet's normal."""
        turn, _ = cv2.Rodrigues(self.rotation)
        return math.degrees(math.acos(float(np.clip(turn[2, 2], -1, 1))))

    def seen_from(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points of the sheet's frame, (n, 3), in the camera's frame, mm, (n, 3)."""
        turn, _ = cv2.Rodrigues(self.rotation)
        seen: NDArray[np.float64] = points_mm @ turn.T + self.translation_mm
        return seen

    def project(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points of the sheet's frame, (n, 3), appear in the picture, px, (n, 2)."""
        seen = self.seen_from(points_mm)
        flat = seen[:, :2] / seen[:, 2:]
        bent = flat * (1 + self.k1 * (flat**2).sum(axis=1, keepdims=True))
        px: NDArray[np.float64] = self.focal_px * bent + self.centre_px
        return px

    def to_plane(
        self, points_px: NDArray[np.float64], height_mm: float | NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Where rays through pixels, (n, 2), are at a height above the sheet, mm, (n, 2)."""
        bent = (points_px - np.asarray(self.centre_px)) / self.focal_px
        flat = bent
        for _ in range(8):  # a contraction: k1 r² is a few per cent
            flat = bent / (1 + self.k1 * (flat**2).sum(axis=1, keepdims=True))
        turn, _ = cv2.Rodrigues(self.rotation)
        rays = np.column_stack([flat, np.ones(len(flat))]) @ turn
        eye = self.position_mm
        reach = (-height_mm - eye[2]) / rays[:, 2]
        on_plane: NDArray[np.float64] = eye[:2] + reach[:, None] * rays[:, :2]
        return on_plane


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """The camera as the sheet alone gives it.

    camera : the camera
    sheet_scale : true mm per mm as drawn along x and y: what the printer made of it, (2,)
    rms_px : of the sheet's corners about the camera's projection
    focal_sd : standard deviation of ln(focal length); large when the sheet was seen straight on
    focal_prior : ln(focal_px) expected before the sheet was seen, and its standard deviation
    used : which of the sheet's corners were used, (n,)
    vector : rotation, translation, ln focal, k1, and the sheet's stretch along y, (9,)
    """

    camera: Camera
    sheet_scale: NDArray[np.float64]
    rms_px: float
    focal_sd: float
    focal_prior: tuple[float, float]
    used: NDArray[np.bool_]
    vector: NDArray[np.float64]


def find_pose(photo: Photo, view: SheetView, *, check_line_mm: float = 100.0) -> Pose:
    """Find the camera from the sheet's corners.

    Parameters
    ----------
    check_line_mm : float
        Measured length of the sheet's check line, drawn 100 mm long.

    Raises
    ------
    SheetError
        If no camera explains the corners, or it looks too much from the side.
    """
    if not 90 <= check_line_mm <= 110:
        raise ValueError(f"check_line_mm = {check_line_mm:g} must be 90 to 110")
    scale = check_line_mm / 100
    centre = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    prior = focal_prior(photo)
    vector = _start(view, scale, centre, prior[0])
    used = np.ones(view.found, dtype=bool)
    for _ in range(3):
        vector, covariance = _fit(view, used, scale, centre, prior, vector)
        off = np.linalg.norm(sheet_misses(vector, centre, view, scale), axis=1)
        limit = max(4 * 1.4826 * float(np.median(off[used])), 3 * CORNER_SD_PX)
        kept = off < limit
        if (kept == used).all():
            break
        used = kept
    camera = unpack(vector, centre)
    rms = float(np.sqrt((off[used] ** 2).mean()))
    px_per_mm = math.sqrt(abs(np.linalg.det(view.homography[:2, :2] / view.homography[2, 2])))
    if rms > 0.4 * px_per_mm or used.mean() < 0.5:
        raise SheetError(
            f"{photo.source}: the sheet's corners fit no camera to better than "
            f"{rms / px_per_mm:.1f} mm; lay the sheet flat and photograph it with the main lens"
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
        focal_prior=prior,
        used=used,
    )


def focal_prior(photo: Photo) -> tuple[float, float]:
    """Mean and standard deviation of ln(focal_px) before the sheet is looked at."""
    if photo.focal_px is not None:
        return math.log(photo.focal_px), EXIF_FOCAL_SD
    diagonal_px = math.hypot(photo.width_px, photo.height_px)
    return math.log(USUAL_FOCAL_MM / FILM_DIAGONAL_MM * diagonal_px), USUAL_FOCAL_SD


def unpack(vector: NDArray[np.float64], centre_px: tuple[float, float]) -> Camera:
    """Camera of the parameters rotation, translation, ln focal, k1, ...; further ones ignored."""
    return Camera(
        focal_px=math.exp(vector[6]),
        centre_px=centre_px,
        k1=float(vector[7]),
        rotation=vector[:3],
        translation_mm=vector[3:6],
    )


def _start(
    view: SheetView, scale: float, centre: tuple[float, float], ln_focal: float
) -> NDArray[np.float64]:
    focal = math.exp(ln_focal)
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    points = np.column_stack([view.corners_mm * scale, np.zeros(view.found)])
    _, rotation, translation = cv2.solvePnP(
        points, view.corners_px, matrix, None, flags=cv2.SOLVEPNP_IPPE
    )
    return np.concatenate([rotation.ravel(), translation.ravel(), [ln_focal, 0.0, 0.0]])


def sheet_misses(
    vector: NDArray[np.float64], centre: tuple[float, float], view: SheetView, scale: float
) -> NDArray[np.float64]:
    """Projected less found corners, px, (n, 2)."""
    true_mm = view.corners_mm * scale * np.array([1.0, 1.0 + vector[8]])
    points = np.column_stack([true_mm, np.zeros(view.found)])
    return unpack(vector, centre).project(points) - view.corners_px


def prior_misses(
    vector: NDArray[np.float64], focal_prior: tuple[float, float]
) -> NDArray[np.float64]:
    """What the camera and the sheet are expected to be, in standard deviations, (3,)."""
    mean, sd = focal_prior
    return np.array([(vector[6] - mean) / sd, vector[7] / K1_SD, vector[8] / STRETCH_SD])


def _fit(
    view: SheetView,
    used: NDArray[np.bool_],
    scale: float,
    centre: tuple[float, float],
    prior: tuple[float, float],
    start: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Least squares over the nine parameters, and their covariance."""
    from scipy.optimize import least_squares

    def residuals(vector: NDArray[np.float64]) -> NDArray[np.float64]:
        misses = sheet_misses(vector, centre, view, scale)[used]
        return np.concatenate([misses.ravel() / CORNER_SD_PX, prior_misses(vector, prior)])

    fit = least_squares(residuals, start, x_scale="jac", method="lm")
    slope = np.asarray(fit.jac, dtype=np.float64)
    return fit.x, np.asarray(np.linalg.inv(slope.T @ slope), dtype=np.float64)
