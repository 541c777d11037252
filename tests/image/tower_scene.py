"""Quick pictures of a tower on its sheet, by ray casting onto planes: geometry for tests.

The camera is OpenCV's model (undistortPoints for the rays, projectPoints for the truth), the
sheet is the rasterised PDF. Shading is crude: path-traced pictures test that.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
from numpy.typing import NDArray
from PIL import Image

from ringscan.image.photo import Photo, read_photo
from ringscan.layout import TOWER_CENTRE, Paper
from ringscan.make.sheet import sheet_pdf
from ringscan.plan import Axis, Plan, parse_plan

PLAN_TEXT = """
version = 1
tower = "WREN-1"
[size]
width_mm = 60.0
line_width_mm = 0.45
first_layer_mm = 0.3
layer_height_mm = 0.2
layers = 500
[motion]
direction = "counter-clockwise"
speed_mm_s = 100.0
acceleration_mm_s2 = 3000.0
corner_speed_mm_s = 5.0
[shaper]
family = "ZV"
damping_ratio = 0.1
[ramp.x]
first_layer = 60
last_layer = 489
start = 20.0
step = 0.5
layers_per_step = 5
[reference]
first_layer = 5
last_layer = 59
"""


def make_plan(**replaced: str) -> Plan:
    text = PLAN_TEXT
    for old, new in replaced.items():
        lines = [f"{old} = {new}" if ln.startswith(f"{old} =") else ln for ln in text.splitlines()]
        text = "\n".join(lines)
    return parse_plan(text)


ROUND_MM = 0.4
CURL_FROM_MM, CURL_OVER_MM = 30.0, 66.0
"""From the sheet's middle line: flat up to the one, then rising over the other."""


@dataclass(frozen=True, kw_only=True)
class Scene:
    plan: Plan = field(default_factory=make_plan)
    axis: Axis = "x"
    width_px: int = 3000
    height_px: int = 4000
    focal_px: float = 3100.0
    k1: float = 0.0
    eye_mm: tuple[float, float, float] = (100.0, 140.0, 350.0)
    aim_mm: tuple[float, float] = (96.0, 132.0)
    turn_deg: float = 0.0
    shift_mm: tuple[float, float] = (2.0, -1.5)
    yaw_deg: float = 2.0
    size_scale: tuple[float, float] = (1.0, 1.0)
    albedo: float = 0.45
    light: tuple[float, float] = (-1.0, 0.3)
    print_scale: float = 1.0
    tower: bool = True
    sheet: bool = True
    seed: int = 1
    blur_px: float = 0.9
    noise: float = 0.004
    ripple: float = 0.15
    samples: int = 1
    curl_mm: float = 0.0
    """How far the paper's left and right edges rise; the tower holds its middle down."""

    @property
    def pose(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        eye = np.array([self.eye_mm[0], self.eye_mm[1], -self.eye_mm[2]])
        forward = np.array([*self.aim_mm, 0.0]) - eye
        forward /= np.linalg.norm(forward)
        right = np.cross([0.0, 1.0, 0.0], forward)
        right /= np.linalg.norm(right)
        turn = np.vstack([right, np.cross(forward, right), forward])
        a = np.radians(self.turn_deg)
        roll = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
        turn = roll @ turn
        return turn, -turn @ eye

    @property
    def matrix(self) -> NDArray[np.float64]:
        cx, cy = (self.width_px - 1) / 2, (self.height_px - 1) / 2
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    @property
    def frame(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Face's lower left corner on the sheet, and unit vectors to the right and up."""
        a = np.radians(self.yaw_deg)
        right = np.array([np.cos(a), np.sin(a)])
        up = np.array([np.sin(a), -np.cos(a)])
        width, height = self.size
        middle = (np.array(TOWER_CENTRE) + self.shift_mm) * self.print_scale
        return middle - right * width / 2 - up * height / 2, right, up

    @property
    def size(self) -> tuple[float, float]:
        size = self.plan.size
        return size.width_mm * self.size_scale[0], self.plan.height_mm * self.size_scale[1]

    def project(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        turn, shift = self.pose
        lens = np.array([self.k1, 0, 0, 0])
        px, _ = cv2.projectPoints(points_mm, cv2.Rodrigues(turn)[0], shift, self.matrix, lens)
        return np.asarray(px).reshape(-1, 2)

    def face_px(self, u: NDArray[np.float64], z: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points of the face, u from its left edge and z from the base, appear."""
        corner, right, up = self.frame
        width, height = self.size
        u = np.asarray(u) / self.plan.size.width_mm * width
        z = np.asarray(z) / self.plan.height_mm * height
        flat = corner + u[:, None] * right + z[:, None] * up
        return self.project(np.column_stack([flat, np.full(len(u), -width)]))

    @property
    def corners_px(self) -> NDArray[np.float64]:
        """Lower left, lower right, upper right, upper left corner of the face."""
        w, h = self.plan.size.width_mm, self.plan.height_mm
        return self.face_px(np.array([0, w, w, 0]), np.array([0, 0, h, h]))

    def render(self) -> NDArray[np.uint8]:
        """sRGB-coded picture, uint8, (height, width, 3)."""
        step = 500
        rows = [
            self._rows(r, min(r + step, self.height_px)) for r in range(0, self.height_px, step)
        ]
        light = cv2.GaussianBlur(np.vstack(rows), (0, 0), self.blur_px)
        rng = np.random.default_rng(self.seed)
        grain = rng.standard_normal(light.shape, dtype=np.float32)
        light += self.noise * np.sqrt(np.maximum(light, 0.01)) * grain
        light = np.clip(light, 0, 1)
        code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        grey = np.round(255 * code).astype(np.uint8)
        return np.repeat(grey[:, :, None], 3, axis=2)

    def save(self, path, quality: int = 92, focal_35mm: int | None = None, **extra) -> None:
        image = Image.fromarray(self.render())
        exif = Image.Exif()
        if focal_35mm is not None:
            exif.get_ifd(0x8769)[0xA405] = focal_35mm
        image.save(path, quality=quality, exif=exif, **extra)

    def _rows(self, first: int, last: int) -> NDArray[np.float32]:
        fine = self.samples
        ys = (np.arange(first * fine, last * fine) + 0.5) / fine - 0.5
        xs = (np.arange(self.width_px * fine) + 0.5) / fine - 0.5
        grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 1, 2)
        lens = np.array([self.k1, 0, 0, 0])
        flat = cv2.undistortPoints(grid, self.matrix, lens).reshape(-1, 2).astype(np.float32)
        turn, shift = self.pose
        eye = -turn.T @ shift
        ones = np.ones(len(flat), np.float32)
        rays = np.column_stack([flat, ones]) @ turn.astype(np.float32)
        light = self._cast(rays, eye.astype(np.float32))
        light = light.reshape(len(ys), len(xs))
        return cv2.resize(light, (self.width_px, last - first), interpolation=cv2.INTER_AREA)

    def _cast(self, rays: NDArray[np.float32], eye: NDArray[np.float32]) -> NDArray[np.float32]:
        light = self._table(self._paper(rays, eye))
        if not self.tower:
            return light
        corner, right, up = self.frame
        width, height = self.size
        # the box in its own frame: u right, v up, w above the sheet
        frame = np.column_stack([right, up]).astype(np.float32)
        origin = np.array([*((eye[:2] - corner) @ frame), -eye[2]], np.float32)
        ways = np.column_stack([rays[:, :2] @ frame, -rays[:, 2]])
        low, high = np.zeros(3, np.float32), np.array([width, height, width], np.float32)
        with np.errstate(divide="ignore"):
            a, b = (low - origin) / ways, (high - origin) / ways
        near, far = np.minimum(a, b), np.maximum(a, b)
        enter, hit_side = near.max(axis=1), near.argmax(axis=1)
        hit = enter < far.min(axis=1)
        at = origin + ways[hit] * enter[hit, None]
        side = hit_side[hit]
        toward_lamp = (at[:, 0] < width / 2) == (self.light[0] < 0)
        wall = np.where(toward_lamp, 2.0, 0.15)  # a lamp 20° up: sine and cosine of that
        shade = np.where(side == 1, 0.06, wall) * self.albedo
        top = side == 2
        # upright corners are round: what is left of them is shaded like the wall
        top &= (at[:, 0] > ROUND_MM) & (at[:, 0] < width - ROUND_MM)
        scale = self.plan.size.width_mm / width, self.plan.height_mm / height
        shade[top] = self.face(at[top, 0] * scale[0], at[top, 1] * scale[1])
        light[hit] = shade
        return light

    def _paper(self, rays: NDArray[np.float32], eye: NDArray[np.float32]) -> NDArray[np.float32]:
        """Where rays meet the paper, in the paper's own flat frame, (n, 2)."""
        ground = eye[:2] + rays[:, :2] * (-eye[2] / rays[:, 2])[:, None]
        if not self.curl_mm:
            return ground
        half = CURL_FROM_MM + CURL_OVER_MM
        for _ in range(6):
            off = np.clip(np.abs(ground[:, 0] - half) - CURL_FROM_MM, 0, None)
            rise = self.curl_mm * (off / CURL_OVER_MM) ** 2
            ground = eye[:2] + rays[:, :2] * ((-rise - eye[2]) / rays[:, 2])[:, None]
        # along the slope it is longer than on the table: half the square of the slope, integrated
        longer = 2 / 3 * self.curl_mm**2 / CURL_OVER_MM**4 * off**3
        ground[:, 0] += np.sign(ground[:, 0] - half) * longer
        return ground

    def face(self, u: NDArray[np.float64], z: NDArray[np.float64]) -> NDArray[np.float64]:
        """Linear light of the face."""
        s = u if self.plan.motion.direction == "counter-clockwise" else self.plan.size.width_mm - u
        wave = self.ripple * np.exp(-s / 20) * np.cos(2 * np.pi * s / 2.2)
        layers = 0.1 * np.sin(2 * np.pi * (z - self.plan.size.first_layer_mm) / 0.2)
        lit = u if self.light[0] < 0 else self.plan.size.width_mm - u
        return self.albedo * 0.8 * (1 - 0.006 * lit) * (1 + wave) * (1 + layers)

    def _table(self, ground: NDArray[np.float32]) -> NDArray[np.float32]:
        light = np.full(len(ground), 0.25, dtype=np.float32)
        lit = np.full(len(ground), 1.0, dtype=np.float32)
        if self.tower:
            corner, right, up = self.frame
            width, height = self.size
            box = [corner + a * right * width + b * up * height for a in (0, 1) for b in (0, 1)]
            cast = -np.array(self.light) * 2.5 * width
            hull = cv2.convexHull(np.array(box + [p + cast for p in box], dtype=np.float32))[:, 0]
            inside = np.ones(len(ground), dtype=bool)
            for p, q in zip(hull, np.roll(hull, -1, axis=0), strict=True):
                edge = q - p
                cross = edge[0] * (ground[:, 1] - p[1]) - edge[1] * (ground[:, 0] - p[0])
                inside &= cross * np.sign(_area(hull)) > 0
            lit[inside] = 0.12
        if self.sheet:
            page, origin, dpmm = sheet_raster(self.plan, self.axis)
            at = ((ground / self.print_scale + origin) * dpmm - 0.5).astype(np.float32)
            ink = cv2.remap(
                page,
                at[:, 0].reshape(-1, 1000),
                at[:, 1].reshape(-1, 1000),
                cv2.INTER_LINEAR,
                borderValue=-1.0,
            ).ravel()
            on = ink >= 0
            light[on] = ink[on]
        return light * lit


def _area(hull: NDArray[np.float32]) -> float:
    x, y = hull[:, 0], hull[:, 1]
    return float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


Raster = tuple[NDArray[np.float32], NDArray[np.float64], NDArray[np.float64]]
_RASTERS: dict[tuple[str, str], Raster] = {}


def sheet_raster(plan: Plan, axis: Axis) -> Raster:
    """Linear reflectance of the A4 page, the grid's origin on it in mm, px per mm."""
    key = (plan.digest, axis)
    if key not in _RASTERS:
        scale = 14 * 25.4 / 72
        pdf = pypdfium2.PdfDocument(sheet_pdf(plan, Paper.A4))
        page = pdf[plan.axes.index(axis)].render(scale=scale, grayscale=True)
        grey = np.asarray(page.to_numpy()).reshape(page.height, page.width)
        dpmm = np.array([grey.shape[1] / 210.0, grey.shape[0] / 297.0])
        ink = 0.03 + 0.72 * grey.astype(np.float32) / 255
        _RASTERS[key] = ink, np.array(Paper.A4.origin_mm), dpmm
    return _RASTERS[key]


def photo_of(pixels: NDArray[np.uint8], folder: Path, *, quality: int = 92) -> Photo:
    """Pixels as they come out of a JPEG."""
    path = folder / "a.jpg"
    Image.fromarray(pixels).save(path, quality=quality)
    return read_photo(path)
