"""The tower on its sheet, on a desk, in a room with a lamp: path-traced."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ringscan.layout import Paper
from ringscan.plan import Axis, Plan
from sample_images.generator.camera import MARGIN_PX, ideal_px
from sample_images.generator.specimen import Lamp, Material, Specimen
from sample_images.generator.view import camera_frame, face_to_world, sheet_to_world
from sample_images.generator.wall import Mesh

SHEET_DPI = 450
INK, PAPER = 0.045, 0.82
INK_SPREAD_MM = 0.04
DESK_BELOW_MM = 0.15
DESKS = ((0.42, 0.27, 0.15), (0.3, 0.3, 0.31), (0.6, 0.5, 0.38))
DEPTH = 4
TILE_PATHS = 1 << 24
"""Rendered at a time, to stay within a few GB."""
AROUND_FACE_PX = 40
LAMP_SAMPLES, ROOM_SAMPLES = (4, 12), (2, 4)
"""Per pixel, of the whole picture and of the face; the README compares the noise this leaves."""

Box = tuple[int, int, int, int]
"""Left, top, right and bottom of a part of the picture, in px."""


def sheet_picture(plan: Plan, axis: Axis, paper: Paper) -> NDArray[np.float32]:
    """Rasterise the axis's page of the real scan sheet and return its reflectance."""
    import pypdfium2  # type: ignore[import-untyped]
    from scipy.ndimage import gaussian_filter

    from ringscan.make.sheet import sheet_pdf

    document = pypdfium2.PdfDocument(sheet_pdf(plan, paper))
    page = document[plan.axes.index(axis)]
    grey = page.render(scale=SHEET_DPI / 72, grayscale=True).to_numpy()
    document.close()
    grey = grey.reshape(grey.shape[:2]).astype(np.float32) / 255
    spread = gaussian_filter(grey, INK_SPREAD_MM * SHEET_DPI / 25.4)
    return np.asarray(INK + (PAPER - INK) * spread)


def desk_picture(rng: np.random.Generator, colour: tuple[float, ...]) -> NDArray[np.float32]:
    """Return a wooden desk's reflectance: bands and fine grain along x."""
    from scipy.ndimage import gaussian_filter

    white = rng.standard_normal((512, 512)).astype(np.float32)
    grain = np.zeros((512, 512))
    for sigma, share in (((0.6, 30), 0.05), ((5, 90), 0.07), ((1, 4), 0.02)):
        smooth = gaussian_filter(white, sigma)
        grain += share * smooth / smooth.std()
    shade = np.array(colour) * (1 + grain[..., None])
    return np.clip(shade, 0.01, 0.95).astype(np.float32)


def room_picture(rng: np.random.Generator) -> NDArray[np.float32]:
    """Return the light of the room, by direction: a bright ceiling, walls, a window on one side."""
    rows, columns = 32, 64
    height = np.linspace(1, -1, rows)[:, None]
    around = np.linspace(-np.pi, np.pi, columns)[None]
    window = np.exp(3 * (np.cos(around - rng.uniform(-np.pi, np.pi)) - 1))
    light = (
        0.45 + 0.4 * np.clip(height, 0, 1) + 0.8 * window * np.exp(-(((height - 0.3) / 0.3) ** 2))
    )
    light = light * np.where(height < 0, 0.4, 1.0)
    return np.repeat(light[..., None], 3, axis=2).astype(np.float32)


def use_renderer() -> Any:
    """Import mitsuba with the fastest variant that works here."""
    import mitsuba as mi

    if mi.variant() is None:
        try:
            mi.set_variant("llvm_ad_rgb")
            import drjit

            drjit.eval(drjit.arange(mi.Float, 3))
        except Exception:  # what a missing LLVM raises differs by platform
            mi.set_variant("scalar_rgb")
    return mi


def _bitmap(mi: Any, picture: NDArray[np.float32]) -> dict[str, Any]:
    # mitsuba's texture coordinates start at the bottom
    upwards = np.ascontiguousarray(picture.reshape(*picture.shape[:2], -1)[::-1])
    return {"type": "bitmap", "bitmap": mi.Bitmap(upwards), "raw": True, "wrap_mode": "mirror"}


def _filament(material: Material) -> dict[str, Any]:
    colour = {"type": "rgb", "value": list(material.colour)}
    if not material.gloss_roughness:
        return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}}
    return {
        "type": "twosided",
        "bsdf": {
            "type": "roughplastic",
            "distribution": "ggx",
            "alpha": material.gloss_roughness,
            "int_ior": 1.46,
            "diffuse_reflectance": colour,
            "nonlinear": True,
        },
    }


def _shape(mi: Any, mesh: Mesh, to_world: NDArray[np.float64], bsdf: Any) -> Any:
    properties = mi.Properties()
    properties["bsdf"] = bsdf
    shape = mi.Mesh(
        "part",
        vertex_count=len(mesh.vertices),
        face_count=len(mesh.triangles),
        has_vertex_normals=True,
        has_vertex_texcoords=False,
        props=properties,
    )
    parameters = mi.traverse(shape)
    placed = mesh.vertices @ to_world[:, :3].T + to_world[:, 3]
    parameters["vertex_positions"] = placed.astype(np.float32).ravel()
    parameters["faces"] = mesh.triangles.ravel()
    parameters.update()
    # that update averaged the triangles' normals; the surface's own replace them
    parameters["vertex_normals"] = (mesh.normals @ to_world[:, :3].T).astype(np.float32).ravel()
    parameters.update()
    return shape


def _lamp(mi: Any, lamp: Lamp, face_mm: float) -> dict[str, Any]:
    t = mi.ScalarTransform4f
    middle = np.array([0, 0, face_mm])
    elevation, skew = np.radians([lamp.elevation_deg, lamp.skew_deg])
    along, across = lamp.side * np.cos(skew), np.sin(skew)
    away = np.array([np.cos(elevation) * along, np.cos(elevation) * across, np.sin(elevation)])
    place = middle + lamp.distance_mm * away
    power = 1.0 / (np.pi * (lamp.diameter_mm / 2) ** 2 / lamp.distance_mm**2)
    return {
        "type": "disk",
        "to_world": t().look_at(origin=place.tolist(), target=middle.tolist(), up=[0.1, 0.2, 1])
        @ t().scale(lamp.diameter_mm / 2),
        "emitter": {
            "type": "area",
            "radiance": {"type": "rgb", "value": [power * c for c in lamp.colour]},
        },
    }


def _camera(mi: Any, specimen: Specimen) -> dict[str, Any]:
    phone = specimen.phone
    width, height = phone.width_px + 2 * MARGIN_PX, phone.height_px + 2 * MARGIN_PX
    rows, position = camera_frame(specimen.pose)
    # mitsuba's camera has x to the left and y up
    matrix = np.eye(4)
    matrix[:3, :3] = np.stack([-rows[0], -rows[1], rows[2]], axis=1)
    matrix[:3, 3] = position
    return {
        "type": "perspective",
        "fov": float(np.degrees(2 * np.arctan(width / 2 / phone.focal_px))),
        "fov_axis": "x",
        "principal_point_offset_x": -phone.centre_px[0] / width,
        "principal_point_offset_y": -phone.centre_px[1] / height,
        "near_clip": 10.0,
        "far_clip": 10_000.0,
        "to_world": mi.ScalarTransform4f(matrix),
        "film": {
            "type": "hdrfilm",
            "width": width,
            "height": height,
            "pixel_format": "rgb",
            "component_format": "float32",
            "rfilter": {"type": "box"},
        },
    }


def _trace(
    mi: Any, scene: Any, camera: dict[str, Any], box: Box, samples: int, seed: int
) -> NDArray[np.float32]:
    """Path-trace one part of the picture, a band of rows at a time."""
    integrator = mi.load_dict({"type": "path", "max_depth": DEPTH})
    left, top, right, bottom = box
    tall = TILE_PATHS // (samples * (right - left))
    bands = []
    for first in range(top, bottom, tall):
        crop = {
            "crop_offset_x": left,
            "crop_width": right - left,
            "crop_offset_y": first,
            "crop_height": min(tall, bottom - first),
        }
        sampler = {"type": "multijitter", "sample_count": samples}
        sensor = mi.load_dict(camera | {"sampler": sampler, "film": camera["film"] | crop})
        number = (seed * 100_000 + first * 10 + samples) % 2**32
        image = mi.render(scene, sensor=sensor, integrator=integrator, seed=number)
        bands.append(np.array(image, np.float32))
    return np.vstack(bands)


def _box_of_face(specimen: Specimen, size: tuple[int, int]) -> Box:
    face_px = ideal_px(specimen.face_directions(), specimen.phone)
    low = np.clip(face_px.min(axis=0) - AROUND_FACE_PX, 0, size).astype(int)
    high = np.clip(face_px.max(axis=0) + AROUND_FACE_PX, 0, size).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def render(
    specimen: Specimen, meshes: dict[str, Mesh]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Path-trace the scene; return the lamp's light and the room's, in linear units.

    Both are (height, width, 3) with the phone's margins. The lamp alone and the room alone are
    rendered one after the other and add up: that leaves far less noise than a mixture.
    """
    mi = use_renderer()
    t = mi.ScalarTransform4f
    rng = np.random.default_rng(specimen.seed)
    plan, paper = specimen.plan, specimen.paper
    to_world = face_to_world(plan, specimen.flaws, specimen.pose)
    filament = mi.load_dict(_filament(specimen.material))
    desk = DESKS[rng.integers(len(DESKS))]
    page = np.array(paper.size_mm)
    middle = sheet_to_world((page / 2 - paper.origin_mm)[None], specimen.print_scale)[0]

    scene: dict[str, Any] = {
        "type": "scene",
        "paper": {
            "type": "rectangle",
            "to_world": t().translate(middle.tolist())
            @ t().scale([*(page / 2 * specimen.print_scale).tolist(), 1]),
            "bsdf": {
                "type": "diffuse",
                "reflectance": _bitmap(mi, sheet_picture(plan, specimen.axis, paper)),
            },
        },
        "desk": {
            "type": "rectangle",
            "to_world": t().translate([0, 0, -DESK_BELOW_MM])
            @ t().rotate([0, 0, 1], float(rng.uniform(0, 180)))
            @ t().scale([1200, 1200, 1]),
            "bsdf": {
                "type": "diffuse",
                "reflectance": _bitmap(mi, desk_picture(rng, desk)),
            },
        },
    }
    for name, mesh in meshes.items():
        scene[name.replace(" ", "_")] = _shape(mi, mesh, to_world, filament)

    face_mm = to_world[2, 3] + plan.size.width_mm / 2
    room = {
        "type": "envmap",
        "bitmap": mi.Bitmap(room_picture(rng)),
        "to_world": t().rotate([1, 0, 0], 90),
    }
    camera = _camera(mi, specimen)
    size = camera["film"]["width"], camera["film"]["height"]
    close = left, top, right, bottom = _box_of_face(specimen, size)
    results = []
    for light, (samples, samples_of_face) in (
        (_lamp(mi, specimen.lamp, face_mm), LAMP_SAMPLES),
        (room, ROOM_SAMPLES),
    ):
        lit = mi.load_dict(scene | {"light": light})
        picture = _trace(mi, lit, camera, (0, 0, *size), samples, specimen.seed)
        picture[top:bottom, left:right] = _trace(
            mi, lit, camera, close, samples_of_face, specimen.seed
        )
        results.append(picture)
    return results[0], results[1]
