"""The printed tower as triangles: the simulated track, drawn by a bead that has its flaws.

Loop frame as in `simulate`, with z up the tower. All lengths in mm unless named otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.plan import Direction, Plan
from sample_images.generator.simulate import FACE, Floats, Track, around_corner

FACE_STEP_MM = 0.08
SIDE_STEP_MM = 0.5
ROUNDED_MM = 3.0
"""Around the edges the other walls are meshed as finely as the face."""

PROFILE = np.array([0.0, 0.1, 0.27, 0.5, 0.73, 0.9])
"""Where across a layer the bead gets its vertices; the next layer's 0 closes it."""

TOOTH_MM = 2.0
FOOT = np.array([1.0, 0.55, 0.2, 0.06])
"""How the first layers share in the widest of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Flaws:
    """What makes a real wall differ from the track of the nozzle; lengths in µm unless named."""

    seed: int
    texture_um: float
    layer_jitter_um: float
    bead_depth_um: float
    entry_bulge_um: float
    entry_bulge_mm: float
    far_bulge_um: float
    far_bulge_mm: float
    wave_um: float
    wave_mm: float
    bow_along_um: float
    bow_up_um: float
    tooth_um: float
    foot_um: float
    ragged_um: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Triangles with vertex normals: vertices, normals (n, 3), triangles (m, 3)."""

    vertices: NDArray[np.float32]
    normals: NDArray[np.float32]
    triangles: NDArray[np.uint32]


def face_columns(side_mm: float) -> tuple[Floats, Floats]:
    """Return the face's columns, as distances from its entry and from its far corner."""
    half = side_mm / 2 - FACE_STEP_MM / 2
    fine = np.linspace(0, half, round(half / FACE_STEP_MM) + 1)
    before = np.arange(-ROUNDED_MM, -FACE_STEP_MM / 2, FACE_STEP_MM)
    from_entry = np.concatenate([before, fine])
    return from_entry, -from_entry[::-1]


def other_columns(side_mm: float) -> tuple[Floats, Floats]:
    """Return the columns off the face: half a side wall, and all round one of the back edges."""
    half = np.linspace(ROUNDED_MM, side_mm / 2 - FACE_STEP_MM, 40)
    edge = np.arange(-ROUNDED_MM, ROUNDED_MM, FACE_STEP_MM * 2)
    return half, np.concatenate([-half[::-1], edge[1:], half])


def texture(rng: np.random.Generator, layers: int, columns: int, step_mm: float) -> Floats:
    """Return a bead's roughness with rms 1: correlated along each layer, independent across.

    Three correlation lengths between 0.3 and 3 mm, mixed differently in each layer.
    """
    total = np.zeros((layers, columns))
    wave_number = 2 * np.pi * np.fft.rfftfreq(2 * columns, step_mm)
    for length_mm, share in ((0.3, 0.5), (0.9, 0.6), (3.0, 0.6)):
        white = np.fft.rfft(rng.standard_normal((layers, 2 * columns)), axis=1)
        smooth = np.fft.irfft(white * np.exp(-((wave_number * length_mm) ** 2) / 4), axis=1)
        smooth = smooth[:, :columns] / smooth.std()
        total += share * rng.uniform(0.6, 1.4, (layers, 1)) * smooth
    return np.asarray(total / total.std())


def flaws_um(flaws: Flaws, s_mm: Floats, plan: Plan, side_mm: float) -> Floats:
    """Return how far each layer stands out at each place of the face, (layers, columns).

    Parameters
    ----------
    s_mm : (columns,)
        Distance from the commanded entry corner; beyond 0 and `side_mm` lie the next walls.
    """
    rng = np.random.default_rng(flaws.seed)
    layers = plan.size.layers
    height = np.arange(layers)[:, None] / layers
    x = np.clip(s_mm, 0, side_mm) / side_mm - 0.5

    step_mm = FACE_STEP_MM
    even = np.arange(s_mm.min(), s_mm.max() + step_mm, step_mm)
    rough = texture(rng, layers, len(even), step_mm)
    out = flaws.texture_um * np.array([np.interp(s_mm, even, row) for row in rough])
    out += flaws.layer_jitter_um * rng.standard_normal((layers, 1))

    # more flow where the nozzle slows down: it swells and dies away, and never swings
    from_far = side_mm - s_mm
    entry = np.where(s_mm > 0, np.exp(-s_mm / flaws.entry_bulge_mm), np.exp(s_mm / 0.8))
    far = np.where(from_far > 0, np.exp(-from_far / flaws.far_bulge_mm), np.exp(from_far / 0.8))
    swell = 1 + 0.12 * rng.standard_normal((2, layers, 1)) + 0.15 * np.sin(6 * height + 1)
    out += flaws.entry_bulge_um * swell[0] * entry + flaws.far_bulge_um * swell[1] * far

    z_mm = height * plan.height_mm
    phases = rng.uniform(0, 2 * np.pi, 4)
    out += flaws.wave_um * np.sin(2 * np.pi * z_mm / flaws.wave_mm + phases[0])
    out += 0.4 * flaws.wave_um * np.sin(2 * np.pi * z_mm / (2.9 * flaws.wave_mm) + phases[1])
    out += flaws.bow_along_um * (4 * x**2 - 1 / 3)
    out += flaws.bow_up_um * ((2 * height - 1) ** 2 - 1 / 3)

    turns = 2 * np.pi * s_mm / TOOTH_MM
    out += flaws.tooth_um * (np.sin(turns + phases[2]) + 0.3 * np.sin(2 * turns + phases[3]))

    out[: len(FOOT)] += flaws.foot_um * FOOT[:, None]
    ragged = np.array([0.25, 0.6, 1.0])[:, None] * flaws.ragged_um
    out[-3:] += ragged * (texture(rng, 3, len(s_mm), step_mm) - 0.5)
    # the walls beyond are smooth: the flaws die out round the edges, so that no step shows
    beyond = np.maximum(-s_mm, s_mm - side_mm)
    return out * np.clip((ROUNDED_MM - beyond) / (ROUNDED_MM - 1), 0, 1)


def bead(depth_um: float) -> Floats:
    """Return how far the bead's flank falls back at each vertex of `PROFILE`, in µm."""
    full = 0.96  # part of a semicircle that shows between two layers
    flank = 1 - np.sqrt(1 - (full * (2 * PROFILE - 1)) ** 2)
    return np.asarray(-depth_um * flank / (1 - np.sqrt(1 - full**2)))


def rows_of_layers(per_layer: Floats) -> Floats:
    """Spread values per layer over the bead's rows, (layers * profile + 1, columns).

    The groove between two layers belongs to both.
    """
    rows = np.repeat(per_layer, len(PROFILE), axis=0)
    rows[len(PROFILE) :: len(PROFILE)] = (per_layer[1:] + per_layer[:-1]) / 2
    return np.vstack([rows, rows[-1:]])


def row_heights(plan: Plan) -> Floats:
    """Return the height of each of the bead's rows."""
    tops = plan.size.first_layer_mm + plan.size.layer_height_mm * np.arange(plan.size.layers)
    bottoms = np.concatenate([[0.0], tops[:-1]])
    return np.append((bottoms[:, None] + (tops - bottoms)[:, None] * PROFILE).ravel(), tops[-1])


def grid_mesh(points: Floats, *, flip: bool) -> Mesh:
    """Turn a grid of points, (rows, columns, 3), into triangles with smooth normals.

    `flip` turns the surface over: without it the normal is along columns × along rows.
    """
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns, dtype=np.uint32).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    triangles = np.stack([a, b, c, a, c, d], axis=-1).reshape(-1, 3)
    normals = np.cross(np.gradient(points, axis=1), np.gradient(points, axis=0))
    normals /= np.linalg.norm(normals, axis=2, keepdims=True)
    if flip:
        triangles, normals = triangles[:, ::-1], -normals
    return Mesh(
        vertices=points.reshape(-1, 3).astype(np.float32),
        normals=normals.reshape(-1, 3).astype(np.float32),
        triangles=np.ascontiguousarray(triangles),
    )


def outwards(u: Floats, n: Floats) -> tuple[Floats, Floats]:
    """Return the unit vectors to the left of each line of points, which is the tower's outside."""
    du, dn = np.gradient(u, axis=1), np.gradient(n, axis=1)
    size = np.hypot(du, dn)
    return -dn / size, du / size


def build_tower(track: Track, plan: Plan, flaws: Flaws) -> dict[str, Mesh]:
    """Return the tower's meshes: the face, the other outer walls, the inside and the rims.

    They are in the face's own frame: x to the right as seen from outside, y up the tower, z out
    of the face; the origin is the tower's axis at its base.
    """
    turned = plan.motion.direction is Direction.CLOCKWISE

    def mesh(u: Floats, n: Floats, z: Floats, *, flip: bool = False) -> Mesh:
        points = np.stack([-u if turned else u, np.broadcast_to(z, u.shape), n], axis=-1)
        return grid_mesh(points, flip=flip != turned)

    half_line, side = plan.size.line_width_mm / 2, track.side_mm
    entry, far = face_columns(side)
    half, edge = other_columns(side)
    on_face = [around_corner(track, FACE, entry), around_corner(track, FACE + 1, far)]
    off_face = [
        around_corner(track, FACE + 1, half),
        around_corner(track, FACE + 2, edge),
        around_corner(track, FACE - 1, edge),
        around_corner(track, FACE, -half[::-1]),
    ]

    u, n = (np.hstack([part[i] for part in on_face])[track.setting] for i in (0, 1))
    out_u, out_n = outwards(u, n)
    out_mm = half_line + flaws_um(flaws, np.concatenate([entry, far + side]), plan, side) / 1000
    groove = np.tile(bead(flaws.bead_depth_um) / 1000, len(u))
    groove = np.append(groove, groove[0])[:, None]
    face_u = rows_of_layers(u + out_mm * out_u) + groove * rows_of_layers(out_u)
    face_n = rows_of_layers(n + out_mm * out_n) + groove * rows_of_layers(out_n)
    z = np.repeat(row_heights(plan)[:, None], u.shape[1], axis=1)
    rng = np.random.default_rng(flaws.seed + 1)
    ragged = 2e-3 * flaws.ragged_um * texture(rng, 1, u.shape[1], FACE_STEP_MM)
    part = np.append(PROFILE[1:], 1)[:, None]
    z[-len(PROFILE) :] += part * np.maximum(ragged, -0.7 * plan.size.layer_height_mm)
    meshes = {"face": mesh(face_u, face_n, z)}

    # off the face a row per layer will do
    z = np.append(row_heights(plan)[:: len(PROFILE)][:-1], plan.height_mm)[:, None]
    u, n = (np.hstack([part[i] for part in off_face])[track.setting] for i in (0, 1))
    u, n = np.vstack([u, u[-1:]]), np.vstack([n, n[-1:]])
    out_u, out_n = outwards(u, n)
    out_mm = np.full((len(u), 1), half_line)
    out_mm[: len(FOOT), 0] += FOOT * flaws.foot_um / 1000
    meshes["other walls"] = mesh(u + out_mm * out_u, n + out_mm * out_n, z)

    every = [(p[0][:, 4::8], p[1][:, 4::8]) for p in on_face] + off_face
    u, n = (np.hstack([part[i] for part in every])[track.setting[::10]] for i in (0, 1))
    u, n = np.hstack([u, u[:, :1]]), np.hstack([n, n[:, :1]])
    out_u, out_n = outwards(u, n)
    z = np.linspace(0, plan.height_mm, len(u))[:, None]
    meshes["inside"] = mesh(u - half_line * out_u, n - half_line * out_n, z, flip=True)
    across = np.array([[-half_line], [half_line]])
    for name, row, base in (("base", 0, False), ("top", -1, True)):
        rim_u, rim_n = u[row] + across * out_u[row], n[row] + across * out_n[row]
        meshes[name] = mesh(rim_u, rim_n, z[row], flip=base)
    return meshes
