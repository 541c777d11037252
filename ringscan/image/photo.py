"""Read a picture file: pixels, upright; what EXIF says of the focal length; nothing else.

Points are (x, y) in px with the origin at the centre of pixel (0, 0); arrays are [row, col].
"""

from __future__ import annotations

import hashlib
import io
import math
import struct
import threading
import warnings
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from ringscan.errors import PhotoError, why
from ringscan.image.decode import decode

FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
"""Multi-picture files (MPO) are opened as JPEG."""
HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
MAX_FILE_BYTES = 300_000_000
"""No picture of the allowed size needs more, even uncompressed at 16 bits."""
MIN_MEGAPIXELS = 1.0
"""Below, the face has fewer than about 4 px per mm: no ripple of any printer can be seen."""
MIN_SIDE_PX = 600
MARKED_BY = "marked by ringscan"
"""Comment in pictures that are results: lines drawn on a face are no ripples."""
EXAMPLE_STEP = 57.625
"""Mean step of the luminance quantisation table in ITU-T T.81 (1992), table K.1, which common
encoders take for their quality 50."""
COARSEST = 2.3
"""Multiple of it beyond which blocks of 8 pixels pass for ripples: at a quality of 20 damping
ratios were off by a factor of up to 1.5, at 15 and 10 of up to 2 (ten rendered pictures)."""
FILM_DIAGONAL_MM = 43.27
"""Diagonal of 24 × 36 mm film, to which EXIF's 35 mm equivalent refers (from memory)."""
FOCAL_RANGE_MM = (10.0, 400.0)
"""35 mm equivalents that a lens for this job can have; anything else is not believed."""

_DECODE_ERRORS = (
    OSError,
    SyntaxError,
    ValueError,
    EOFError,
    struct.error,
    zlib.error,
    IndexError,
    TypeError,
    OverflowError,
)
"""What Pillow's plugins are seen to raise for damaged or hostile files."""

_TURNS: dict[int, tuple[int | None, int | None]] = {
    2: (None, 1),
    3: (cv2.ROTATE_180, None),
    4: (None, 0),
    5: (cv2.ROTATE_90_CLOCKWISE, 1),
    6: (cv2.ROTATE_90_CLOCKWISE, None),
    7: (cv2.ROTATE_90_COUNTERCLOCKWISE, 1),
    8: (cv2.ROTATE_90_COUNTERCLOCKWISE, None),
}
"""EXIF orientation: the turn, then the flip (cv2's code) that make the picture upright."""
_QUARTERS = {
    None: 0,
    cv2.ROTATE_90_COUNTERCLOCKWISE: 1,
    cv2.ROTATE_180: 2,
    cv2.ROTATE_90_CLOCKWISE: 3,
}
"""The turns in quarters counterclockwise."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """A picture as it was read, turned upright by its EXIF orientation.

    source : name of the file
    sha256 : of the file's bytes, hexadecimal
    luma : coded luma (Rec. 601 weights), uint8 or uint16, (height, width)
    half_rgb : coded colour at half the size, uint8, (rows, cols, 3); None for a grey picture. Its
        pixel (j, k) covers the luma's rows 2 j and 2 j + 1 and columns 2 k and 2 k + 1, to a pixel
        where an odd side was turned
    focal_px : focal length by EXIF; None when EXIF does not say
    curve : linear light of each code by the file's profile; None for that of sRGB
    coarseness : mean step of a JPEG's luma, over that of the standard's example; None for others
    """

    source: str
    sha256: str
    luma: NDArray[np.uint8] | NDArray[np.uint16]
    half_rgb: NDArray[np.uint8] | None
    focal_px: float | None
    curve: NDArray[np.float32] | None = None
    coarseness: float | None = None

    @property
    def width_px(self) -> int:
        """Width of the upright picture."""
        return int(self.luma.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright picture."""
        return int(self.luma.shape[0])

    def grey8(self) -> NDArray[np.uint8]:
        """Luma in 8 bits, (height, width): enough to find things."""
        if self.luma.dtype == np.uint8:
            return self.luma  # type: ignore[return-value]
        return (self.luma >> 8).astype(np.uint8)

    def light_of_grey8(self) -> NDArray[np.float32]:
        """Linear light, 0 to 1, of every code of `grey8`."""
        table = self.light_of_codes()
        return table if len(table) == 256 else table[128::256]

    def linear(self, rows: slice, cols: slice) -> NDArray[np.float32]:
        """Linear light, 0 to 1, of a part of the picture, (rows, cols).

        Decoding the luma is right for coloured surfaces too: when light multiplies all channels
        by the same factor, so it does the decoded luma (exactly so where the curve is a power, as
        sRGB's is above its linear toe), and luma is the one channel that JPEG keeps at full
        resolution.
        """
        codes, light = self.luma[rows, cols], self.light_of_codes()
        if codes.dtype != np.uint8 or codes.size == 0:
            return light[codes]
        return np.asarray(cv2.LUT(codes, light), dtype=np.float32)

    def light_of_codes(self) -> NDArray[np.float32]:
        """Linear light, 0 to 1, of every code of the luma."""
        return srgb_table(self.luma.dtype.itemsize * 8) if self.curve is None else self.curve

    def unusable(self, rows: slice, cols: slice) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Where any channel is clipped, and where the luma is near black, each (rows, cols)."""
        luma = self.luma[rows, cols]
        if self.half_rgb is None:
            clipped = np.asarray(luma >= CLIPPED_LEVEL * np.iinfo(luma.dtype).max)
        else:
            y, x = max(0, rows.start), max(0, cols.start)
            part = self.half_rgb[y // 2 : (rows.stop + 1) // 2, x // 2 : (cols.stop + 1) // 2]
            below = (math.ceil(CLIPPED_LEVEL * 255) - 1,) * 3
            # the colour of a turned picture is a view
            halves = cv2.inRange(np.ascontiguousarray(part), (0, 0, 0), below) == 0
            whole = halves.repeat(2, axis=0).repeat(2, axis=1)
            clipped = whole[y % 2 :, x % 2 :][: luma.shape[0], : luma.shape[1]]
        darkest = np.searchsorted(self.light_of_codes(), BLACK_LIGHT, side="right") - 1
        return clipped, np.asarray(luma <= darkest)


CLIPPED_LEVEL = 0.985
"""Share of full scale (251 of 255) from which a channel counts as clipped: JPEG spreads 255."""
BLACK_LEVEL = 0.008
"""Share of full scale (2 of 255) up to which an sRGB-coded pixel holds no signal."""
BLACK_LIGHT = BLACK_LEVEL / 12.92
"""The same in linear light, whatever the coding."""


@lru_cache(maxsize=2)
def srgb_table(bits: int) -> NDArray[np.float32]:
    """Linear light of every sRGB code of 8 or 16 bits, by IEC 61966-2-1."""
    code = np.arange(2**bits) / (2**bits - 1)
    linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    table: NDArray[np.float32] = linear.astype(np.float32)
    table.flags.writeable = False
    return table


def read_photo(path: Path, *, max_megapixels: float = 60) -> Photo:
    """Read a picture file.

    Parameters
    ----------
    path : Path
        JPEG (also multi-picture), PNG, TIFF, WebP; HEIC where pi-heif is installed.
    max_megapixels : float
        Larger pictures are refused before they are decoded.

    Raises
    ------
    PhotoError
        If it is no picture, damaged, cut short, too small or too large.
    ValueError
        If max_megapixels is not above 0.
    """
    if not max_megapixels > 0:
        raise ValueError(f"max_megapixels = {max_megapixels} must be above 0")
    data = _read_bytes(path)
    formats = _formats_for(data, path)
    with _reading_quietly():
        try:
            image = Image.open(io.BytesIO(data), formats=formats)
        except _DECODE_ERRORS as exc:
            raise PhotoError(
                f"{path}: is not a picture that can be read; give a JPEG, PNG, TIFF, WebP or HEIC"
            ) from exc
        if _is_marked(image):
            raise PhotoError(
                f"{path}: is a picture marked by ringscan, with lines drawn over the tower; give "
                f"the photo itself"
            )
        _check_size(image, path, max_megapixels)
        coarseness = _coarseness(image)
        if coarseness is not None and coarseness > COARSEST:
            raise PhotoError(
                f"{path}: is compressed so strongly (JPEG steps {coarseness:.1f} times those of "
                f"quality 50) that its blocks pass for ripples; give the photo as the phone made it"
            )
        if image.mode in ("I", "F"):
            raise PhotoError(
                f"{path}: 32-bit grey values have no known scale; save the picture with 8 or 16 "
                f"bits"
            )
        try:
            pixels = decode(image, data)
        except MemoryError as exc:
            raise PhotoError(f"{path}: does not fit in memory; give a smaller picture") from exc
        except _DECODE_ERRORS as exc:
            raise PhotoError(
                f"{path}: the picture is damaged or cut short ({_one_line(exc)}); copy it again "
                f"from the phone"
            ) from exc
        orientation, focal_35mm = _read_exif(image)
    luma = _upright(pixels.luma, orientation)
    height, width = luma.shape
    return Photo(
        source=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        luma=luma,
        half_rgb=None if pixels.half_rgb is None else _upright_view(pixels.half_rgb, orientation),
        focal_px=focal_35mm and focal_35mm / FILM_DIAGONAL_MM * math.hypot(width, height),
        curve=pixels.curve,
        coarseness=coarseness,
    )


def _coarseness(image: Image.Image) -> float | None:
    """See `Photo`."""
    tables = getattr(image, "quantization", None)
    if not tables or 0 not in tables:
        return None
    return float(np.mean(tables[0])) / EXAMPLE_STEP


def _read_bytes(path: Path) -> bytes:
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise PhotoError(f"{path}: is a folder; give a picture file")
        if not path.is_file():
            raise PhotoError(f"{path}: is a device or a pipe; give a picture file")
        if size > MAX_FILE_BYTES:
            raise PhotoError(
                f"{path}: {size / 1e6:.0f} MB is more than a photo has; at most "
                f"{MAX_FILE_BYTES / 1e6:.0f} MB"
            )
        data = path.read_bytes()
    except FileNotFoundError as exc:
        raise PhotoError(f"{path}: there is no such file") from exc
    except (OSError, ValueError) as exc:
        raise PhotoError(f"{path}: cannot be read: {why(exc)}") from exc
    if not data:
        raise PhotoError(f"{path}: the file is empty; copy it again from the phone")
    return data


def _formats_for(data: bytes, path: Path) -> tuple[str, ...]:
    if data[4:8] != b"ftyp" or data[8:12] not in HEIF_BRANDS:
        return FORMATS
    try:
        import pi_heif
    except ImportError as exc:
        raise PhotoError(
            f"{path}: HEIC pictures need pi-heif; install 'ringscan[heic]', or save it as JPEG"
        ) from exc
    pi_heif.register_heif_opener()
    return ("HEIF",)


_reading = threading.Lock()
_readers = 0
_restored = ExitStack()


@contextmanager
def _reading_quietly() -> Iterator[None]:
    """Lift Pillow's own limit of pixels, and hush its warnings of damaged metadata.

    Our limit is stricter and is checked before decoding, and what matters of the metadata is
    checked here. Both settings are the whole process's: of several threads the first sets them,
    and the last puts back what was.
    """
    global _readers
    with _reading:
        if not _readers:
            _restored.enter_context(warnings.catch_warnings())
            warnings.simplefilter("ignore")
            _restored.callback(setattr, Image, "MAX_IMAGE_PIXELS", Image.MAX_IMAGE_PIXELS)
            Image.MAX_IMAGE_PIXELS = None
        _readers += 1
    try:
        yield
    finally:
        with _reading:
            _readers -= 1
            if not _readers:
                _restored.close()


def _is_marked(image: Image.Image) -> bool:
    comment = image.info.get("comment") or image.info.get("Comment") or ""
    return comment in (MARKED_BY, MARKED_BY.encode())


def _check_size(image: Image.Image, path: Path, max_megapixels: float) -> None:
    width, height = image.size
    megapixels = width * height / 1e6
    if megapixels > max_megapixels:
        raise PhotoError(
            f"{path}: {width} × {height} px is {megapixels:.0f} megapixels; at most "
            f"{max_megapixels:g} are read; use the phone's ordinary 12 megapixel setting"
        )
    if megapixels < MIN_MEGAPIXELS or min(width, height) < MIN_SIDE_PX:
        raise PhotoError(
            f"{path}: {width} × {height} px is too small to show ripples; give the photo as the "
            f"phone took it (8 megapixels or more), not a thumbnail or a messenger's copy"
        )


def _read_exif(image: Image.Image) -> tuple[int, float | None]:
    """Orientation (1 if unknown) and 35 mm equivalent focal length (None if unknown)."""
    try:
        exif = image.getexif()
        orientation = exif.get(ExifTags.Base.Orientation, 1)
        focal = exif.get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm, 0)
    except _DECODE_ERRORS:
        return 1, None
    if not isinstance(orientation, int):
        orientation = 1
    try:
        focal = float(focal)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return orientation, None
    low, high = FOCAL_RANGE_MM
    return orientation, focal if low <= focal <= high else None


def _upright(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    turn, flip = _TURNS.get(orientation, (None, None))
    turned = pixels if turn is None else cv2.rotate(pixels, turn)
    return turned if flip is None else cv2.flip(turned, flip)


def _upright_view(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """The same as a view: colour is looked at in parts only."""
    turn, flip = _TURNS.get(orientation, (None, None))
    turned = np.rot90(pixels, _QUARTERS[turn])
    return turned if flip is None else np.flip(turned, axis=flip)


def _one_line(exc: BaseException) -> str:
    return " ".join(str(exc).split())[:120] or type(exc).__name__
