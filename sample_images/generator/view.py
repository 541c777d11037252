"""Where the tower lies and where the phone is: geometry of the scene.

World frame: origin on the sheet at the middle of the tower's drawn place, x to the sheet's
right, y to its top, z up; mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.layout import TOWER_CENTRE
from ringscan.plan import Plan
from sample_images.generator.wall import Flaws


@dataclass(frozen=True, slots=True, kw_only=True)
class Pose:
    """Where the tower lies and where the phone is held.

    shift_mm, turn_deg : of the tower against its drawn place
    aim_mm : world point on the optical axis, on the sheet
    distance_mm : from there to the phone
    tilt_deg, tilt_to_deg : off the vertical, and toward where
    roll_deg : of the phone about its optical axis; 0 is upright with the sheet
    """

    shift_mm: tuple[float, float]
    turn_deg: float
    aim_mm: tuple[float, float]
    distance_mm: float
    tilt_deg: float
    tilt_to_deg: float
    roll_deg: float


def turn(axis: int, angle_deg: float) -> NDArray[np.float64]:
    """Return the rotation by an angle about x (0), y (1) or z (2)."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    i, j = (axis + 1) % 3, (axis + 2) % 3
    matrix = np.eye(3)
    matrix[i, i], matrix[i, j], matrix[j, i], matrix[j, j] = c, -s, s, c
    return matrix


def camera_frame(pose: Pose) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the camera's rows (right, down, forward) in the world, and its position."""
    lean = turn(2, pose.tilt_to_deg) @ turn(1, pose.tilt_deg) @ turn(2, -pose.tilt_to_deg)
    # looking down, with the sheet's top up in the picture
    upright = np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]]) @ lean.T
    rows = turn(2, pose.roll_deg) @ upright
    return rows, np.array([*pose.aim_mm, 0.0]) - pose.distance_mm * rows[2]


def directions(points: NDArray[np.float64], pose: Pose) -> NDArray[np.float64]:
    """Return the ideal directions (x/z, y/z) at which the camera sees world points, (n, 2)."""
    rows, position = camera_frame(pose)
    seen = (points - position) @ rows.T
    return seen[:, :2] / seen[:, 2:]


def sheet_to_world(points_mm: NDArray[np.float64], print_scale: float) -> NDArray[np.float64]:
    """Return points of the sheet, (n, 2) in its own frame, in the world, (n, 3)."""
    at = (points_mm - TOWER_CENTRE) * (print_scale, -print_scale)
    return np.column_stack([at, np.zeros(len(at))])


def face_to_world(plan: Plan, flaws: Flaws, pose: Pose) -> NDArray[np.float64]:
    """Return the 3 × 4 matrix that lays the tower, in the face's frame, on the sheet.

    Lying on its back, it rests on the wide first layers and so leans by the foot's width.
    """
    foot_mm = flaws.foot_um / 1000
    lean_deg = -np.degrees(np.arctan2(foot_mm, plan.height_mm))
    rotation = turn(2, pose.turn_deg) @ turn(0, lean_deg)
    middle = np.array([0, plan.height_mm / 2, 0])
    place = np.array([*pose.shift_mm, plan.size.width_mm / 2 + foot_mm / 2 + 0.05])
    return np.column_stack([rotation, place - rotation @ middle])


def face_corners(plan: Plan, to_world: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the face's corners in the world: lower left, lower right, upper right, upper left."""
    x, z = plan.size.width_mm / 2, plan.size.width_mm / 2
    at = np.array([(-x, 0, z), (x, 0, z), (x, plan.height_mm, z), (-x, plan.height_mm, z)])
    return at @ to_world[:, :3].T + to_world[:, 3]
