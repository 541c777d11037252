"""The face somewhere in the plane of a card: by its straight sides, whose lengths are known."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.errors import FaceError
from ringscan.image.camera import Camera
from ringscan.image.photo import Photo

REACH_MM = 260.0
"""How far from the card's middle the face's may be."""
PX_PER_MM = 1.0
TURNS_DEG = np.arange(-45.0, 45.1, 3.0)
"""The base is said to a quarter of a turn."""
FINE_DEG = np.arange(-2.0, 2.1, 0.5)
SMOOTH_MM = 1.0
"""Sides are looked for with lines that are up to half a step turned off them."""
FLAT = 0.03
"""Change of ln(light) per mm that counts half: grain has less, sides have more."""
MIN_SIDE, MIN_MEAN = 0.35, 0.45
"""How straight and clear three of the sides must be, and all on average; at most 1."""
CLEARLY = 0.03
"""By so much the best place must be better than any other that is more than ELSEWHERE_MM off."""
ELSEWHERE_MM = 6.0

Array = NDArray[np.float64]


class PictureSide(StrEnum):
    """Towards which side of the picture, as it is displayed, the tower's base or a card lies."""

    DOWN = "down"
    LEFT = "left"
    UP = "up"
    RIGHT = "right"

    @property
    def away_px(self) -> Array:
        """Direction away from that side, in the picture: from the base to the top."""
        return np.array(
            {"down": (0.0, -1.0), "left": (1.0, 0.0), "up": (0.0, 1.0), "right": (-1.0, 0.0)}[self]
        )


def find_face_beside(
    photo: Photo,
    camera: Camera,
    card_px: Array,
    card_mm: tuple[float, float],
    size_mm: tuple[float, float],
    base: PictureSide,
) -> tuple[float, Array]:
    """Find a face of `size_mm` (width, height) in the plane z = 0 of a camera over a card.

    Returns
    -------
    How clearly its sides are seen, 1 at most, and its left base, right base, right top and left
    top corner, to a mm or two, px, (4, 2).

    Raises
    ------
    FaceError
        If there is none, or there are several.
    """
    middle_px = card_px.mean(axis=0)
    middle, ahead = camera.to_plane(np.array([middle_px, middle_px + 50 * base.away_px]), 0.0)
    up_deg = math.degrees(math.atan2(ahead[1] - middle[1], ahead[0] - middle[0]))
    small = _Small.of(photo, card_px, card_mm)
    frames = [_Frame.of(camera, middle, up_deg + float(turn)) for turn in TURNS_DEG]
    tried = [(frame, _score(frame, small, size_mm)) for frame in frames]
    coarse = TURNS_DEG[int(np.argmax([score.max() for _, score in tried]))]
    fine = [_Frame.of(camera, middle, up_deg + float(coarse + turn)) for turn in FINE_DEG]
    tried += [(frame, _score(frame, small, size_mm)) for frame in fine]
    frame, score = max(tried, key=lambda pair: float(pair[1].max()))
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    found = float(score[row, column])
    if found < MIN_MEAN:
        raise FaceError(
            f"{photo.source}: no face of {size_mm[0]:g} × {size_mm[1]:g} mm is seen with its base "
            f"{base} in the plane of the card; hold the card level with the face, or give the "
            "face's corners"
        )
    place = frame.world(np.array([[column, row]], dtype=np.float64))[0]
    for other, others in tried:
        rows, columns = np.nonzero(others > found - CLEARLY)
        if len(rows) == 0:
            continue
        points = other.world(np.column_stack([columns, rows]).astype(np.float64))
        if np.linalg.norm(points - place, axis=1).max() > ELSEWHERE_MM:
            raise FaceError(
                f"{photo.source}: more than one thing in the plane of the card could be the face "
                f"of {size_mm[0]:g} × {size_mm[1]:g} mm; give the face's corners"
            )
    w, h = size_mm[0] / 2 * PX_PER_MM, size_mm[1] / 2 * PX_PER_MM
    spots = np.array([[-w, h], [w, h], [w, -h], [-w, -h]]) + np.array([column, row])
    flat = frame.world(spots)
    return found, camera.project(np.column_stack([flat, np.zeros(4)]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """A map of the plane around a card, turned so that the face's up is the map's up.

    to_world, to_px : from pixels of the map to mm of the plane, and to the picture, (3, 3)
    """

    to_world: Array
    to_px: Array

    @classmethod
    def of(cls, camera: Camera, middle_mm: Array, up_deg: float) -> _Frame:
        """A map around a point of the plane."""
        up = np.array([math.cos(math.radians(up_deg)), math.sin(math.radians(up_deg))])
        right = np.array([-up[1], up[0]])  # x runs right and y down
        corner = middle_mm - REACH_MM * (right - up)
        to_world = np.eye(3)
        to_world[:2] = np.column_stack([right / PX_PER_MM, -up / PX_PER_MM, corner])
        turn, _ = cv2.Rodrigues(camera.rotation)
        view = np.column_stack([turn[:, :2], camera.translation_mm])
        lens = np.diag([camera.focal_px, camera.focal_px, 1.0])
        lens[:2, 2] = camera.centre_px
        return cls(to_world=to_world, to_px=lens @ view @ to_world)

    def world(self, spots: Array) -> Array:
        """Points of the plane, mm, at pixels of the map, (n, 2)."""
        return np.asarray(spots @ self.to_world[:2, :2].T + self.to_world[:2, 2])


def _score(frame: _Frame, small: _Small, size_mm: tuple[float, float]) -> Array:
    """How well a face with its middle at each pixel of the map shows its sides; 0 to 1."""
    across, down = _changes(frame, small)
    w, h = (round(mm * PX_PER_MM) for mm in size_mm)
    upright = np.abs(cv2.blur(across, (1, h), borderType=cv2.BORDER_CONSTANT)).astype(np.float32)
    level = np.abs(cv2.blur(down, (w, 1), borderType=cv2.BORDER_CONSTANT)).astype(np.float32)
    sides = np.sort(
        [
            _moved(upright, -w // 2, 0),
            _moved(upright, w // 2, 0),
            _moved(level, 0, -h // 2),
            _moved(level, 0, h // 2),
        ],
        axis=0,
    )
    return np.asarray(np.where(sides[1] > MIN_SIDE, sides.mean(axis=0), 0.0))


def _changes(frame: _Frame, small: _Small) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Change of ln(light) across and down the map, weighed so that grain is little."""
    side = round(2 * REACH_MM * PX_PER_MM)
    warp = np.diag([small.shrink, small.shrink, 1.0]) @ frame.to_px
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    light = cv2.warpPerspective(small.log_light, warp, (side, side), flags=flags)
    known = cv2.warpPerspective(small.known, warp, (side, side), flags=cv2.INTER_NEAREST | flags)
    smooth = cv2.GaussianBlur(light, (0, 0), SMOOTH_MM * PX_PER_MM)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=PX_PER_MM / 8)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=PX_PER_MM / 8)
    inside = cv2.erode(known, np.ones((7, 7), np.uint8)) > 0
    weight = np.where(inside, 1 / np.sqrt(across**2 + down**2 + FLAT**2), 0).astype(np.float32)
    return across * weight, down * weight


def _moved(values: NDArray[np.float32], x: int, y: int) -> NDArray[np.float32]:
    """Values at x pixels right and y down of each pixel; 0 from outside."""
    shift = np.array([[1.0, 0.0, -x], [0.0, 1.0, -y]])
    return np.asarray(cv2.warpAffine(values, shift, values.shape[::-1]), dtype=np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Small:
    """The picture reduced to about the map's scale.

    log_light : ln(light)
    known : 255 beside the card, 0 on it
    shrink : its px per px of the picture
    """

    log_light: NDArray[np.float32]
    known: NDArray[np.uint8]
    shrink: float

    @classmethod
    def of(cls, photo: Photo, card_px: Array, card_mm: tuple[float, float]) -> _Small:
        """Reduce, and mask the card with a margin."""
        area_mm2 = card_mm[0] * card_mm[1]
        px_per_mm = math.sqrt(float(cv2.contourArea(card_px.astype(np.float32))) / area_mm2)
        shrink = min(1.0, PX_PER_MM / px_per_mm)
        grey = cv2.resize(photo.grey8(), None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        known = np.full(grey.shape, 255, np.uint8)
        middle = card_px.mean(axis=0)
        grown = (middle + (card_px - middle) * 1.05 + 0.5) * shrink - 0.5
        cv2.fillConvexPoly(known, np.round(grown).astype(np.int32), 0)
        log = np.log(np.maximum(photo.light_of_grey8(), 1e-3)).astype(np.float32)
        return cls(log_light=log[grey], known=known, shrink=shrink)
