"""Seeded mutations of picture files and of what they show."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from PIL import Image, ImageCms

Pixels = NDArray[np.uint8]

EXTREMES = (b"\x00" * 4, b"\xff" * 4, b"\x7f\xff\xff\xff", b"\x00\x00\xff\xff", b"\x80\x00\x00\x00")
SIZES = (0, 1, 7, 599, 1024, 7000, 30_000, 65_535, 2**31 - 1)
SUFFIXES = (".jpg", ".png", ".tif", ".webp", ".heic", ".txt", "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A file to be fed in, and what was done to it."""

    data: bytes
    suffix: str
    done: str


def good_files(pixels: Pixels) -> dict[str, bytes]:
    """The same picture in every form that is read."""
    image = Image.fromarray(pixels)
    exif = Image.Exif()
    exif[274] = 1
    exif.get_ifd(0x8769)[0xA405] = 26
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()

    def saved(form: str, picture: Image.Image = image, **how: object) -> bytes:
        file = io.BytesIO()
        picture.save(file, form, **how)
        return file.getvalue()

    grey = image.convert("L")
    deep = Image.fromarray(np.asarray(grey).astype(np.uint16) * 257)
    return {
        "jpeg": saved("JPEG", quality=85, exif=exif, icc_profile=icc),
        "jpeg progressive": saved("JPEG", quality=60, progressive=True),
        "jpeg grey": saved("JPEG", grey, quality=70, icc_profile=icc),
        "jpeg cmyk": saved("JPEG", image.convert("CMYK"), quality=70),
        "mpo": saved("MPO", save_all=True, append_images=[image.resize((64, 64))], quality=70),
        "png": saved("PNG", grey, exif=exif, icc_profile=icc, compress_level=1),
        "png palette": saved("PNG", image.quantize(16), compress_level=1),
        "png 16": saved("PNG", deep, compress_level=1),
        "tiff": saved("TIFF", grey, exif=exif, icc_profile=icc),
        "tiff lzw": saved("TIFF", grey, compression="tiff_lzw"),
        "tiff deflate": saved("TIFF", image, compression="tiff_adobe_deflate"),
        "webp": saved("WEBP", quality=60, method=0, exif=exif, icc_profile=icc),
    }


def mutated(files: dict[str, bytes], rng: Generator) -> Case:
    """Spoil one of the files."""
    names = list(files)
    name = names[rng.integers(len(names))]
    other = files[names[rng.integers(len(names))]]
    kind = list(BYTES)[rng.integers(len(BYTES))]
    data = BYTES[kind](files[name], other, rng)
    if rng.random() < 0.15:
        data = BYTES["bit flips"](data, other, rng) if data else data
    suffix = SUFFIXES[rng.integers(len(SUFFIXES))]
    return Case(data=data, suffix=suffix, done=f"{name}: {kind}")


def _where(data: bytes, rng: Generator) -> int:
    """Half of the time in the header, where it hurts."""
    end = min(len(data), 800) if rng.random() < 0.5 else len(data)
    return int(rng.integers(max(1, end)))


def _flip(data: bytes, _: bytes, rng: Generator) -> bytes:
    spoilt = bytearray(data)
    for _k in range(int(rng.choice([1, 2, 8, 64]))):
        spoilt[_where(data, rng)] ^= 1 << int(rng.integers(8))
    return bytes(spoilt)


def _overwrite(data: bytes, _: bytes, rng: Generator) -> bytes:
    at, length = _where(data, rng), int(rng.choice([1, 4, 16, 200, 5000]))
    filler = rng.choice([0, 255, -1])
    new = rng.bytes(length) if filler < 0 else bytes([int(filler)]) * length
    return (data[:at] + new + data[at + length :])[: len(data)]


def _extreme(data: bytes, _: bytes, rng: Generator) -> bytes:
    at = _where(data, rng)
    value = EXTREMES[rng.integers(len(EXTREMES))][: int(rng.choice([2, 4]))]
    return data[:at] + value + data[at + len(value) :]


def _cut(data: bytes, _: bytes, rng: Generator) -> bytes:
    return data[: _where(data, rng)]


def _splice(data: bytes, other: bytes, rng: Generator) -> bytes:
    a, b = _where(data, rng), _where(other, rng)
    length = int(rng.choice([10, 500, 20_000]))
    return data[:a] + other[b : b + length] + data[a + int(rng.choice([0, length])) :]


def _remove(data: bytes, _: bytes, rng: Generator) -> bytes:
    at = _where(data, rng)
    return data[:at] + data[at + int(rng.choice([1, 10, 1000])) :]


def _append(data: bytes, other: bytes, rng: Generator) -> bytes:
    return data + other if rng.random() < 0.5 else rng.bytes(30) + data


def _resized(data: bytes, _: bytes, rng: Generator) -> bytes:
    """Lie about the size: PNG with a right checksum, or JPEG."""
    width, height = (int(SIZES[rng.integers(len(SIZES))]) for _k in range(2))
    if data.startswith(b"\x89PNG"):
        head = b"IHDR" + struct.pack(">II", width, height) + data[24:29]
        return data[:12] + head + struct.pack(">I", zlib.crc32(head)) + data[33:]
    at = max(data.find(b"\xff\xc0"), data.find(b"\xff\xc2"))
    if data.startswith(b"\xff\xd8") and at > 0:
        return data[: at + 5] + struct.pack(">HH", height & 0xFFFF, width & 0xFFFF) + data[at + 9 :]
    return _extreme(data, b"", rng)


def _segment(marker: int, name: bytes, body: bytes, data: bytes) -> bytes:
    if not data.startswith(b"\xff\xd8"):
        return data + body
    length = struct.pack(">H", min(len(name) + len(body) + 2, 65_535))
    return data[:2] + bytes([255, marker]) + length + (name + body)[:65_533] + data[2:]


def _hostile_exif(data: bytes, _: bytes, rng: Generator) -> bytes:
    """A directory of random entries, some of which point anywhere, also at itself."""
    entries = b""
    count = int(rng.choice([1, 5, 60]))
    for _k in range(count):
        tag = int(rng.choice([274, 0x8769, 0x8825, 0xA405, 330, 256, int(rng.integers(65536))]))
        size = int(rng.choice([0, 1, 2**31 - 1, 2**32 - 1]))
        value = int(rng.choice([8, 0, 1, 2**32 - 1, int(rng.integers(2**32))]))
        entries += struct.pack("<HHII", tag, int(rng.integers(14)), size, value)
    body = b"II*\0\x08\0\0\0" + struct.pack("<H", count) + entries + rng.bytes(8)
    return _segment(0xE1, b"Exif\0\0", body, data)


def _hostile_icc(data: bytes, _: bytes, rng: Generator) -> bytes:
    good = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    for _k in range(int(rng.choice([1, 4, 40]))):
        good[int(rng.integers(len(good)))] = int(rng.integers(256))
    if rng.random() < 0.3:
        good[16:20] = rng.choice([b"CMYK", b"GRAY", b"Lab "]).item()
    return _segment(0xE2, b"ICC_PROFILE\0\x01\x01", bytes(good), data)


def _nothing(data: bytes, _: bytes, rng: Generator) -> bytes:
    return (b"", bytes(5000), rng.bytes(5000), data[:4])[rng.integers(4)]


BYTES: dict[str, Callable[[bytes, bytes, Generator], bytes]] = {
    "bit flips": _flip,
    "overwritten": _overwrite,
    "extreme values": _extreme,
    "cut short": _cut,
    "spliced": _splice,
    "part removed": _remove,
    "something added": _append,
    "false size": _resized,
    "hostile EXIF": _hostile_exif,
    "hostile profile": _hostile_icc,
    "nothing or noise": _nothing,
}


def disfigured(pixels: Pixels, rng: Generator) -> Case:
    """Spoil what the picture shows, once or several times, and save it well."""
    done = []
    for _ in range(int(rng.integers(1, 4))):
        kind = list(SHOWN)[rng.integers(len(SHOWN))]
        pixels = SHOWN[kind](pixels, rng)
        done.append(kind)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=int(rng.choice([20, 60, 95])))
    return Case(data=file.getvalue(), suffix=".jpg", done="shown: " + ", ".join(done))


def _box(pixels: Pixels, rng: Generator) -> tuple[slice, slice]:
    height, width = pixels.shape[:2]
    h, w = int(height * rng.uniform(0.02, 0.5)), int(width * rng.uniform(0.02, 0.5))
    y, x = int(rng.integers(height - h)), int(rng.integers(width - w))
    return slice(y, y + h), slice(x, x + w)


def _painted(pixels: Pixels, rng: Generator) -> Pixels:
    spoilt = pixels.copy()
    for _ in range(int(rng.choice([1, 3, 10]))):
        spoilt[_box(pixels, rng)] = rng.choice([0, 90, 200, 255])
    return spoilt


def _copied(pixels: Pixels, rng: Generator) -> Pixels:
    spoilt = pixels.copy()
    part = pixels[_box(pixels, rng)]
    part = np.rot90(part, int(rng.integers(4)))
    h, w = part.shape[:2]
    y = int(rng.integers(max(1, pixels.shape[0] - h)))
    x = int(rng.integers(max(1, pixels.shape[1] - w)))
    room = spoilt[y : y + h, x : x + w]
    room[:] = part[: room.shape[0], : room.shape[1]]
    return spoilt


def _warped(pixels: Pixels, rng: Generator) -> Pixels:
    height, width = pixels.shape[:2]
    frame = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    moved = frame + rng.normal(0, rng.choice([20, 150]), (4, 2)).astype(np.float32)
    warp = cv2.getPerspectiveTransform(frame, moved)
    return np.asarray(cv2.warpPerspective(pixels, warp, (width, height)), np.uint8)


def _noisy(pixels: Pixels, rng: Generator) -> Pixels:
    grain = rng.normal(0, rng.choice([5, 30, 120]), pixels.shape)
    return np.clip(pixels + grain, 0, 255).astype(np.uint8)


def _toned(pixels: Pixels, rng: Generator) -> Pixels:
    gain, lift = rng.choice([-1, 0.02, 0.2, 3, 20]), rng.choice([0, 0, 100, 255])
    return np.clip(pixels * gain + lift, 0, 255).astype(np.uint8)


def _turned(pixels: Pixels, rng: Generator) -> Pixels:
    turned = np.rot90(pixels, int(rng.integers(4)))
    return np.ascontiguousarray(turned[:, ::-1] if rng.random() < 0.3 else turned)


def _stretched(pixels: Pixels, rng: Generator) -> Pixels:
    fx, fy = rng.uniform(0.7, 1.6, 2)
    return np.asarray(cv2.resize(pixels, None, fx=fx, fy=fy), np.uint8)


def _blurred(pixels: Pixels, rng: Generator) -> Pixels:
    return np.asarray(cv2.GaussianBlur(pixels, (0, 0), rng.choice([1, 3, 10])), np.uint8)


def _cropped(pixels: Pixels, rng: Generator) -> Pixels:
    height, width = pixels.shape[:2]
    y, x = (rng.uniform(0, 0.35, 2) * (height, width)).astype(int)
    spoilt = pixels[y:, x:] if rng.random() < 0.5 else pixels[: height - y, : width - x]
    return np.ascontiguousarray(spoilt)


SHOWN: dict[str, Callable[[Pixels, Generator], Pixels]] = {
    "painted over": _painted,
    "parts copied": _copied,
    "warped": _warped,
    "noise": _noisy,
    "tones": _toned,
    "turned": _turned,
    "stretched": _stretched,
    "blurred": _blurred,
    "cropped": _cropped,
}
