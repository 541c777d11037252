"""A quick picture of a tower that rings: scene geometry by ray casting, the wall by simulation."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from image.tower_scene import PLAN_TEXT, Scene
from numpy.typing import NDArray
from PIL import Image
from walls import Wall, texture, wall_height_mm

from ringscan.plan import Plan, parse_plan
from ringscan.scan import Scan, scan_photo

Array = NDArray[np.float64]

STEP_MM = 0.05
FREQUENCY_HZ = 38.0
DAMPING_RATIO = 0.08
"""Of the picture that `picture` gives."""


def both_axes() -> Plan:
    """The scenes' plan with the same ramp on both axes, as the simulated wall has it."""
    ramp = PLAN_TEXT.partition("[ramp.x]")[2].partition("[reference]")[0]
    return parse_plan(f"{PLAN_TEXT}[ramp.y]{ramp}")


@dataclass(frozen=True, kw_only=True)
class RingingScene(Scene):
    """Both axes ring, the one along the face as `Wall` has it; shaper commands are the plan's."""

    plan: Plan = field(default_factory=both_axes)
    # 3 megapixels, about 8 px per mm on the face: enough for ripples of 2 mm and more
    width_px: int = 1600
    height_px: int = 2080
    focal_px: float = 1640.0
    eye_mm: tuple[float, float, float] = (101.0, 138.0, 260.0)
    aim_mm: tuple[float, float] = (97.0, 130.0)
    frequency_hz: float = FREQUENCY_HZ
    damping_ratio: float = DAMPING_RATIO
    slant: float = 2.5
    texture_um: float = 1.0

    def face(self, u: Array, z: Array) -> Array:
        """Linear light: Lambert's law for a lamp along the layers' direction of travel."""
        plan = self.plan
        layer = np.clip((z - plan.size.first_layer_mm) / plan.size.layer_height_mm, 0, None)
        layer = np.minimum(np.ceil(layer).astype(int), plan.size.layers - 1)
        # the nozzle's path runs half a line inside the wall's outer face
        column = np.clip((u - plan.size.line_width_mm / 2) / STEP_MM, 0, None).astype(int)
        slope = _slopes(self)
        here = slope[layer, np.minimum(column, slope.shape[1] - 1)]
        return self.albedo * np.maximum(1 - self.slant * here, 0.02) / np.sqrt(1 + here**2)


@cache
def _slopes(scene: RingingScene) -> Array:
    """Slope of the wall, (layers, n)."""
    plan = scene.plan
    commanded = plan.commands(scene.axis).frequency_hz
    settings, which = np.unique(commanded, return_inverse=True)
    wall = Wall(
        frequency_hz=scene.frequency_hz,
        damping_ratio=scene.damping_ratio,
        commanded_hz=tuple(settings.tolist()),
        shaper_damping=plan.shaper.damping_ratio,
        speed_mm_s=plan.motion.speed_mm_s,
        acceleration_mm_s2=plan.motion.acceleration_mm_s2,
        corner_speed_mm_s=plan.motion.corner_speed_mm_s,
        length_mm=plan.size.width_mm - plan.size.line_width_mm,
    )
    s = np.arange(STEP_MM / 2, wall.length_mm, STEP_MM)
    height = wall_height_mm(wall, s)[which]
    rough = texture(np.random.default_rng(scene.seed), len(commanded), s.size, STEP_MM)
    return np.asarray(np.gradient(height + 1e-3 * scene.texture_um * rough, STEP_MM, axis=1))


@cache
def picture() -> bytes:
    """A JPEG of the scene, rendered once for all tests."""
    buffer = io.BytesIO()
    Image.fromarray(RingingScene().render()).save(buffer, format="JPEG", quality=92)
    return buffer.getvalue()


@cache
def scanned() -> Scan:
    """The scan of that picture."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "wren.jpg"
        path.write_bytes(picture())
        return scan_photo(path)
