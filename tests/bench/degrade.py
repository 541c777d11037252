"""What spoils photos, done to a good one whose geometry is known from its truth, step by step.

Pixels are those of the file, before its EXIF turn. Nothing here uses what ringscan finds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from ringscan.layout import HEIGHT_MM, SQUARE_MM, TOWER_CENTRE, WIDTH_MM, ring_corners
from sample_images.generator.camera import Phone, distort, srgb
from sample_images.generator.view import Pose, directions, sheet_to_world

Pixels = NDArray[np.uint8]
Array = NDArray[np.float64]

FOCAL_TAG = (0x8769, 0xA405)
SKIN = (205, 150, 120)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot:
    """A picture, its EXIF, and what is known of it."""

    pixels: Pixels
    exif: Image.Exif
    truth: dict[str, Any]
    quality: int = 95

    @classmethod
    def load(cls, path: Path, truth: dict[str, Any]) -> Shot:
        """Read a rendered picture."""
        with Image.open(path) as image:
            return cls(pixels=np.array(image), exif=image.getexif(), truth=truth)

    def save(self, path: Path) -> None:
        """As phones do: JPEG with colours at half resolution."""
        image = Image.fromarray(self.pixels)
        image.save(path, "JPEG", quality=self.quality, subsampling="4:2:0", exif=self.exif)

    @property
    def phone(self) -> Phone:
        """The simulated phone."""
        return Phone(**self.truth["phone"])

    @property
    def pose(self) -> Pose:
        """Where it was held."""
        return Pose(**self.truth["pose"])

    @property
    def face_px(self) -> Array:
        """The face's corners: lower left, lower right, upper right, upper left."""
        return np.array(self.truth["face_corners_px"])

    def sheet_px(self, points_mm: Array, above_mm: float | Array = 0.0) -> Array:
        """Where points of the sheet, (n, 2), or points above them are seen."""
        world = sheet_to_world(points_mm, self.truth["print_scale"])
        world[:, 2] += above_mm
        return distort(directions(world, self.pose), self.phone)


Change = Callable[[Shot], Shot]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One step of one way to spoil a picture."""

    family: str
    name: str
    change: Change


def linear(pixels: Pixels) -> NDArray[np.float32]:
    """Linear light of sRGB codes, by IEC 61966-2-1."""
    code = np.arange(256) / 255
    table = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return table.astype(np.float32)[pixels]


def coded(light: NDArray[np.float32]) -> Pixels:
    """The inverse of `linear`."""
    return np.asarray(srgb(light) * 255 + 0.5).astype(np.uint8)


def _optics(filtered: Callable[[NDArray[np.float32]], NDArray[np.float32]], shot: Shot) -> Shot:
    return replace(shot, pixels=coded(filtered(linear(shot.pixels))))


def _blur(sd_px: float, light: NDArray[np.float32]) -> NDArray[np.float32]:
    return cv2.GaussianBlur(light, (0, 0), sd_px)


def _face_mask(shot: Shot) -> NDArray[np.uint8]:
    """1 on the face, 0 elsewhere, (h, w)."""
    mask = np.zeros(shot.pixels.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, np.round(shot.face_px * 16).astype(np.int32), 1, shift=4)
    return mask


def translucent(reach_mm: float, shot: Shot) -> Shot:
    """Let light that enters the face come out beside: normal, `reach_mm` is its deviation.

    None comes from beyond the face's edges.
    """
    corners, size = shot.face_px, shot.truth["plan"]["size"]
    per_mm = float(np.linalg.norm(corners[1] - corners[0])) / size["width_mm"]
    face = _face_mask(shot).astype(np.float32)[..., None]
    share = _blur(reach_mm * per_mm, face)[..., None]

    def spread(light: NDArray[np.float32]) -> NDArray[np.float32]:
        within = _blur(reach_mm * per_mm, light * face) / np.maximum(share, 0.1)
        return np.where(face > 0, within, light)

    return _optics(spread, shot)


def shake(length_px: float, along_layers: bool, shot: Shot) -> Shot:
    """Move the camera while the shutter is open."""
    corners = shot.face_px
    way = corners[1] - corners[0] if along_layers else corners[3] - corners[0]
    way = way / np.linalg.norm(way) * length_px / 2
    half = math.ceil(length_px / 2) + 1
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.uint8)
    ends = [tuple(np.round((half + k * way) * 256).astype(int).tolist()) for k in (-1, 1)]
    cv2.line(kernel, *ends, 255, 1, cv2.LINE_AA, 8)
    weights = kernel / kernel.sum(dtype=np.float64)
    return _optics(lambda light: cv2.filter2D(light, -1, weights), shot)


def expose(factor: float, lifted: bool, shot: Shot) -> Shot:
    """Give it another exposure: fewer electrons, or clipped; lifted is brightened again."""
    full_well, read_noise = shot.phone.full_well_e, shot.phone.read_noise_e

    def sensor(light: NDArray[np.float32]) -> NDArray[np.float32]:
        if factor >= 1:
            return np.minimum(light * factor, 1)
        electrons = light * factor * full_well
        grain = np.random.default_rng(0).standard_normal(light.shape, np.float32)
        electrons += grain * np.sqrt(electrons + read_noise**2)
        return np.asarray(electrons / full_well / (factor if lifted else 1), dtype=np.float32)

    return _optics(sensor, shot)


def shrink(factor: float, shot: Shot) -> Shot:
    """Make the picture smaller."""
    small = cv2.resize(shot.pixels, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    return replace(shot, pixels=small)


def zoom(factor: float, shot: Shot) -> Shot:
    """Zoom digitally from further away: fewer pixels, blown up and sharpened."""
    size = shot.pixels.shape[1::-1]
    small = shrink(1 / factor, shot).pixels
    large = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC)
    return sharpen(1.0, replace(shot, pixels=large))


def crop(share: float, shot: Shot) -> Shot:
    """Cut a part off the picture's right side, as an editor does."""
    keep = round(shot.pixels.shape[1] * (1 - share))
    return replace(shot, pixels=np.ascontiguousarray(shot.pixels[:, :keep]))


def tilt(angle_deg: float, shot: Shot) -> Shot:
    """Turn the camera about its own place, on a sensor large enough to see all.

    Exact as far as it goes: what is seen is the same, from the same place.
    """
    phone = shot.phone
    height, width = shot.pixels.shape[:2]
    turn = cv2.Rodrigues(np.array([0.0, np.radians(angle_deg), 0.0]))[0]
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    focal = phone.focal_px
    frame = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]])
    rays = np.column_stack([(frame - middle) / focal, np.ones(4)]) @ turn.T
    seen = rays[:, :2] / rays[:, 2:] * focal
    half = np.ceil(np.abs(seen).max(axis=0))
    x, y = np.meshgrid(np.arange(-half[0], half[0] + 1), np.arange(-half[1], half[1] + 1))
    back = np.stack([x / focal, y / focal, np.ones_like(x)], axis=-1) @ turn
    at = distort(back[..., :2] / back[..., 2:], phone).astype(np.float32)
    pixels = cv2.remap(shot.pixels, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderValue=(90,) * 3)
    exif = Image.Exif()
    exif[274] = phone.orientation
    # the same lens before a larger sensor
    f35 = phone.f35_mm * math.hypot(width, height) / math.hypot(*pixels.shape[:2])
    exif.get_ifd(FOCAL_TAG[0])[FOCAL_TAG[1]] = round(f35)
    return replace(shot, pixels=pixels, exif=exif)


def hide(share: float, scattered: bool, shot: Shot) -> Shot:
    """Lay something over a share of the sheet's ring: here and there, or along one stretch."""
    middle = np.array([WIDTH_MM, HEIGHT_MM]) / 2
    corners = np.array(list(ring_corners().values()))
    rng = np.random.default_rng(shot.truth["seed"])
    if scattered:
        order = rng.permutation(len(corners))
    else:
        around = np.arctan2(*(corners - middle).T) + rng.uniform(0, 2 * np.pi)
        order = np.argsort(around % (2 * np.pi))
    pixels = shot.pixels.copy()
    for corner in corners[order[: round(share * len(corners))]]:
        circle = np.linspace(0, 2 * np.pi, 24)
        blob = corner + 0.6 * SQUARE_MM * np.column_stack([np.cos(circle), np.sin(circle)])
        cv2.fillPoly(pixels, [np.round(shot.sheet_px(blob)).astype(np.int32)], SKIN)
    return replace(shot, pixels=pixels)


def curl(rise_mm: float, one_corner: bool, shot: Shot) -> Shot:
    """Let the paper's left and right edges, or one corner, rise; the tower holds its middle down.

    The sheet's picture is moved to where the risen paper would be seen, up to second order in the
    slope; the tower's is left alone.
    """
    step = SQUARE_MM / 2
    x, y = np.meshgrid(np.arange(-40, WIDTH_MM + 41, step), np.arange(-40, HEIGHT_MM + 41, step))
    flat = np.column_stack([x.ravel(), y.ravel()])
    off = flat - TOWER_CENTRE
    sides, corner = (np.abs(off[:, 0]) - 30) / 66, (off @ np.array([0.6, -0.8]) - 50) / 92
    reach = corner if one_corner else sides
    rise = rise_mm * np.clip(reach, 0, None) ** 2
    moved = shot.sheet_px(flat, rise) - shot.sheet_px(flat)
    # sampled on a coarse grid of the picture, then on every pixel
    from scipy.interpolate import LinearNDInterpolator

    height, width = shot.pixels.shape[:2]
    coarse = 16
    gx, gy = np.meshgrid(
        np.arange(0, width + coarse, coarse), np.arange(0, height + coarse, coarse)
    )
    field_px = LinearNDInterpolator(shot.sheet_px(flat, rise), moved, fill_value=0.0)(gx, gy)
    fine = cv2.resize(field_px.astype(np.float32), (gx.shape[1] * coarse, gx.shape[0] * coarse))[
        :height, :width
    ]
    px, py = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    warped = cv2.remap(shot.pixels, px - fine[..., 0], py - fine[..., 1], cv2.INTER_CUBIC)
    return replace(shot, pixels=np.where(_tower(shot)[..., None] > 0, shot.pixels, warped))


def _tower(shot: Shot) -> Pixels:
    """What the tower covers: its face, and its foot on the sheet."""
    width = shot.truth["plan"]["size"]["width_mm"]
    height, turn = _height_mm(shot), np.radians(shot.truth["pose"]["turn_deg"])
    right = np.array([np.cos(turn), -np.sin(turn)])
    down = np.array([np.sin(turn), np.cos(turn)])
    shift = np.array(shot.truth["pose"]["shift_mm"]) * (1, -1)
    foot = [
        np.array(TOWER_CENTRE) + shift + a * width / 2 * right + b * height / 2 * down
        for a in (-1, 1)
        for b in (-1, 1)
    ]
    points = np.vstack([shot.sheet_px(np.array(foot)), shot.face_px]).astype(np.float32)
    mask = np.zeros(shot.pixels.shape[:2], np.uint8)
    cv2.fillConvexPoly(mask, cv2.convexHull(points).round().astype(np.int32), 255)
    return mask


def _height_mm(shot: Shot) -> float:
    size = shot.truth["plan"]["size"]
    return float(size["first_layer_mm"] + (size["layers"] - 1) * size["layer_height_mm"])


def lay_otherwise(order: tuple[int, int, int, int], shot: Shot) -> Shot:
    """Put the face's picture back turned: `order` says which corner each corner goes to."""
    corners = shot.face_px.astype(np.float32)
    warp = cv2.getPerspectiveTransform(corners, corners[list(order)])
    size = shot.pixels.shape[1::-1]
    moved = cv2.warpPerspective(shot.pixels, warp, size, flags=cv2.INTER_CUBIC)
    return replace(shot, pixels=np.where(_face_mask(shot)[..., None] > 0, moved, shot.pixels))


def tone_curve(strength: float, shot: Shot) -> Shot:
    """Bend codes: an S for more contrast, its opposite where the strength is negative."""
    v = np.arange(256) / 255
    bent = v - strength * np.sin(2 * np.pi * v) / (2 * np.pi)
    table = np.clip(bent * 255 + 0.5, 0, 255).astype(np.uint8)
    return replace(shot, pixels=table[shot.pixels])


def local_tones(limit: float, shot: Shot) -> Shot:
    """Even out dark and bright parts of the picture."""
    lab = cv2.cvtColor(shot.pixels, cv2.COLOR_RGB2LAB)
    lab[..., 0] = cv2.createCLAHE(limit, (8, 8)).apply(lab[..., 0])
    return replace(shot, pixels=np.asarray(cv2.cvtColor(lab, cv2.COLOR_LAB2RGB), np.uint8))


def sharpen(strength: float, shot: Shot) -> Shot:
    """Unsharp mask, 1.5 px."""
    code = shot.pixels.astype(np.float32)
    code += strength * (code - cv2.GaussianBlur(code, (0, 0), 1.5))
    return replace(shot, pixels=np.clip(code + 0.5, 0, 255).astype(np.uint8))


def smooth_noise(reach_px: int, sd_codes: float, shot: Shot) -> Shot:
    """Smooth what differs little, as noise reduction does: a bilateral filter."""
    pixels = cv2.bilateralFilter(shot.pixels, reach_px, sd_codes, reach_px / 2)
    return replace(shot, pixels=np.asarray(pixels, np.uint8))


def all_of_it(shot: Shot) -> Shot:
    """Everything that a phone does, one after the other."""
    shot = smooth_noise(5, 15, shot)
    shot = sharpen(1.0, tone_curve(0.4, local_tones(1.5, shot)))
    return replace(shot, quality=80)


def rungs() -> Iterator[Rung]:
    """The ladder, family by family, each from bearable to hopeless."""

    def rung(family: str, name: str, change: Change) -> Rung:
        return Rung(family=family, name=name, change=change)

    yield rung("as it is", "coded once more", lambda shot: shot)
    for sd in (1, 2, 3, 5, 8):
        yield rung("blur", f"{sd} px", partial(_optics, partial(_blur, sd)))
    for reach in (0.2, 0.4, 0.6, 1):
        yield rung("translucent filament", f"{reach:g} mm", partial(translucent, reach))
    for length in (6, 12, 24):
        yield rung("shake", f"{length} px along the layers", partial(shake, length, True))
    for length in (12, 36):
        yield rung("shake", f"{length} px up the tower", partial(shake, length, False))
    for part in (4, 16, 64):
        yield rung("dark", f"1/{part} of the light", partial(expose, 1 / part, False))
    for part in (4, 16, 64):
        yield rung("dark", f"1/{part}, brightened again", partial(expose, 1 / part, True))
    for times in (1.5, 2, 3, 5):
        yield rung("overexposed", f"{times:g} ×", partial(expose, times, False))
    for quality in (90, 70, 50, 30):
        yield rung("JPEG", f"quality {quality}", lambda s, q=quality: replace(s, quality=q))
    for factor in (0.7, 0.5, 0.4, 0.3):
        yield rung("made smaller", f"to {factor:g}", partial(shrink, factor))
    for share in (0.05, 0.1, 0.2):
        yield rung("cut off", f"{share:.0%} of one side", partial(crop, share))
    for angle in (5, 10, 15):
        yield rung("aimed beside", f"by {angle}°", partial(tilt, angle))
    for share in (0.25, 0.5, 0.7, 0.85):
        yield rung("fiducials hidden", f"{share:.0%}, scattered", partial(hide, share, True))
        yield rung("fiducials hidden", f"{share:.0%}, one stretch", partial(hide, share, False))
    for rise in (2, 4, 8, 16):
        yield rung("curled", f"sides up by {rise} mm", partial(curl, rise, False))
    for rise in (4, 12):
        yield rung("curled", f"one corner up by {rise} mm", partial(curl, rise, True))
    yield rung("laid down", "base away", partial(lay_otherwise, (2, 3, 0, 1)))
    yield rung("laid down", "entry edge on the other side", partial(lay_otherwise, (1, 0, 3, 2)))
    yield rung("laid down", "both", partial(lay_otherwise, (3, 2, 1, 0)))
    yield rung("phone", "more contrast", partial(tone_curve, 0.5))
    yield rung("phone", "less contrast", partial(tone_curve, -0.5))
    for limit in (1.5, 4):
        yield rung("phone", f"local tones, limit {limit:g}", partial(local_tones, limit))
    for strength in (1, 3):
        yield rung("phone", f"sharpened by {strength}", partial(sharpen, strength))
    for reach, sd in ((5, 15), (9, 40)):
        name = f"noise reduction, {reach} px and {sd} codes"
        yield rung("phone", name, partial(smooth_noise, reach, sd))
    yield rung("phone", "2 × digital zoom", partial(zoom, 2.0))
    yield rung("phone", "all of it", all_of_it)
