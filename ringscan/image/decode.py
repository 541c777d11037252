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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pixels:
    """As the file stores them, before any turn.

    luma : coded luma (Rec. 601 weights), uint8 or uint16, (height, width)
    half_rgb : coded colour at half the size, rounded up, uint8, (rows, cols, 3); None for a grey
        picture
    curve : linear light of each code; None for that of sRGB
    """

    luma: NDArray[np.uint8] | NDArray[np.uint16]
    half_rgb: NDArray[np.uint8] | None
    curve: NDArray[np.float32] | None


def decode(image: Image.Image, data: bytes) -> Pixels:
    """Decode a picture that was opened but not yet loaded; `data` is the whole file.

    A damaged profile is ignored, as viewers do: the picture then counts as sRGB. What damaged
    files raise is up to Pillow's plug-ins.
    """
    deep = image.mode == "RGB" and _is_deep(image)
    icc = image.info.get("icc_profile") or b""
    if image.mode.startswith("I;16"):
        codes = np.asarray(image).astype(np.uint16)
        return Pixels(luma=codes, half_rgb=None, curve=read_profile(icc, 16).curve)
    profile = read_profile(icc, 8)
    if image.format in ("JPEG", "MPO") and image.mode == "RGB" and not profile.needs_tables:
        return _of_jpeg(image, data, profile.curve)
    image.load()
    if profile.needs_tables:
        image = _to_srgb(image, icc)
    if image.mode in ("1", "L"):
        return Pixels(luma=np.asarray(image.convert("L")), half_rgb=None, curve=profile.curve)
    image = _on_white(image)
    half_rgb = np.asarray(image.reduce(2))
    sixteen = None
    if deep and not profile.needs_tables:
        sixteen = _sixteen_bits(data, (image.height, image.width, 3))
    if sixteen is not None:
        deep_luma = np.asarray(cv2.cvtColor(sixteen, cv2.COLOR_BGR2GRAY), dtype=np.uint16)
        return Pixels(luma=deep_luma, half_rgb=half_rgb, curve=read_profile(icc, 16).curve)
    return Pixels(luma=np.asarray(image.convert("L")), half_rgb=half_rgb, curve=profile.curve)


def _of_jpeg(image: Image.Image, data: bytes, curve: NDArray[np.float32] | None) -> Pixels:
    """Luma as the file holds it, and colour at the size at which phones store it.

    Two decodes, of a part each, take less time and memory than one of everything.
    """
    colour = Image.open(io.BytesIO(data), formats=("JPEG",))
    colour.draft("RGB", (image.width // 2, image.height // 2))
    half_rgb = np.asarray(colour)
    image.draft("L", image.size)
    return Pixels(luma=np.asarray(image), half_rgb=half_rgb, curve=curve)


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
