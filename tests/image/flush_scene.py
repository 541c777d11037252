"""Towers on a desk without a scan sheet, with a card held flush with the face, by ray casting.

What the card adds to tower_scene.py: a thin rounded rectangle in the face's plane, anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tower_scene import Scene

ID1_MM = (85.60, 53.98)
ID1_RADIUS_MM = 3.18
"""ISO/IEC 7810."""


@dataclass(frozen=True, kw_only=True)
class FlushScene(Scene):
    """A tower on a desk with some grain.

    card_mm : None without a card
    card_at_mm : the card's middle on the face: to the right of its left edge, up from its base
    card_turn_deg : turn of the card on the face's plane
    """

    sheet: bool = False
    card_mm: tuple[float, float] | None = None
    card_at_mm: tuple[float, float] = (115.0, 45.0)
    card_turn_deg: float = 3.0
    card_light: float = 0.5

    def card_corners_px(self) -> NDArray[np.float64]:
        """Corners of the card as if they were sharp."""
        w, h = self.card_mm
        local = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
        a = np.radians(self.card_turn_deg)
        turned = local @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        corner, right, up = self.frame
        flat = corner + (turned + self.card_at_mm) @ np.array([right, up])
        return self.project(np.column_stack([flat, np.full(4, -self.size[0])]))

    def _cast(self, rays: NDArray[np.float32], eye: NDArray[np.float32]) -> NDArray[np.float32]:
        light = super()._cast(rays, eye)
        if self.card_mm is None:
            return light
        reach = (-self.size[0] - eye[2]) / rays[:, 2]
        flat = eye[:2] + rays[:, :2] * reach[:, None]
        corner, right, up = self.frame
        away = (flat - corner) @ np.column_stack([right, up]) - np.array(self.card_at_mm)
        a = np.radians(self.card_turn_deg)
        u = away[:, 0] * np.cos(a) + away[:, 1] * np.sin(a)
        v = -away[:, 0] * np.sin(a) + away[:, 1] * np.cos(a)
        w, h = self.card_mm
        past = np.maximum(np.abs(np.stack([u, v])) - np.array([[w], [h]]) / 2 + ID1_RADIUS_MM, 0)
        on = np.hypot(*past) <= ID1_RADIUS_MM
        stripe = (v > h / 2 - 16) & (v < h / 2 - 6)
        light[on] = np.where(stripe[on], 0.06, self.card_light)
        return light

    def _table(self, ground: NDArray[np.float32]) -> NDArray[np.float32]:
        grain = 1 + 0.1 * np.sin(ground[:, 0] / 3) * np.sin(ground[:, 1] / 37)
        return super()._table(ground) * grain.astype(np.float32)
