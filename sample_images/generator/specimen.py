"""What is in a picture: everything that is decided before anything is simulated or rendered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.layout import Paper
from ringscan.plan import Axis, Plan
from sample_images.generator.camera import Phone, distort
from sample_images.generator.simulate import Oscillator
from sample_images.generator.view import Pose, directions, face_corners, face_to_world
from sample_images.generator.wall import Flaws


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """Filament: diffuse reflectance (red, green, blue), and how rough its gloss is; 0 is none."""

    name: str
    colour: tuple[float, float, float]
    gloss_roughness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lamp:
    """A round lamp that shines along the face.

    side : 1 for the sheet's right, -1 for its left
    elevation_deg : above the plane of the face
    skew_deg : off the direction of the layers, toward the sheet's top
    distance_mm : from the middle of the face
    diameter_mm : of the luminous disc
    room : light of the room on the face, relative to the lamp's
    """

    side: int
    elevation_deg: float
    skew_deg: float
    distance_mm: float
    diameter_mm: float
    room: float
    colour: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Specimen:
    """One picture: a tower, how it was printed, and how it was photographed.

    normal, along : the axis normal to the face and the other one; None is rigid
    print_scale : size of the printed sheet relative to what it should be
    exposure : mean of the face, relative to the sensor's white, that the phone aims at
    paper_white : limit of the exposure, the paper's white relative to the sensor's
    """

    name: str
    seed: int
    plan: Plan
    axis: Axis
    normal: Oscillator | None
    along: Oscillator | None
    flaws: Flaws
    material: Material
    lamp: Lamp
    pose: Pose
    phone: Phone
    paper: Paper
    print_scale: float
    exposure: float
    paper_white: float

    @property
    def ripple_um(self) -> float:
        """Size of the ripple, a / w²; 0 on a rigid axis."""
        if self.normal is None:
            return 0.0
        w = 2 * np.pi * self.normal.frequency_hz
        return float(1000 * self.plan.motion.acceleration_mm_s2 / w**2)

    def face_corners_px(self) -> list[tuple[float, float]]:
        """Return where the face's corners fall in the file's own pixels, before the EXIF turn.

        Lower left, lower right, upper right, upper left, as the face is seen upright.
        """
        return [(float(x), float(y)) for x, y in distort(self.face_directions(), self.phone)]

    def face_directions(self) -> NDArray[np.float64]:
        """Return the directions in which the camera sees the face's corners, (4, 2)."""
        to_world = face_to_world(self.plan, self.flaws, self.pose)
        return directions(face_corners(self.plan, to_world), self.pose)
