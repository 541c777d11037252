"""What a phone does to the light: lens, sensor, coding and file."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MARGIN_PX = 56
"""Rendered beyond the frame on each side, so that distortion never reaches for what is missing."""

MAX_BYTES = 3_000_000

F35_DIAGONAL_MM = 43.27


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """Optics, sensor and processing.

    width_px, height_px : of the file, before its EXIF turn
    f35_mm : 35 mm equivalent focal length as EXIF has it
    true_f35_mm : what the lens really has
    centre_px : where the optical axis meets the sensor, from the frame's middle
    k1 : radial distortion, r_image = r (1 + k1 r²) with r = tan of the angle off the axis
    blur_px : sd of the lens's blur on the face, which is in focus
    defocus_px : sd of the further blur on what lies behind the face, the sheet above all
    full_well_e, read_noise_e : electrons at white, and rms noise of reading
    sharpen : strength of the unsharp mask
    jpeg_quality : at most; lowered until the file fits
    orientation : EXIF tag 274
    """

    width_px: int
    height_px: int
    f35_mm: int
    true_f35_mm: float
    centre_px: tuple[float, float]
    k1: float
    blur_px: float
    defocus_px: float
    full_well_e: float
    read_noise_e: float
    sharpen: float
    jpeg_quality: int
    orientation: int

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.true_f35_mm / F35_DIAGONAL_MM * float(np.hypot(self.width_px, self.height_px))


def ideal_px(points: NDArray[np.float64], phone: Phone) -> NDArray[np.float64]:
    """Return where directions (x/z, y/z), (..., 2), fall in the rendered picture, in px.

    The origin is the centre of its pixel (0, 0).
    """
    size = np.array([phone.width_px, phone.height_px])
    return points * phone.focal_px + (size - 1) / 2 + phone.centre_px + MARGIN_PX


def distort(points: NDArray[np.float64], phone: Phone) -> NDArray[np.float64]:
    """Return where directions (x/z, y/z), (..., 2), fall in the photograph, in px."""
    r2 = (points**2).sum(axis=-1, keepdims=True)
    return ideal_px(points * (1 + phone.k1 * r2), phone) - MARGIN_PX


def undistort(pixels: NDArray[np.float64], phone: Phone) -> NDArray[np.float64]:
    """Return the directions of the photograph's pixels, (..., 2): the inverse of `distort`."""
    size = np.array([phone.width_px, phone.height_px])
    seen = (pixels - (size - 1) / 2 - phone.centre_px) / phone.focal_px
    ideal = seen
    for _ in range(6):
        ideal = seen / (1 + phone.k1 * (ideal**2).sum(axis=-1, keepdims=True))
    return ideal


def srgb(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """Code linear light, 0 to 1, after IEC 61966-2-1."""
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def _defocus(
    light: NDArray[np.float32], face_px: NDArray[np.float64], blur_px: float
) -> NDArray[np.float32]:
    """Blur all but the face; `face_px` is its outline in the rendered picture, (4, 2)."""
    import cv2

    if blur_px < 0.1:
        return light
    away = np.ones(light.shape[:2], np.float32)
    middle = face_px.mean(axis=0)
    # a little beyond, for the bulged edges
    outline = middle + (face_px - middle) * 1.004
    cv2.fillPoly(away, [np.round(outline * 16).astype(np.int32)], 0, shift=4)
    far = cv2.GaussianBlur(light * away[..., None], (0, 0), blur_px)
    seen = np.maximum(cv2.GaussianBlur(away, (0, 0), blur_px), 1e-3)
    return np.where(away[..., None] > 0, far / seen[..., None], light).astype(np.float32)


def _mosaic(light: NDArray[np.float32], phone: Phone) -> NDArray[np.float32]:
    """Blur the ideal picture and sample it where each pixel of the sensor looks.

    The sensor has one colour per pixel, in a Bayer pattern of green-red over blue-green.
    """
    import cv2
    from scipy.ndimage import map_coordinates, spline_filter

    mosaic = np.empty((phone.height_px, phone.width_px), np.float32)
    for channel, sites in enumerate([[(0, 1)], [(0, 0), (1, 1)], [(1, 0)]]):
        blurred = cv2.GaussianBlur(light[..., channel], (0, 0), phone.blur_px)
        spline = spline_filter(blurred, 3, np.float32)
        for row, column in sites:
            y, x = np.mgrid[row : phone.height_px : 2, column : phone.width_px : 2]
            at = ideal_px(undistort(np.stack([x, y], axis=-1).astype(np.float64), phone), phone)
            mosaic[row::2, column::2] = map_coordinates(
                spline, [at[..., 1], at[..., 0]], order=3, prefilter=False, mode="nearest"
            )
    return mosaic


def photograph(
    light: NDArray[np.float32], face_px: NDArray[np.float64], phone: Phone, seed: int
) -> NDArray[np.uint8]:
    """Turn rendered light, in units of the sensor's white, into 8-bit sRGB.

    Parameters
    ----------
    light : (height + 2 margins, width + 2 margins, 3)
        Linear light, white balanced.
    face_px : (4, 2)
        The face's outline in it.
    """
    import cv2

    rng = np.random.default_rng(seed)
    mosaic = _mosaic(_defocus(light, face_px, phone.defocus_px), phone)
    electrons = np.clip(mosaic, 0, None) * phone.full_well_e
    # shot noise is Poisson's; at a hundred electrons and more a normal one is the same
    noise = rng.standard_normal(electrons.shape, np.float32)
    electrons += noise * np.sqrt(electrons + phone.read_noise_e**2)
    raw = np.clip(electrons / phone.full_well_e * 60_000 + 2000, 0, 62_000).astype(np.uint16)
    # OpenCV names the pattern by its second row and column
    colour = cv2.cvtColor(raw, cv2.COLOR_BayerGB2RGB_EA).astype(np.float32)
    coded = srgb((colour - 2000) / 60_000)
    if phone.sharpen:
        coded += phone.sharpen * (coded - cv2.GaussianBlur(coded, (0, 0), 1.5))
    return (np.clip(coded, 0, 1) * 255 + 0.5).astype(np.uint8)


def jpeg(picture: NDArray[np.uint8], phone: Phone) -> bytes:
    """Code the picture as JPEG of at most `MAX_BYTES`, with the phone's EXIF."""
    from PIL import ExifTags, Image

    image = Image.fromarray(picture)
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = phone.orientation
    exif[ExifTags.Base.Software] = "rendered"
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = phone.f35_mm
    for quality in range(phone.jpeg_quality, 40, -3):
        file = io.BytesIO()
        image.save(file, "JPEG", quality=quality, exif=exif, subsampling="4:2:0", optimize=True)
        if file.tell() <= MAX_BYTES:
            break
    return file.getvalue()
