"""Specimens drawn at random, spread widely over printers, plans, lights and phones."""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from ringscan.layout import CODE_BOX, SQUARE_MM, Paper, drawn_squares
from ringscan.plan import AXES, Axis, Direction, Family, Plan, build_plan
from sample_images.generator.camera import Phone, distort
from sample_images.generator.simulate import Oscillator
from sample_images.generator.specimen import Lamp, Material, Specimen
from sample_images.generator.view import Pose, directions, sheet_to_world
from sample_images.generator.wall import Flaws

BIRDS = ("HERON", "WREN", "PLOVER", "FINCH", "DIPPER", "CURLEW", "LINNET", "AVOCET", "SISKIN")
"""The printers of the workshop."""

MIN_PX_PER_MM = 12.0
MIN_RING_IN_VIEW = 0.95
MIN_EXCITATION = 0.7
"""Least ripple relative to a / w²: a plan is drawn again where braking nearly cancels itself."""

FAMILIES = (Family.ZV, Family.ZVD, Family.EI, Family.ZVDD)
THIRDS: dict[str, object] = {
    "amplitudes": [0.333, 0.334, 0.333],
    "times_in_periods": [0.0, 0.333, 0.667],
}
"""The list of impulses that stands for Family.LIST; it, too, stills an axis without damping."""
PIXELS = ((4000, 3000), (4032, 3024), (3264, 2448))

MATERIALS = (
    Material(name="white", colour=(0.78, 0.77, 0.74), gloss_roughness=0.0),
    Material(name="cream", colour=(0.70, 0.64, 0.50), gloss_roughness=0.4),
    Material(name="light grey", colour=(0.50, 0.51, 0.52), gloss_roughness=0.0),
    Material(name="grey", colour=(0.26, 0.27, 0.28), gloss_roughness=0.35),
    Material(name="red", colour=(0.52, 0.07, 0.05), gloss_roughness=0.35),
    Material(name="blue", colour=(0.08, 0.19, 0.46), gloss_roughness=0.4),
    Material(name="dark", colour=(0.05, 0.05, 0.052), gloss_roughness=0.45),
    Material(name="black", colour=(0.03, 0.03, 0.032), gloss_roughness=0.3),
    Material(name="glossy silver", colour=(0.42, 0.42, 0.43), gloss_roughness=0.2),
    Material(name="glossy orange", colour=(0.62, 0.25, 0.05), gloss_roughness=0.17),
)
DARK = 0.1
"""Mean reflectance below which a phone over-exposes the paper to show the tower."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a specimen must be like; None is drawn."""

    tower: str | None = None
    axis: Axis | None = None
    frequency_hz: float | None = None
    damping_ratio: float | None = None
    ripple_um: float | None = None
    family: Family | None = None
    direction: Direction | None = None
    start_hz: float | None = None
    material: Material | None = None
    lamp_side: int | None = None
    elevation_deg: float | None = None
    tilt_deg: float | None = None
    pixels: tuple[int, int] | None = None
    paper: Paper | None = None


T = TypeVar("T")


def _or(wished: T | None, drawn: T) -> T:
    return drawn if wished is None else wished


def excitation(oscillator: Oscillator, plan: Plan) -> float:
    """Return the ripple's size without a shaper, relative to a / w².

    The decay's amplitude and phase after the corner are what a ramp of deceleration and a last
    jump of speed leave behind: v_c + a (exp(lam T) - 1) / lam, T = (v - v_c) / a.
    """
    w = 2 * np.pi * oscillator.frequency_hz
    lam = w * complex(-oscillator.damping_ratio, np.sqrt(1 - oscillator.damping_ratio**2))
    motion = plan.motion
    braking_s = (motion.speed_mm_s - motion.corner_speed_mm_s) / motion.acceleration_mm_s2
    left = motion.corner_speed_mm_s
    return float(
        abs(left + motion.acceleration_mm_s2 * (np.exp(lam * braking_s) - 1) / lam)
        * w
        / motion.acceleration_mm_s2
    )


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def random_specimen(seed: int, family: Family | None = None) -> Specimen:
    """Return a specimen spread widely over printers, plans, lights and phones."""
    return draw(seed, f"{family or 'random'}-{seed:03d}".lower(), Wish(family=family))


def blank_specimen(seed: int, family: Family | None = None) -> Specimen:
    """Return a specimen printed on rigid axes: no ringing at all, everything else as usual."""
    specimen = draw(seed + 50_000, f"blank-{seed:03d}", Wish(family=family))
    return dataclasses.replace(specimen, normal=None, along=None)


def turned_specimen(seed: int, family: Family | None = None) -> Specimen:
    """Return the random specimen of that seed, laid down with its base away."""
    specimen = draw(seed, f"turned-{seed:03d}", Wish(family=family))
    pose = dataclasses.replace(specimen.pose, turn_deg=specimen.pose.turn_deg + 180)
    return dataclasses.replace(specimen, pose=pose)


def draw(seed: int, name: str, wish: Wish) -> Specimen:
    """Draw a specimen; what is wished for is taken as it is."""
    rng = np.random.default_rng(seed)
    axis = _or(wish.axis, AXES[rng.integers(2)])
    normal = Oscillator(
        frequency_hz=round(_or(wish.frequency_hz, rng.uniform(18, 58)), 2),
        damping_ratio=round(_or(wish.damping_ratio, _log_uniform(rng, 0.03, 0.13)), 4),
    )
    along = Oscillator(
        frequency_hz=round(float(np.clip(normal.frequency_hz * rng.uniform(0.7, 1.4), 16, 70)), 2),
        damping_ratio=round(rng.uniform(0.03, 0.12), 4),
    )
    for _ in range(1000):
        plan = _plan(rng, axis, normal, wish)
        if excitation(normal, plan) >= MIN_EXCITATION:
            break
    else:
        raise ValueError(f"{name}: no plan with a ripple was found for {wish}")
    flaws = _flaws(rng, seed)
    material = _or(wish.material, MATERIALS[rng.integers(len(MATERIALS))])
    dark = float(np.mean(material.colour)) < DARK
    specimen = Specimen(
        name=name,
        seed=seed,
        plan=plan,
        axis=axis,
        normal=normal,
        along=along,
        flaws=flaws,
        material=material,
        lamp=_lamp(rng, wish),
        phone=(phone := _phone(rng, wish)),
        pose=_pose(rng, wish, phone),
        paper=_or(wish.paper, Paper.LETTER if rng.random() < 0.3 else Paper.A4),
        print_scale=rng.uniform(0.997, 1.003),
        exposure=float(rng.uniform(0.1, 0.16) if dark else rng.uniform(0.22, 0.42)),
        paper_white=float(rng.uniform(1.3, 1.9) if dark else rng.uniform(0.75, 1.05)),
    )
    for _ in range(3000):
        phone = _phone(rng, wish)
        pose = _pose(rng, wish, phone)
        specimen = dataclasses.replace(specimen, phone=phone, pose=pose)
        if _in_view(specimen):
            return specimen
    raise ValueError(f"{name}: no view of the sheet and the face was found for {wish}")


def _plan(rng: np.random.Generator, axis: Axis, normal: Oscillator, wish: Wish) -> Plan:
    w = 2 * np.pi * normal.frequency_hz
    ripple_um = _or(wish.ripple_um, _log_uniform(rng, 20, 200))
    acceleration = float(np.clip(50 * np.ceil(ripple_um / 1000 * w**2 / 50), 500, 20_000))
    width = float(rng.choice([50, 55, 60]))
    # so that the speed is reached before the middle of the face
    fastest = min(200, 5 * int(np.sqrt(acceleration * width * 0.9) / 5))
    speed = min(5.0 * int(rng.integers(16, 41)), float(fastest))
    layer = float(rng.choice([0.15, 0.2, 0.25]))
    layers = int(rng.uniform(80, 110) / layer)

    start = _or(wish.start_hz, round(rng.uniform(12, min(20, normal.frequency_hz - 4))))
    end = round(rng.uniform(max(60, normal.frequency_hz + 6), 75))
    foot, band, gap = (int(mm / layer) for mm in (rng.uniform(5, 9), rng.uniform(7, 11), 2.0))
    if rng.random() < 0.75:
        first, last = foot, layers - 1 - band - gap - 8
        reference = last + gap
    else:
        first, last = foot + band + gap, layers - 1 - 12
        reference = foot
    per_step = int(rng.integers(1, 5))
    last -= (last - first + 1) % per_step
    steps = (last - first + 1) // per_step
    ramp = {
        "first_layer": first,
        "last_layer": last,
        "start": float(start),
        "step": round((end - start) / (steps - 1), 3),
        "layers_per_step": per_step,
    }
    return build_plan(
        {
            "tower": _or(wish.tower, f"{BIRDS[rng.integers(len(BIRDS))]}-{rng.integers(1, 10)}"),
            "size": {
                "width_mm": width,
                "line_width_mm": float(rng.choice([0.4, 0.45, 0.5])),
                "first_layer_mm": float(rng.choice([0.2, 0.25, 0.3])),
                "layer_height_mm": layer,
                "layers": layers,
            },
            "motion": {
                "direction": _or(
                    wish.direction,
                    Direction.CLOCKWISE if rng.random() < 0.2 else Direction.COUNTER_CLOCKWISE,
                ),
                "speed_mm_s": speed,
                "acceleration_mm_s2": acceleration,
                "corner_speed_mm_s": float(rng.choice([3, 5, 8])),
            },
            "shaper": {
                "family": _or(wish.family, FAMILIES[rng.choice(4, p=[0.45, 0.25, 0.15, 0.15])]),
                "damping_ratio": float(rng.choice([0.0, 0.04, 0.05, 0.1])),
                **(THIRDS if wish.family is Family.LIST else {}),
            },
            "ramp": {"x": ramp, "y": ramp},
            "reference": {"first_layer": reference, "last_layer": reference + band},
        }
    )


def _flaws(rng: np.random.Generator, seed: int) -> Flaws:
    return Flaws(
        seed=seed,
        texture_um=rng.uniform(4, 15),
        layer_jitter_um=rng.uniform(3, 12),
        bead_depth_um=rng.uniform(30, 60),
        entry_bulge_um=rng.uniform(20, 120),
        entry_bulge_mm=rng.uniform(0.7, 2.5),
        far_bulge_um=rng.uniform(-20, 40),
        far_bulge_mm=rng.uniform(0.6, 1.5),
        wave_um=rng.uniform(5, 25),
        wave_mm=rng.uniform(3, 12),
        bow_along_um=rng.uniform(-120, 120),
        bow_up_um=rng.uniform(-150, 150),
        tooth_um=rng.uniform(2, 8),
        foot_um=rng.uniform(80, 250),
        ragged_um=rng.uniform(20, 70),
    )


def _lamp(rng: np.random.Generator, wish: Wish) -> Lamp:
    return Lamp(
        side=_or(wish.lamp_side, (-1, 1)[rng.integers(2)]),
        elevation_deg=_or(wish.elevation_deg, rng.uniform(12, 30)),
        skew_deg=rng.uniform(-12, 12),
        distance_mm=rng.uniform(350, 600),
        diameter_mm=rng.uniform(50, 100),
        room=rng.uniform(0.05, 0.15),
        colour=(1.0, rng.uniform(0.94, 1.0), rng.uniform(0.86, 1.0)),
    )


def _phone(rng: np.random.Generator, wish: Wish) -> Phone:
    width, height = _or(wish.pixels, PIXELS[rng.integers(len(PIXELS))])
    f35 = int(52 if rng.random() < 0.15 else rng.integers(24, 29))
    return Phone(
        width_px=width,
        height_px=height,
        f35_mm=f35,
        true_f35_mm=f35 * rng.uniform(0.975, 1.025),
        centre_px=(rng.uniform(-15, 15), rng.uniform(-15, 15)),
        k1=rng.uniform(-0.02, 0.02),
        blur_px=rng.uniform(0.6, 1.2),
        defocus_px=rng.uniform(0, 1.8),
        full_well_e=rng.uniform(2500, 8000),
        read_noise_e=rng.uniform(2, 5),
        sharpen=float(rng.choice([0.0, 0.3, 0.6])),
        jpeg_quality=int(rng.integers(86, 96)),
        orientation=int(rng.choice([1, 3, 6, 8])),
    )


UPRIGHT_ROLL_DEG = {1: 0.0, 3: 180.0, 6: -90.0, 8: 90.0}
"""Roll of the phone with which a picture of this EXIF orientation is shown upright."""


def _pose(rng: np.random.Generator, wish: Wish, phone: Phone) -> Pose:
    near, far = (460, 560) if phone.f35_mm > 40 else (230, 330)
    # held over a table, a phone mistakes its own orientation now and then
    mistaken = 90 * rng.integers(4) if rng.random() < 0.3 else 0
    return Pose(
        shift_mm=(rng.uniform(-4, 4), rng.uniform(-4, 4)),
        turn_deg=rng.uniform(-3, 3),
        aim_mm=(rng.uniform(-15, 15), rng.uniform(-10, 30)),
        distance_mm=rng.uniform(near, far),
        tilt_deg=_or(wish.tilt_deg, rng.uniform(0, 15)),
        tilt_to_deg=rng.uniform(0, 360),
        roll_deg=UPRIGHT_ROLL_DEG[phone.orientation] + mistaken + rng.uniform(-14, 14),
    )


def _in_view(specimen: Specimen) -> bool:
    """Whether nearly all of the ring, the code and the face are in the frame, and large enough."""
    phone, pose = specimen.phone, specimen.pose
    frame = np.array([phone.width_px, phone.height_px])

    def on_sheet(points: list[tuple[float, float]]) -> Any:
        world = sheet_to_world(np.array(points, dtype=float), specimen.print_scale)
        return distort(directions(world, pose), phone)

    def inside(points: Any, margin_px: float) -> float:
        return float(((points > margin_px) & (points < frame - margin_px)).all(axis=1).mean())

    squares = [((c + 0.5) * SQUARE_MM, (r + 0.5) * SQUARE_MM) for r, c in drawn_squares()]
    code = list(itertools.product(CODE_BOX[::2], CODE_BOX[1::2]))
    face = np.array(specimen.face_corners_px())
    edges_px = np.linalg.norm(np.roll(face, -1, axis=0) - face, axis=1)
    size_mm = np.tile([specimen.plan.size.width_mm, specimen.plan.height_mm], 2)
    return (
        inside(on_sheet(squares), 60) >= MIN_RING_IN_VIEW
        and inside(on_sheet(code), 60) == 1
        and inside(face, 80) == 1
        and float((edges_px / size_mm).min()) >= MIN_PX_PER_MM
    )
