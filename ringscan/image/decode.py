"""Pixels of an opened picture file: luma, colour, and what light their codes stand for."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ringscan.image.profile import read_profile

STRIP_ROWS = 64
"""Rows of a strip: it stays in the processor's cache."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pixels:
    """As the file stores them, before any turn.

    luma : coded luma (Rec. 601 weights), uint8 or uint16, (height, width)
    rgb : coded colour, uint8, (height, width, 3); None for a grey picture
    curve : linear light of each code; None for that of sRGB
    """

    luma: NDArray[np.uint8] | NDArray[np.uint16]
    rgb: NDArray[np.uint8] | None
    curve: NDArray[np.float32] | None


def decode(image: Image.Image, data: bytes) -> Pixels:
    """Decode a picture that was opened but not yet loaded; `data` is the whole file.

    A damaged profile is ignored, as viewers do: the picture then counts as sRGB. What damaged
    files raise is up to Pillow's plug-ins.
    """
    deep = image.mode == "RGB" and _is_deep(image)
    image.load()
    icc = image.info.get("icc_profile") or b""
    if image.mode.startswith("I;16"):
        codes = np.asarray(image).astype(np.uint16)
        return Pixels(luma=codes, rgb=None, curve=read_profile(icc, 16).curve)
    profile = read_profile(icc, 8)
    if profile.needs_tables:
        image = _to_srgb(image, icc)
    if image.mode in ("1", "L"):
        return Pixels(luma=np.array(image.convert("L")), rgb=None, curve=profile.curve)
    rgb, luma = _read_out(_on_white(image))
    sixteen = _sixteen_bits(data, rgb.shape) if deep and not profile.needs_tables else None
    if sixteen is not None:
        deep_luma = np.asarray(cv2.cvtColor(sixteen, cv2.COLOR_BGR2GRAY), dtype=np.uint16)
        return Pixels(luma=deep_luma, rgb=rgb, curve=read_profile(icc, 16).curve)
    return Pixels(luma=luma, rgb=rgb, curve=profile.curve)


def _read_out(image: Image.Image) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Colour and luma of a picture in RGB, by strips: Pillow copies what is handed out twice."""
    width, height = image.size
    rgb = np.empty((height, width, 3), np.uint8)
    luma = np.empty((height, width), np.uint8)
    for top in range(0, height, STRIP_ROWS):
        bottom = min(height, top + STRIP_ROWS)
        rgb[top:bottom] = np.asarray(image.crop((0, top, width, bottom)))
        cv2.cvtColor(rgb[top:bottom], cv2.COLOR_RGB2GRAY, dst=luma[top:bottom])
    return rgb, luma


def _is_deep(image: Image.Image) -> bool:
    """Whether the file has 16 bits per channel; Pillow's mode does not say."""
    return any("16" in str(tile[3]) for tile in getattr(image, "tile", ()))


def _to_srgb(image: Image.Image, profile: bytes) -> Image.Image:
    """By the profile's tables, where it has any; otherwise as it is."""
    from PIL import ImageCms

    try:
        return ImageCms.profileToProfile(  # type: ignore[return-value]
            image,
            ImageCms.ImageCmsProfile(io.BytesIO(profile)),
            ImageCms.createProfile("sRGB"),
            ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return image


def _on_white(image: Image.Image) -> Image.Image:
    """In colour; what is see-through has none of its own: show it on white paper."""
    if "A" not in image.mode.upper().replace("LAB", "") and "transparency" not in image.info:
        return image if image.mode == "RGB" else image.convert("RGB")
    layer = image.convert("RGBA")
    paper = Image.new("RGBA", layer.size, "white")
    return Image.alpha_composite(paper, layer).convert("RGB")


def _sixteen_bits(data: bytes, shape: tuple[int, ...]) -> NDArray[Any] | None:
    """Colour in blue, green, red; Pillow keeps the upper 8 bits only. None if it cannot be had."""
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        return None
    if pixels is None or pixels.dtype != np.uint16 or pixels.shape != shape:
        return None
    return np.asarray(pixels)
