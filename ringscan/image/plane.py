"""The camera over the plane of a rectangle of known size."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.camera import Camera
from ringscan.image.pose import Expected

CORNER_SD = 0.0025
"""Of a corner where two fitted lines meet, relative to the rectangle: mostly the lens's bend."""
FREEDOM = 2
"""Eight coordinates and an expected focal length, less pose and focal length."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenRectangle:
    """A rectangle in a picture, in the world's plane z = 0 with its middle at the origin.

    camera : x runs along its first side, and z away from the camera
    strain : how far corners and focal length are off what they can be, in standard deviations
    """

    camera: Camera
    strain: float


def see_rectangle(
    expected: Expected, corners_px: NDArray[np.float64], size_mm: tuple[float, float]
) -> SeenRectangle:
    """Find the camera that sees a rectangle's corners where they are.

    Parameters
    ----------
    corners_px : around the rectangle, clockwise as the picture is displayed, (4, 2)
    size_mm : length of its first side, from corner 0 to 1, and of its second
    """
    from scipy.optimize import least_squares

    w, h = size_mm[0] / 2, size_mm[1] / 2
    points = np.array([[-w, -h, 0], [w, -h, 0], [w, h, 0], [-w, h, 0.0]])
    area = abs(float(cv2.contourArea(corners_px.astype(np.float32))))
    sd_px = CORNER_SD * math.sqrt(area)

    def residuals(values: NDArray[np.float64]) -> NDArray[np.float64]:
        off = expected.camera(_vector(values)).project(points) - corners_px
        doubt = (values[6] - expected.ln_focal) / expected.ln_focal_sd
        return np.append(off.ravel() / sd_px, doubt)

    start = expected.start(points, corners_px)[:7]
    fit = least_squares(residuals, start, x_scale="jac", method="lm")
    return SeenRectangle(
        camera=expected.camera(_vector(fit.x)),
        strain=math.sqrt(float((residuals(fit.x) ** 2).sum()) / FREEDOM),
    )


def _vector(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Four corners tell pose and focal length; the lens is taken for straight and centred."""
    return np.concatenate([values, np.zeros(4)])
