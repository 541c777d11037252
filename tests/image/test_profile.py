"""Embedded profiles, against published curves and against littlecms, which reads them by itself."""

from __future__ import annotations

import io
import struct
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from ringscan.image.photo import Photo, read_photo
from ringscan.image.profile import read_profile

DISPLAY_P3 = ((0.51512, 0.2412, -0.00105), (0.29198, 0.69225, 0.04189), (0.1571, 0.06657, 0.78407))
"""Primaries adapted to D50 (from memory); its curve is that of sRGB, IEC 61966-2-1."""
SRGB_PARAMETERS = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def fixed(values) -> bytes:
    return b"".join(struct.pack(">i", round(value * 65536)) for value in values)


def para(kind: int, *parameters: float) -> bytes:
    return b"para" + bytes(4) + struct.pack(">HH", kind, 0) + fixed(parameters)


def curv(*points: int) -> bytes:
    return b"curv" + bytes(4) + struct.pack(f">I{len(points)}H", len(points), *points)


def icc(curve: bytes, *more: bytes, space: bytes = b"RGB ", primaries=DISPLAY_P3) -> bytes:
    """A profile of one curve for all channels, or of one per channel."""
    white = b"XYZ " + bytes(4) + fixed((0.9642, 1.0, 0.8249))
    tags = {b"wtpt": white}
    if space == b"RGB ":
        curves = (curve, *more) if more else (curve,) * 3
        for letter, xyz, trc in zip("rgb", primaries, curves, strict=True):
            tags[f"{letter}XYZ".encode()] = b"XYZ " + bytes(4) + fixed(xyz)
            tags[f"{letter}TRC".encode()] = trc
    elif space == b"GRAY":
        tags[b"kTRC"] = curve
    start = 132 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for name, tag in tags.items():
        table += struct.pack(">4sII", name, start + len(body), len(tag))
        body += tag + bytes(-len(tag) % 4)
    head = bytearray(128)
    head[:4] = struct.pack(">I", start + len(body))
    head[8:12], head[12:16], head[16:20], head[20:24] = b"\4\0\0\0", b"mntr", space, b"XYZ "
    head[36:40] = b"acsp"
    head[68:80] = fixed((0.9642, 1.0, 0.8249))
    return bytes(head) + table + body


P3 = icc(para(3, *SRGB_PARAMETERS))


def photo_of(image: Image.Image, path: Path, profile: bytes) -> Photo:
    image.save(path, icc_profile=profile)
    return read_photo(path)


def light_of(pixels: np.ndarray, path: Path, profile: bytes) -> np.ndarray:
    photo = photo_of(Image.fromarray(pixels), path, profile)
    return photo.linear(slice(0, photo.height_px), slice(0, photo.width_px))


def grey_steps(codes, dtype=np.uint8, channels: int = 3) -> np.ndarray:
    """One column of 100 px per code."""
    row = np.repeat(np.array(codes, dtype), 100)
    picture = np.tile(row, (1000, 1))
    return picture if channels == 1 else np.repeat(picture[..., None], channels, axis=2)


CODES = (0, 20, 64, 90, 128, 150, 188, 200, 220, 230, 240, 255)


def test_display_p3_has_the_curve_of_srgb(tmp_path):
    light = light_of(grey_steps(CODES), tmp_path / "a.png", P3)
    # IEC 61966-2-1: codes 64, 128, 188 by its formula; parameters are kept to 1/65536
    assert light[500, [250, 450, 650]] == pytest.approx([0.0512695, 0.2158605, 0.5028865], abs=5e-5)


def test_a_gamma_of_adobe_s_kind(tmp_path):
    # 2 + 51/256, as wide-gamut cameras write it (from memory)
    light = light_of(grey_steps(CODES), tmp_path / "a.jpg", icc(curv(563)))
    assert light[500, 450] == pytest.approx((128 / 255) ** 2.19921875, rel=1e-5)


@pytest.mark.parametrize("curve", [curv(), curv(256), curv(0, 65535), para(0, 1.0)])
def test_linear_light_stays_as_it_is(tmp_path, curve):
    light = light_of(grey_steps(CODES), tmp_path / "a.tif", icc(curve))
    assert light[500, 50::100] == pytest.approx(np.array(CODES) / 255, abs=1e-6)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bits_of_linear_grey(tmp_path, suffix):
    codes = np.array(CODES) * 257 // 40  # dark: 8 bits would keep seven steps
    pixels = grey_steps(codes, np.uint16, channels=1)
    light = light_of(pixels, tmp_path / f"a.{suffix}", icc(curv(), space=b"GRAY"))
    assert light[500, 50::100] == pytest.approx(codes / 65535, rel=1e-5)


@pytest.mark.parametrize("suffix", ["png", "tif"])
def test_sixteen_bits_of_linear_colour(tmp_path, suffix):
    codes = np.array(CODES) * 257 // 40
    red, green, blue = codes, codes // 2, codes // 4
    pixels = np.stack([grey_steps(c, np.uint16, 1) for c in (blue, green, red)], axis=2)
    # Pillow cannot write 16-bit colour
    data = cv2.imencode(f".{suffix}", pixels)[1].tobytes()
    path = tmp_path / f"a.{suffix}"
    path.write_bytes(data)
    photo = read_photo(path)
    assert photo.luma.dtype == np.uint16
    # Rec. 601
    expected = 0.299 * red + 0.587 * green + 0.114 * blue
    assert photo.luma[500, 50::100] == pytest.approx(expected, abs=1.5)
    assert photo.half_rgb is not None
    assert photo.half_rgb[250, 575].tolist() == [code[-1] >> 8 for code in (red, green, blue)]


PROFILES = {
    "Display P3": P3,
    "gamma 1.8": icc(curv(461)),
    "type 1": icc(para(1, 2.2, 0.95, 0.05)),
    "type 2": icc(para(2, 2.2, 0.95, 0.05, 0.001)),
    "type 3": icc(para(3, 2.0, 0.9, 0.1, 0.2, 0.05)),
    "type 4": icc(para(4, 2.0, 0.9, 0.1, 0.2, 0.05, 0.001, 0.0005)),
    "table": icc(curv(*(round(65535 * (k / 30) ** 1.5) for k in range(31)))),
}


@pytest.mark.parametrize("name", PROFILES)
def test_curves_are_those_that_littlecms_reads(name):
    ramp = Image.fromarray(grey_steps(range(256), channels=3)[:1, ::100].copy())
    source = ImageCms.ImageCmsProfile(io.BytesIO(PROFILES[name]))
    # other intents would lift the black point
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    seen = ImageCms.profileToProfile(ramp, source, ImageCms.createProfile("sRGB"), intent)
    curve = read_profile(PROFILES[name], 8).curve
    assert curve is not None
    code = np.where(curve <= 0.0031308, 12.92 * curve, 1.055 * curve ** (1 / 2.4) - 0.055)
    # it rounds to whole codes and works in 16 bits, which tells in the darkest ones
    off = np.abs(255 * code - np.asarray(seen)[0, :, 1])
    assert off[8:].max() < 0.75
    assert off.max() < 2


def test_a_colour_in_display_p3_is_linear_in_its_light(tmp_path):
    # an orange outside of sRGB under two lights; coded by the standard's formula
    orange = np.array([0.42, 0.12, 0.0])
    codes = [255 * np.where(v > 0, 1.055 * v ** (1 / 2.4) - 0.055, 0) for v in (orange, 2 * orange)]
    pixels = np.zeros((1000, 1200, 3), np.uint8)
    pixels[:, :600], pixels[:, 600:] = np.round(codes[0]), np.round(codes[1])
    photo = photo_of(Image.fromarray(pixels), tmp_path / "a.png", P3)
    light = photo.linear(slice(0, 1000), slice(0, 1200))
    # one code of rounding in 120 is about 2 %
    assert light[500, 900] / light[500, 100] == pytest.approx(2.0, rel=0.02)
    # turned into sRGB its red would be clipped, and the wall refused as burnt out
    clipped, _ = photo.unusable(slice(0, 1000), slice(0, 1200))
    assert not clipped.any()


def test_curves_that_differ_by_channel_are_turned_into_srgb(tmp_path):
    profile = icc(curv(563), curv(461), curv(512))
    pixels = grey_steps(CODES)
    photo = photo_of(Image.fromarray(pixels), tmp_path / "a.png", profile)
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    srgb = ImageCms.createProfile("sRGB")
    intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
    expected = ImageCms.profileToProfile(Image.fromarray(pixels), source, srgb, intent)
    assert photo.curve is None
    assert np.array_equal(photo.luma, np.asarray(expected.convert("L")))


def test_black_is_black_in_light_whatever_the_coding(tmp_path):
    # 2 of 255 in sRGB are .0006 of full light: 40 of 65535 in linear light
    pixels = grey_steps([0, 30, 50, 100], np.uint16, channels=1)
    pixels = np.tile(pixels, (1, 3))
    profile = icc(curv(), space=b"GRAY")
    photo = photo_of(Image.fromarray(pixels), tmp_path / "a.png", profile)
    _, dark = photo.unusable(slice(0, 1), slice(50, 400, 100))
    assert dark[0].tolist() == [True, True, False, False]


@pytest.mark.parametrize(
    "profile",
    [
        b"not a profile" * 30,
        P3[:100],
        P3[:200],
        P3.replace(b"para", b"parx"),
        icc(para(3, -50.0, 1e4, 0.0, 0.0, 0.0)),  # overflows
        icc(para(9, 1.0)),  # no such type
        icc(curv(65535, 0)),  # upside down
        icc(curv(0, 100)),  # ends in the dark
    ],
)
def test_a_damaged_profile_is_ignored(tmp_path, profile):
    light = light_of(grey_steps(CODES), tmp_path / "a.png", profile)
    assert light[500, 450] == pytest.approx(0.2158605, abs=0.01)
