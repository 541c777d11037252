"""The tone curve of an embedded ICC profile: what light each code of a picture stands for.

Only the curve matters here. The face has one colour, and light multiplies all of its channels
alike, so that any primaries will do; gamut mapping would only clip. Tags and types after ICC.1
(ISO 15076-1).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CURVE_TAGS = {b"RGB ": (b"rTRC", b"gTRC", b"bTRC"), b"GRAY": (b"kTRC",)}
"""By the profile's colour space; others have tables of many dimensions instead."""
TABLE_TAG = b"A2B0"
PARAMETERS = (1, 3, 4, 5, 7)
"""Number of parameters of the parametric curve types 0 to 4."""
ENDS_SLACK = 0.02
"""A curve leads from no light to full light, to within this share."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """What a profile says of a picture's codes; neither, if it is damaged.

    curve : linear light, 0 to 1, of every code, if all channels share one
    needs_tables : whether only a colour management module can tell
    """

    curve: NDArray[np.float32] | None
    needs_tables: bool


def read_profile(profile: bytes, bits: int) -> Profile:
    """Read an embedded profile for codes of `bits` bits; none at all has no bytes."""
    try:
        tags = _tags(profile)
        names = CURVE_TAGS.get(profile[16:20], ())
        if not names or names[0] not in tags:
            return Profile(curve=None, needs_tables=TABLE_TAG in tags)
        curves = [_curve(tags[name], bits) for name in names]
    except (KeyError, IndexError, ValueError, OverflowError, struct.error):
        return Profile(curve=None, needs_tables=False)
    if not all(_is_sane(curve) for curve in curves):
        return Profile(curve=None, needs_tables=False)
    if not all((curve == curves[0]).all() for curve in curves):
        return Profile(curve=None, needs_tables=True)
    return Profile(curve=curves[0].astype(np.float32), needs_tables=False)


def _is_sane(curve: NDArray[np.float64]) -> bool:
    # written so that NaN fails
    rises = bool((np.diff(curve) >= 0).all())
    return rises and abs(curve[0]) < ENDS_SLACK and abs(curve[-1] - 1) < ENDS_SLACK


def _tags(profile: bytes) -> dict[bytes, bytes]:
    if profile[36:40] != b"acsp":
        raise ValueError("not an ICC profile")
    (count,) = struct.unpack_from(">I", profile, 128)
    entries = (struct.unpack_from(">4sII", profile, 132 + 12 * k) for k in range(min(count, 100)))
    return {name: profile[start : start + size] for name, start, size in entries}


def _curve(tag: bytes, bits: int) -> NDArray[np.float64]:
    code: NDArray[np.float64] = np.arange(2**bits) / (2**bits - 1)
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        fixed = struct.unpack_from(f">{PARAMETERS[kind]}i", tag, 12)
        with np.errstate(all="ignore"):
            return _parametric(code, kind, *(float(value) / 65536 for value in fixed))
    if tag[:4] != b"curv":
        raise ValueError("neither kind of curve")
    (count,) = struct.unpack_from(">I", tag, 8)
    if count == 0:
        return code
    if count == 1:
        (gamma,) = struct.unpack_from(">H", tag, 12)
        return np.asarray(code ** (gamma / 256))
    points = np.frombuffer(tag, ">u2", count, 12) / 65535
    return np.interp(code, np.linspace(0, 1, count), points)


def _parametric(
    code: NDArray[np.float64],
    kind: int,
    g: float,
    a: float = 1.0,
    b: float = 0.0,
    c: float = 0.0,
    d: float = 0.0,
    e: float = 0.0,
    f: float = 0.0,
) -> NDArray[np.float64]:
    """Parametric curve types 0 to 4: a power above a limit, a line or a constant below it."""
    if kind in (1, 2):
        limit, slope, above, below = -b / a if a else 0.0, 0.0, c, c
    else:
        limit, slope, above, below = d, c, e, f
    power = np.maximum(a * code + b, 0) ** g + above
    return np.where(code >= limit, power, slope * code + below)
