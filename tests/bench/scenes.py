"""Ray-cast scenes for the ladder: what cannot be done to a finished picture."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from ringing import RingingScene

GOOD = RingingScene(
    width_px=2400, height_px=3120, focal_px=2460.0, eye_mm=(101.0, 138.0, 290.0), texture_um=4.0
)
MIDDLE_MM = (96.0, 134.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneRung:
    """A scene that is rendered for its rung."""

    family: str
    name: str
    scene: RingingScene

    def save(self, folder: Path) -> Path:
        """Render it to a file."""
        path = folder / "scene.jpg"
        self.scene.save(path, focal_35mm=26)
        return path


def tilted(angle_deg: float, way_deg: float) -> RingingScene:
    """Seen from the side, the sheet in the middle of the picture."""
    out = 330 * math.sin(math.radians(angle_deg))
    way = math.radians(way_deg)
    eye = (
        MIDDLE_MM[0] + out * math.cos(way),
        MIDDLE_MM[1] + out * math.sin(way),
        330 * math.cos(math.radians(angle_deg)),
    )
    return replace(GOOD, eye_mm=eye, aim_mm=MIDDLE_MM)


def scene_rungs() -> Iterator[SceneRung]:
    """The scenes, family by family."""

    def rung(family: str, name: str, scene: RingingScene) -> SceneRung:
        return SceneRung(family=family, name=name, scene=scene)

    yield rung("as it is", "", GOOD)
    for angle in (10, 20, 30, 40, 55):
        for way, name in ((0, "right"), (90, "base"), (225, "upper left")):
            yield rung("tilt", f"{angle}° toward the {name}", tilted(angle, way))
    for yaw in (-10, 10):
        for shift in ((8.0, 0.0), (0.0, -8.0), (-6.0, 5.0)):
            name = f"{shift[0]:g}, {shift[1]:g} mm and {yaw}°"
            yield rung("tower off", name, replace(GOOD, shift_mm=shift, yaw_deg=float(yaw)))
    for shift, yaw in (((14.0, 10.0), 18.0), ((25.0, 0.0), 0.0), ((0.0, 0.0), 45.0)):
        name = f"{shift[0]:g}, {shift[1]:g} mm and {yaw:g}°"
        yield rung("tower off", name, replace(GOOD, shift_mm=shift, yaw_deg=yaw))
    for albedo, name in ((0.03, "black"), (0.1, "dark"), (0.75, "white, as the paper")):
        for lamp in (-1.0, 1.0):
            side = "left" if lamp < 0 else "right"
            scene = replace(GOOD, albedo=albedo, light=(lamp, 0.3))
            yield rung("filament", f"{name}, lamp at the {side}", scene)
    for rise in (2.0, 4.0, 6.0, 10.0, 16.0):
        yield rung("curl", f"sides up by {rise:g} mm", replace(GOOD, curl_mm=rise))
    for slant in (1.0, 0.3, 0.1, 0.0):
        yield rung("light", f"contrast {slant / 2.5:.0%} of good light", replace(GOOD, slant=slant))


def geometry(rung: SceneRung) -> tuple[float, float, float, float]:
    """Errors of the face's outline: entry edge, base, width, all mm, and height, per cent.

    Raises
    ------
    RingscanError
        If the face was not found.
    """
    from ringscan.look import look_at

    with TemporaryDirectory() as folder:
        view = look_at(rung.save(Path(folder))).view
    true = rung.scene.corners_px
    off = (view.corners_px - true) / view.px_per_mm
    right, up = true[1] - true[0], true[3] - true[0]
    right, up = right / np.linalg.norm(right), up / np.linalg.norm(up)
    along, across = off @ right, off @ up
    width, height = along[[1, 2]] - along[[0, 3]], across[[2, 3]] - across[[1, 0]]
    entry, base = along[[0, 3]], across[[0, 1]]
    worst = [float(np.abs(part).max()) for part in (entry, base, width, height)]
    return worst[0], worst[1], worst[2], 100 * worst[3] / rung.scene.plan.height_mm
