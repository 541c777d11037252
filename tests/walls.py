"""Simulated walls for tests of the model: the axes integrated in time, then bead, light and noise.

Nothing here uses the closed form of the decay or the package's shapers: both axes are stepped
through the shaped command by scipy's exact discretisation, and the wall is what the nozzle's
track leaves. The frame: `s` along the face from the entry corner, height `h` out of the wall.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import cont2discrete, lfilter

from ringscan.model.given import Doubts
from ringscan.model.motion import CornerMotion
from ringscan.model.problem import Walls
from ringscan.model.shapers import shaper_impulses
from ringscan.plan import Family, Shaper
from sample_images.generator.simulate import impulses

Array = NDArray[np.float64]

TIME_STEP_S = 1e-4
"""Commands are taken as straight between steps: at 5000 mm/s² that errs by 6 nm."""

TABLE_STEP_S = 2e-5
FINE = 2
"""Points per pixel at which the wall is shaded before it is averaged to pixels."""

RAMP = (*[float("nan")] * 6, *np.linspace(15, 60, 74).tolist())
"""Commanded frequencies: six bands with the shaper off, then a ramp over the usual range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """One simulated face, its light and its flaws.

    frequency_hz, damping_ratio : of the axis normal to the face; a frequency of 0 is a rigid axis
    second_hz, second_damping, second_share : of its second mode, whose part of the axis's position
        `second_share` is; the first mode has the rest
    along_hz, along_damping : of the axis along the face, which rings too
    family, shaper_damping : the shaper's; `commanded_damping` per band overrides the latter
    commanded_hz : per band, (b,); NaN is shaper off
    along_commanded_hz : the same of the other axis, which is told the same where this is None
    pixel_mm : step of the wall positions
    texture_um : rms height of the bead's texture, averaged over a band's layers
    gain : of the grazing light, the tangent of its slant; either sign
    stretch, shift_mm, skew_mm, height_mm : by which the places handed on are too small, see `Bent`
    sensor : rms noise of a pixel row's mean, relative
    blur_mm : standard deviation of the way that light goes in the filament
    jerk_s : time in which the acceleration rises and falls, where the jerk is limited
    tick_s : step that the firmware rounds the shaper's times to
    turn_deg : by which the modes are turned from the axes, as where these share their motors
    """

    frequency_hz: float = 38.0
    damping_ratio: float = 0.08
    second_hz: float = 0.0
    second_damping: float = 0.05
    second_share: float = 0.0
    along_hz: float = 47.0
    along_damping: float = 0.06
    family: str = "ZV"
    shaper_damping: float = 0.1
    commanded_hz: tuple[float, ...] = RAMP
    commanded_damping: tuple[float, ...] | None = None
    along_commanded_hz: tuple[float, ...] | None = None
    speed_mm_s: float = 120.0
    acceleration_mm_s2: float = 3000.0
    corner_speed_mm_s: float = 5.0
    length_mm: float = 60.0
    pixel_mm: float = 0.1
    texture_um: float = 1.5
    bulge_um: float = 60.0
    belt_um: float = 3.0
    gain: float = 3.0
    ambient: float = 0.1
    sensor: float = 0.004
    blur_mm: float = 0.0
    jerk_s: float = 0.0
    tick_s: float = 0.0
    turn_deg: float = 0.0
    stretch: float = 0.0
    shift_mm: float = 0.0
    skew_mm: float = 0.0
    height_mm: float = 0.0


DOUBTS = {"shift_mm": 0.1, "stretch": 0.003, "height_mm": 0.2, "skew_mm": 0.03}
"""Standard uncertainties of the places handed on, as the pipeline has them."""

BLUR_MM2 = 0.05
"""Of the blur's variance, in the same way."""


def random_wall(rng: np.random.Generator, **fixed: object) -> Wall:
    """Draw a wall from the design range, with ripple from plain to weak."""
    drawn: dict[str, object] = {
        "frequency_hz": rng.uniform(20, 56),
        "damping_ratio": rng.uniform(0.03, 0.13),
        "along_hz": rng.uniform(18, 60),
        "along_damping": rng.uniform(0.03, 0.13),
        "family": str(rng.choice(["ZV", "ZVD", "EI"])),
        "speed_mm_s": rng.uniform(90, 160),
        "acceleration_mm_s2": rng.uniform(2000, 5000),
        "corner_speed_mm_s": rng.uniform(0, 10),
        "texture_um": float(np.exp(rng.uniform(np.log(0.5), np.log(8)))),
        "belt_um": rng.uniform(0, 4),
        "gain": float(rng.choice([-1, 1])) * rng.uniform(1.5, 4),
    }
    along = {"same": None, "off": (float("nan"),) * len(RAMP), "falling": RAMP[:6] + RAMP[:5:-1]}
    drawn["along_commanded_hz"] = along[str(rng.choice(list(along)))]
    drawn |= {name: sd * rng.standard_normal() for name, sd in DOUBTS.items()}
    drawn["blur_mm"] = float(np.sqrt(BLUR_MM2 * abs(rng.standard_normal())))
    return Wall(**(drawn | fixed))  # type: ignore[arg-type]


def hz_per_mm(wall: Wall) -> float:
    """How fast the commanded frequency rises with height, bands being 1 mm high."""
    ramp = np.array(wall.commanded_hz)
    return float(np.nan_to_num(np.nanmedian(np.diff(ramp[~np.isnan(ramp)]))))


def doubts_of(wall: Wall) -> Doubts:
    """What the fit is told of its inputs' uncertainties."""
    return Doubts(**DOUBTS, blur_mm2=BLUR_MM2, hz_per_mm=hz_per_mm(wall))


def simulate_walls(wall: Wall, seed: int) -> Walls:
    """Draw, light and photograph one face."""
    rng = np.random.default_rng(seed)
    step = wall.pixel_mm / FINE
    s = np.arange(step / 2, wall.length_mm, step)
    h = wall_height_mm(wall, s) + _flaws_mm(wall, s, rng)
    light = _shade(wall, np.gradient(h, step, axis=1))
    if wall.blur_mm:
        light = gaussian_filter1d(light, wall.blur_mm / step, axis=1, mode="nearest")
    up = np.linspace(-0.5, 0.5, light.shape[0])
    if wall.skew_mm:
        leaning = s + wall.skew_mm * up[:, None]
        light = np.array([np.interp(at, s, row) for at, row in zip(leaning, light, strict=True)])
    pixels = s.size // FINE
    intensity = light[:, : pixels * FINE].reshape(-1, pixels, FINE).mean(axis=2)
    intensity *= _lamp(s[: pixels * FINE : FINE], intensity.shape[0], rng)
    intensity *= 1 + wall.sensor * rng.standard_normal(intensity.shape)
    middle = s[: pixels * FINE].reshape(pixels, FINE).mean(axis=1)
    commanded = np.array(wall.commanded_hz)
    off = np.isnan(commanded)
    shaper = Shaper(family=Family(wall.family), damping_ratio=wall.shaper_damping)
    told = commanded - wall.height_mm * hz_per_mm(wall)
    return Walls(
        s_mm=(middle - wall.shift_mm) / (1 + wall.stretch),
        intensity=intensity,
        valid=np.broadcast_to((middle > 1) & (middle < wall.length_mm - 1), intensity.shape).copy(),
        impulses=shaper_impulses(shaper, told, _shaper_damping(wall)),
        along=shaper_impulses(
            shaper,
            told if wall.along_commanded_hz is None else np.array(wall.along_commanded_hz),
            _shaper_damping(wall),
        ),
        commanded_hz=told,
        group=np.cumsum(np.append(False, off[1:] != off[:-1])).astype(np.intp),
        up=up,
        motion=CornerMotion(
            speed_mm_s=wall.speed_mm_s,
            acceleration_mm_s2=wall.acceleration_mm_s2,
            corner_speed_mm_s=wall.corner_speed_mm_s,
            length_mm=wall.length_mm,
        ),
    )


def wall_height_mm(wall: Wall, s_mm: Array) -> Array:
    """How far the nozzle's track stands out at wall positions (n,), without any flaw, (b, n)."""
    run, wall_s = _run(wall)
    normal = _impulse_lists(wall, wall.commanded_hz)
    tangential = _impulse_lists(wall, wall.along_commanded_hz or wall.commanded_hz)
    late = max(times.max() for _, times in normal + tangential)
    # the whole wall before the corner is drawn too, so that its first corner is remembered
    t = np.arange(-wall_s, wall_s + late + 0.05, TIME_STEP_S)

    def shaped(shapers: list[tuple[Array, Array]], law: Callable[[Array], Array]) -> Array:
        return np.array(
            [sum(a * law(t - d) for a, d in zip(*shaper, strict=True)) for shaper in shapers]
        )

    command = shaped(normal, lambda x: run(x + wall_s) - wall.length_mm), shaped(tangential, run)
    cos, sin = np.cos(np.radians(wall.turn_deg)), np.sin(np.radians(wall.turn_deg))
    across, beside = cos * command[0] + sin * command[1], cos * command[1] - sin * command[0]
    first = _follow(across, wall.frequency_hz, wall.damping_ratio)
    if wall.second_share:
        # modes add up: each follows the command by itself
        second = _follow(across, wall.second_hz, wall.second_damping)
        first = (1 - wall.second_share) * first + wall.second_share * second
    other = _follow(beside, wall.along_hz, wall.along_damping)
    out, along = cos * first - sin * other, cos * other + sin * first
    after = t > -20 * TIME_STEP_S
    rising = np.maximum.accumulate(along[:, after], axis=1) + 1e-9 * np.arange(after.sum())
    return np.array([np.interp(s_mm, u, n) for u, n in zip(rising, out[:, after], strict=True)])


def impulse_list(family: str, frequency_hz: float, damping_ratio: float) -> tuple[Array, Array]:
    """Amplitudes and times of a shaper by its published form, NaN being off."""
    if np.isnan(frequency_hz) or np.isnan(damping_ratio):
        return np.ones(1), np.zeros(1)
    shaper = Shaper(family=Family(family), damping_ratio=damping_ratio)
    return impulses(shaper, frequency_hz, damping_ratio)


def texture(rng: np.random.Generator, bands: int, samples: int, step_mm: float) -> Array:
    """Roughness of rms 1: correlation lengths from 0.3 to 3 mm, mixed differently in each band."""
    size = 2 * samples
    k = 2 * np.pi * np.fft.rfftfreq(size, step_mm)
    total = np.zeros((bands, samples))
    for length_mm in (0.3, 1.0, 3.0):
        white = np.fft.rfft(rng.standard_normal((bands, size)), axis=1)
        part = np.fft.irfft(white * np.exp(-((k * length_mm) ** 2) / 4), size, axis=1)[:, :samples]
        total += rng.uniform(0.5, 1.5, (bands, 1)) * part / part.std()
    return np.asarray(total / total.std())


def _shaper_damping(wall: Wall) -> Array:
    if wall.commanded_damping is not None:
        return np.array(wall.commanded_damping)
    return np.full(len(wall.commanded_hz), wall.shaper_damping)


def _impulse_lists(wall: Wall, commanded_hz: tuple[float, ...]) -> list[tuple[Array, Array]]:
    settings = zip(commanded_hz, _shaper_damping(wall), strict=True)
    exact = [impulse_list(wall.family, f, zeta) for f, zeta in settings]
    if not wall.tick_s:
        return exact
    return [(amplitudes, wall.tick_s * np.round(t / wall.tick_s)) for amplitudes, t in exact]


def _run(wall: Wall) -> tuple[Callable[[Array], Array], float]:
    """Distance covered along one wall as a function of time, and the time it takes."""
    a, slow, length = wall.acceleration_mm_s2, wall.corner_speed_mm_s, wall.length_mm
    fast = min(wall.speed_mm_s, np.sqrt(slow**2 + a * length))
    lost_mm = (fast - slow) ** 2 / a  # against going at full speed all the way
    wall_s = (length + lost_mm) / fast
    t = np.linspace(0, wall_s, round(wall_s / TABLE_STEP_S) + 1)
    speed = np.minimum(fast, slow + a * np.minimum(t, wall_s - t))
    if wall.jerk_s:
        # the mean of the speed over that time; the wall takes as much longer
        wide = round(wall.jerk_s / TABLE_STEP_S)
        speed = np.convolve(
            np.pad(speed, wide - 1, mode="edge"), np.ones(wide) / wide, mode="valid"
        )
        wall_s += wall.jerk_s
        t = np.linspace(0, wall_s, speed.size)
    covered = np.append(0, np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(t)))
    return lambda x: np.interp(x, t, covered * length / covered[-1]), float(wall_s)


def _follow(command_mm: Array, frequency_hz: float, damping_ratio: float) -> Array:
    """Position of an axis behind commands (b, t), from rest, exact for straight pieces."""
    if frequency_hz == 0:
        return command_mm
    w = 2 * np.pi * frequency_hz
    damper = 2 * damping_ratio * w
    b, a, _ = cont2discrete(([damper, w**2], [1, damper, w**2]), TIME_STEP_S, method="foh")
    start = command_mm[:, :1]
    return np.asarray(start + lfilter(np.ravel(b), a, command_mm - start, axis=1))


def _flaws_mm(wall: Wall, s: Array, rng: np.random.Generator) -> Array:
    bands = len(wall.commanded_hz)
    rough = texture(rng, bands, s.size, s[1] - s[0])
    # rougher where the nozzle was slow, and more so in some bands than in others
    rough = rough * (1 + np.exp(-s / 3)) * np.exp(0.2 * rng.standard_normal((bands, 1)))
    swell = 1 + 0.25 * rng.standard_normal((2, bands, 1))
    bulge = swell[0] * np.exp(-s / 1.3) + 0.6 * swell[1] * np.exp((s - wall.length_mm) / 1.0)
    belt = np.sin(np.pi * s + rng.uniform(0, 2 * np.pi))  # 2 mm pitch
    return 1e-3 * (wall.texture_um * rough + wall.bulge_um * bulge + wall.belt_um * belt)


def _shade(wall: Wall, slope: Array) -> Array:
    """Lambert's law for a lamp whose slant has the tangent `gain`, and ambient light."""
    lit = np.maximum((1 - wall.gain * slope) / np.sqrt(1 + slope**2), 0)
    return np.asarray(lit + wall.ambient)


def _lamp(s: Array, bands: int, rng: np.random.Generator) -> Array:
    """Fall of the light along the face, and bands of different shade."""
    x = s / s[-1] - 0.5
    falloff = 1 / (1 + rng.uniform(-0.6, 0.6) * x) ** 2
    return np.asarray(falloff * (1 + 0.05 * rng.standard_normal((bands, 1))))
