"""Takes the scan sheet away: the rendered towers on another ground, a card beside the face.

Nothing of the sheet is left in the picture. The tower's outline comes from the generator's own
mesh, ground and card from the truth's geometry and lamp; nothing here uses what ringscan finds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.plan import Plan
from sample_images.generator.camera import distort, undistort
from sample_images.generator.scene import DESKS, PAPER, desk_picture
from sample_images.generator.simulate import Oscillator, simulate
from sample_images.generator.view import camera_frame, directions, face_to_world
from sample_images.generator.wall import Flaws, build_tower
from tests.bench.degrade import Array, Pixels, Shot, coded, linear

ID1_MM = (85.60, 53.98)
"""ISO/IEC 7810; corners round by about 3.18 mm."""
ROUND_MM = 3.18
CLEAR_MM = (4.0, 25.0)
"""Between face and card."""
TURN_DEG = 8.0
"""The card is held square to the face by about so much."""
INNER_MM = 3.0
BEAD = slice(3, None, 6)
GROUND_PX = 4
"""The ground is worked out on every so many pixels; it is out of focus."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scene:
    """A picture and its geometry in the face's frame: x right, y up the tower, z out of the face.

    to_world : from that frame to the world, (3, 4)
    """

    shot: Shot
    plan: Plan
    flaws: Flaws
    to_world: Array

    @classmethod
    def of(cls, shot: Shot) -> Scene:
        """By the picture's truth."""
        plan = Plan.model_validate(shot.truth["plan"])
        flaws = Flaws(**shot.truth["flaws"])
        return cls(
            shot=shot, plan=plan, flaws=flaws, to_world=face_to_world(plan, flaws, shot.pose)
        )

    def world(self, points: Array) -> Array:
        """Points of the face's frame, (n, 3), in the world."""
        return np.asarray(points @ self.to_world[:, :3].T + self.to_world[:, 3])

    def px(self, points: Array) -> Array:
        """Where they are seen, (n, 2)."""
        return distort(directions(self.world(points), self.shot.pose), self.shot.phone)

    def seen_at(self, px: Array, height_mm: float) -> Array:
        """Points of the face's frame, (n, 2), at its height z that are seen at pixels."""
        rows, eye = camera_frame(self.shot.pose)
        ideal = undistort(px, self.shot.phone)
        rays = np.column_stack([ideal, np.ones(len(px))]) @ rows
        turn = self.to_world[:, :3]
        rays, eye = rays @ turn, (eye - self.to_world[:, 3]) @ turn
        reach = (height_mm - eye[2]) / rays[:, 2]
        return np.asarray(eye[:2] + rays[:, :2] * reach[:, None])


def tower_mask(scene: Scene) -> Pixels:
    """255 on the tower as it was printed."""
    truth = scene.shot.truth
    axes = [truth[name] and Oscillator(**truth[name]) for name in ("normal", "along")]
    track = simulate(scene.plan, truth["axis"], *axes)
    mask = np.zeros(scene.shot.pixels.shape[:2], np.uint8)
    half, height = scene.plan.size.width_mm / 2, scene.plan.height_mm
    for name, mesh in build_tower(track, scene.plan, scene.flaws).items():
        if name == "inside":
            continue
        points = mesh.vertices.astype(np.float64)
        # rows of vertices run around the tower; of the face's six per layer one stands out most
        columns = int(mesh.triangles[0].max()) - 1
        rows = points.reshape(-1, columns, 3)[BEAD if name == "face" else slice(None)]
        px = scene.px(rows.reshape(-1, 3)).reshape(*rows.shape[:2], 2)
        cv2.polylines(mask, list(np.round(px * 16).astype(np.int32)), False, 255, shift=4)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
    inner = scene.px(
        np.array(
            [
                (x * (half - INNER_MM), y, z * (half - INNER_MM))
                for x in (-1, 1)
                for y in (INNER_MM, height - INNER_MM)
                for z in (-1, 1)
            ]
        )
    )
    hull = cv2.convexHull(inner.astype(np.float32))
    cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 255)
    return mask


def ground_light(scene: Scene, kind: str, rng: np.random.Generator) -> Array:
    """Light that the ground sends to each pixel, in units of the sensor's white: lit by the lamp,
    but for the tower's shadow, and by the room.
    """
    rows, columns = scene.shot.pixels.shape[:2]
    x, y = np.meshgrid(
        np.arange(0, columns + GROUND_PX, GROUND_PX), np.arange(0, rows + GROUND_PX, GROUND_PX)
    )
    pose, truth = scene.shot.pose, scene.shot.truth
    turn, eye = camera_frame(pose)
    px = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
    rays = np.column_stack([undistort(px, scene.shot.phone), np.ones(len(px))]) @ turn
    ground = (eye - rays * (eye[2] / rays[:, 2])[:, None])[:, :2]

    lamp = truth["lamp"]
    middle = np.array([0, 0, scene.to_world[2, 3] + scene.plan.size.width_mm / 2])
    up, skew = np.radians([lamp["elevation_deg"], lamp["skew_deg"]])
    way = [np.cos(up) * lamp["side"] * np.cos(skew), np.cos(up) * np.sin(skew), np.sin(up)]
    lamp_at = middle + lamp["distance_mm"] * np.array(way)
    to_lamp = lamp_at - np.column_stack([ground, np.zeros(len(ground))])
    lit = to_lamp[:, 2] * lamp["distance_mm"] ** 2 / np.linalg.norm(to_lamp, axis=1) ** 3
    lit = lit.reshape(x.shape) * _out_of_shadow(scene, lamp_at, x.shape)

    reflected = _reflectance(kind, ground, rng).reshape(*x.shape, 3)
    light = reflected / PAPER * (lit + lamp["room"])[..., None] * 0.5 * truth["paper_white"]
    size = x.shape[1] * GROUND_PX, x.shape[0] * GROUND_PX
    fine = cv2.resize(light.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return np.asarray(fine[:rows, :columns])


def _out_of_shadow(scene: Scene, lamp_at: Array, shape: tuple[int, ...]) -> NDArray[np.float32]:
    half, height = scene.plan.size.width_mm / 2, scene.plan.height_mm
    box = np.array([(x, y, z) for x in (-half, half) for y in (0, height) for z in (-half, half)])
    world = scene.world(box)
    down = (world - lamp_at) * (lamp_at[2] / (lamp_at[2] - world[:, 2]))[:, None] + lamp_at
    px = distort(directions(down, scene.shot.pose), scene.shot.phone) / GROUND_PX
    free = np.ones(shape, np.float32)
    hull = cv2.convexHull(px.astype(np.float32))
    cv2.fillConvexPoly(free, np.round(hull).astype(np.int32), 0.0)
    return cv2.GaussianBlur(free, (0, 0), 12 / GROUND_PX)


def _reflectance(kind: str, ground: Array, rng: np.random.Generator) -> Array:
    """Of the ground at points, mm, (n, 3): plain, wood, or boards with gaps."""
    if kind == "plain":
        return np.tile(rng.uniform(0.05, 0.6) * np.ones(3), (len(ground), 1))
    wood = desk_picture(rng, DESKS[rng.integers(len(DESKS))])
    angle = rng.uniform(0, np.pi)
    at = ground @ np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    # the generator's desk: 2400 mm for 512 pixels, mirrored beyond; here seven times as fine
    row, column = (np.abs((at[:, i] * 1.5 + 5120) % 1024 - 512).astype(int) % 512 for i in (1, 0))
    light = wood[row, column]
    if kind == "boards":
        light = light * np.where(np.abs(at[:, 1] % 70.0) < 0.8, 0.25, 1.0)[:, None]
    return np.asarray(light)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Card:
    """A card in the face's plane.

    middle_mm, turn_deg : in the face's frame
    light : reflectance, red, green and blue
    below_mm : how far it lies below the face's plane
    """

    size_mm: tuple[float, float]
    middle_mm: Array
    turn_deg: float
    light: Array
    below_mm: float = 0.0

    @classmethod
    def beside(
        cls, scene: Scene, size_mm: tuple[float, float], rng: np.random.Generator
    ) -> Card | None:
        """Somewhere beside the face, in view; None if there is no room."""
        half, height = scene.plan.size.width_mm / 2, scene.plan.height_mm
        for side in rng.permutation(4):
            lying = bool(rng.integers(2))
            w, h = size_mm if lying else size_mm[::-1]
            clear = rng.uniform(*CLEAR_MM)
            along = rng.uniform(-0.3, 0.3)
            middle = np.array(
                [
                    (half + clear + w / 2, height * (0.5 + along)),
                    (-half - clear - w / 2, height * (0.5 + along)),
                    (half * along, height + clear + h / 2),
                    (half * along, -clear - h / 2),
                ][side]
            )
            card = cls(
                size_mm=size_mm,
                middle_mm=middle,
                turn_deg=float(rng.uniform(-TURN_DEG, TURN_DEG)) + (0 if lying else 90),
                light=rng.uniform(0.05, 0.8) * rng.uniform(0.7, 1.0, 3),
            )
            corners = scene.px(card.corners(scene))
            size = np.array(scene.shot.pixels.shape[1::-1])
            if ((corners > 20) & (corners < size - 20)).all():
                return card
        return None

    def corners(self, scene: Scene) -> Array:
        """As if they were sharp, in the face's frame, (4, 3)."""
        w, h = np.array(self.size_mm) / 2
        at = np.array([(-w, -h), (w, -h), (w, h), (-w, h)]) @ self._axes + self.middle_mm
        return np.column_stack([at, np.full(4, self._height(scene))])

    @property
    def _axes(self) -> Array:
        a = np.radians(self.turn_deg)
        return np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])

    def _height(self, scene: Scene) -> float:
        return scene.plan.size.width_mm / 2 - self.below_mm

    def paint(
        self, scene: Scene, light: NDArray[np.float32], lit: float, grain: NDArray[np.float32]
    ) -> None:
        """Draw it, rounded, with a stripe and a few lines of print."""
        px = scene.px(self.corners(scene))
        x0, y0 = np.floor(px.min(axis=0)).astype(int) - 3
        x1, y1 = np.ceil(px.max(axis=0)).astype(int) + 4
        part = slice(y0, y1), slice(x0, x1)
        x, y = np.meshgrid(np.arange(x0, x1), np.arange(y0, y1))
        spots = np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)
        local = (scene.seen_at(spots, self._height(scene)) - self.middle_mm) @ self._axes.T
        half = np.array(self.size_mm) / 2
        past = np.maximum(np.abs(local) - half + ROUND_MM, 0)
        out_mm = np.hypot(*past.T) - ROUND_MM
        scale = np.linalg.norm(px[1] - px[0]) / self.size_mm[0]
        cover = np.clip(0.5 - out_mm * scale, 0, 1).reshape(x.shape)[..., None]
        u, v = local.T / half[:, None]
        ink = ((v > 0.4) & (v < 0.8)) | ((v < -0.3) & (v % 0.2 < 0.07) & (np.abs(u) < 0.7))
        colour = np.where(ink[:, None], 0.3 * self.light, self.light).reshape(*x.shape, 3)
        colour = lit * colour
        colour += grain[part] * np.sqrt(np.clip(colour, 0, 1) / scene.shot.phone.full_well_e)
        drawn = light[part] * (1 - cover) + colour * cover
        light[part] = cv2.GaussianBlur(drawn, (0, 0), scene.shot.phone.blur_px)


def _without_fringe(light: NDArray[np.float32], mask: Pixels) -> NDArray[np.float32]:
    """The tower's own colour up to its outline and beyond, where the sheet's has run into it."""
    from scipy.ndimage import distance_transform_edt

    inside = cv2.erode(mask, np.ones((7, 7), np.uint8))
    x, y, w, h = cv2.boundingRect(cv2.dilate(mask, np.ones((15, 15), np.uint8)))
    part = slice(y, y + h), slice(x, x + w)
    nearest = distance_transform_edt(inside[part] == 0, return_distances=False, return_indices=True)
    whole = light.copy()
    whole[part] = light[part][tuple(nearest)]
    return whole


def on_desk(
    scene: Scene, kind: str, seed: int, card_mm: tuple[float, float]
) -> tuple[Shot, Shot | None, Card | None]:
    """The tower alone on another ground (plain, wood, boards); and with a card beside the face, if
    that has room.
    """
    rng = np.random.default_rng(seed)
    phone = scene.shot.phone
    mask = tower_mask(scene)
    tower = cv2.GaussianBlur(mask, (0, 0), phone.blur_px).astype(np.float32)[..., None] / 255
    behind = cv2.GaussianBlur(ground_light(scene, kind, rng), (0, 0), 1.5)
    seen = _without_fringe(linear(scene.shot.pixels), mask)
    # the tower has its own grain
    grain = rng.standard_normal(mask.shape, np.float32)[..., None]
    behind += grain * np.sqrt(np.clip(behind, 0, 1) / phone.full_well_e)
    light = seen * tower + behind * (1 - tower)
    alone = replace(scene.shot, pixels=coded(light))
    card = Card.beside(scene, card_mm, rng)
    if card is None:
        return alone, None, None
    x, y = scene.shot.face_px.mean(axis=0).astype(int)
    colour = float(np.mean(scene.shot.truth["material"]["colour"]))
    lit = float(seen[y - 200 : y + 200, x - 200 : x + 200].mean()) / colour
    card.paint(scene, light, lit, grain)
    return alone, replace(scene.shot, pixels=coded(light)), card
