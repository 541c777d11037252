"""Whether a picture is fit to be measured, said before anything is fitted.

Every finding is a figure, its limit, and what to do. None of them looks at ripples: those may be
too small to be seen, and what they say is the fit's business.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ringscan.image.cover import largest_step
from ringscan.image.face import FaceView
from ringscan.image.grain import Grain, measure_grain
from ringscan.image.lamp import Lamp, find_lamp
from ringscan.image.photo import Photo
from ringscan.image.pose import Pose
from ringscan.image.rectify import Face
from ringscan.image.reference import SheetView
from ringscan.image.sharpness import EdgeResponse
from ringscan.plan import Axis, Plan

RIPPLE_PX = 8.0
"""A ripple that is sampled more coarsely loses contrast to pixels and lens alike."""
COLOUR_PX = 4.0
"""Red and blue have every second pixel of a colour sensor: this is their sampling limit."""
HALF_KEPT = 0.5
"""MTF50, the usual measure of sharpness (common practice)."""
LEAST_KEPT = 0.1
"""Contrast at which resolution is said to end (common practice; visual limit of ISO 12233)."""
MOST_KEPT = 1.3
"""Phones sharpen until edges' contrast is 1.0 to 1.15 of what it was; a picture sharpened to 1.5
had the face's edges, and so its ripples, elsewhere (common practice, no source)."""
MOST_COARSE = 1.25
"""JPEG steps over those of quality 50: at a quality of 40 answers were still as good as without, at
30 and 25 two of ten frequencies were just outside of their intervals."""
LAMP_GAIN = 0.8
"""Ripple contrast over slope. A ripple of 20 µm and 2 mm has slopes of 0.06, and so 5 %: the
texture of printed walls has as much."""
LAMP_CLEARNESS = 0.4
"""Share of the paper's brightness that a lamp's shadow explains: one lamp at the side has over
0.6 in the rendered pictures, light from the front or along the tube under 0.2."""
SIDE_FALL_PER_MM = 0.0015
"""Slope of ln(light) along the face below which no lamp stands beside it: light falls with the
square of the distance, so a lamp at 500 mm gives 2 / 500 mm = 0.004, one at 1.3 m this."""
CLIPPED_SHARE, DARK_SHARE = 0.05, 0.05
"""Shares of the face without a measurable brightness that are worth a word."""
LOST_SHARE = 0.5
"""Such a share leaves less than half of what the fit counts on."""
GRAIN, MUCH_GRAIN = 0.02, 0.1
"""Contrast of noise or moiré in a band's mean: a third of a 20 µm ripple's, and more than all."""
COVER_STEP = 0.15
"""Change of brightness up the face over 6 mm: at most 0.11 on 98 rendered pictures."""
TILT_DEG = 30.0
"""At 30° a tower 100 mm tall lies over 50 mm of depth: more than a phone has sharp at 30 cm."""
RIPPLE_PARTS = 6
"""Noise is counted over a sixth of a ripple, as coarse as a fit may sample it."""

SHARPENING = "sharpening"
"""Name of the finding that puts the face's edges in doubt."""
COMPRESSION = "compression"
"""Name of the one that makes all answers less sure."""
TOO_BRIGHT = "expose less, or move the lamp away"
TOO_DARK = "expose more, or move the lamp nearer"


class Grade(StrEnum):
    """What a finding means for the scan."""

    GOOD = "good"
    POOR = "poor"
    UNFIT = "unfit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing about a picture.

    name : what was looked at
    value, limit, unit : the figure, what it should be at least or at most, and their unit
    grade : whether that will do
    says : figure and limit in words
    advice : what to do unless it is good
    """

    name: str
    value: float
    limit: float
    unit: str
    grade: Grade
    says: str
    advice: str

    @property
    def line(self) -> str:
        """All of it in one line; the advice only where it is needed."""
        return self.says if self.grade is Grade.GOOD else f"{self.says}: {self.advice}"


def inspect_picture(
    photo: Photo,
    plan: Plan,
    axis: Axis,
    view: FaceView,
    face: Face,
    *,
    sheet: SheetView | None = None,
    pose: Pose | None = None,
    response: EdgeResponse | None = None,
) -> tuple[Finding, ...]:
    """All findings on a picture; those that need the scan sheet only with sheet and pose.

    `response` is that of the sheet's edges, where they tell one.
    """
    ripples = _Ripples.of(plan, axis, view)
    found = [_resolution(ripples)]
    if photo.coarseness is not None:
        found.append(_compression(photo.coarseness))
    if response is not None:
        found += [_sharpness(ripples, response), _sharpening(response)]
    lamp = find_lamp(photo, sheet, pose, view) if sheet is not None and pose is not None else None
    found.append(_lamp(lamp, face) if lamp is not None else _fall(face))
    found += _exposure(face)
    found += _cover(face)
    grain = measure_grain(photo, view, plan)
    if grain is not None:
        found += _grain(ripples, grain)
    found.append(_tilt(view.camera.tilt_deg))
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ripples:
    """What ripples the ramp asks for: their spacing at full speed.

    px_per_mm : along the layers, in the middle of the face
    end_hz, middle_hz : the ramp's upper end, and the geometric mean of both ends
    """

    speed_mm_s: float
    px_per_mm: float
    end_hz: float
    middle_hz: float

    @classmethod
    def of(cls, plan: Plan, axis: Axis, view: FaceView) -> _Ripples:
        commanded = plan.commands(axis).frequency_hz
        low, high = float(np.nanmin(commanded)), float(np.nanmax(commanded))
        s = view.width_mm / 2 + np.array([-5.0, 5.0])
        ends = view.to_px(s, np.full(2, view.height_mm / 2))
        return cls(
            speed_mm_s=plan.motion.speed_mm_s,
            px_per_mm=float(np.linalg.norm(ends[1] - ends[0])) / 10,
            end_hz=high,
            middle_hz=math.sqrt(low * high),
        )

    def px(self, frequency_hz: float) -> float:
        """Spacing of the ripples of a frequency."""
        return self.speed_mm_s / frequency_hz * self.px_per_mm

    @property
    def shortest(self) -> str:
        """In words."""
        return f"ripples of {self.end_hz:.0f} Hz, {self.speed_mm_s / self.end_hz:.1f} mm apart,"


def _resolution(ripples: _Ripples) -> Finding:
    px = ripples.px(ripples.end_hz)
    unfit = ripples.px(ripples.middle_hz) < COLOUR_PX
    return Finding(
        name="resolution",
        value=px,
        limit=RIPPLE_PX,
        unit="px",
        grade=_grade(px < RIPPLE_PX, unfit),
        says=f"{ripples.shortest} have {px:.0f} px each; at least {RIPPLE_PX:.0f}",
        advice="go nearer, and give the file as the phone made it",
    )


def _compression(coarseness: float) -> Finding:
    return Finding(
        name=COMPRESSION,
        value=coarseness,
        limit=MOST_COARSE,
        unit="1",
        grade=_grade(coarseness > MOST_COARSE),
        says=f"its JPEG steps are {coarseness:.1f} times those of quality 50; at most "
        f"{MOST_COARSE:g}",
        advice="give the file as the phone made it, not a messenger's copy",
    )


def _sharpness(ripples: _Ripples, response: EdgeResponse) -> Finding:
    kept = response.at(1 / ripples.px(ripples.end_hz))
    unfit = response.at(1 / ripples.px(ripples.middle_hz)) < LEAST_KEPT
    return Finding(
        name="sharpness",
        value=kept,
        limit=HALF_KEPT,
        unit="1",
        grade=_grade(kept < HALF_KEPT, unfit),
        says=f"{ripples.shortest} keep {kept:.0%} of their contrast, by the sheet's edges; "
        f"at least {HALF_KEPT:.0%}",
        advice="clean the lens, focus on the face, support the phone",
    )


def _sharpening(response: EdgeResponse) -> Finding:
    return Finding(
        name=SHARPENING,
        value=response.peak,
        limit=MOST_KEPT,
        unit="1",
        grade=_grade(response.peak > MOST_KEPT),
        says=f"the sheet's edges have {response.peak:.0%} of their contrast; at most "
        f"{MOST_KEPT:.0%}",
        advice="the picture was sharpened: give the file as the phone made it, and switch off "
        "sharpening and similar effects in the camera",
    )


def _lamp(lamp: Lamp, face: Face) -> Finding:
    if lamp.clearness < LAMP_CLEARNESS:
        return Finding(
            name="light",
            value=lamp.clearness,
            limit=LAMP_CLEARNESS,
            unit="1",
            grade=Grade.UNFIT,
            says=f"the tower's sideways shadow explains {lamp.clearness:.0%} of the light and dark "
            f"on the sheet; at least {LAMP_CLEARNESS:.0%}",
            advice=_where_instead(face),
        )
    along = math.cos(math.radians(lamp.turn_deg))
    side = "right" if along > 0 else "left"
    off_deg = math.degrees(math.acos(abs(along)))
    too_high = 1 / math.tan(math.radians(lamp.elevation_deg)) < LAMP_GAIN
    moves = ["lower"] * too_high + [f"to the {side}"] * (abs(along) < LAMP_GAIN)
    return Finding(
        name="light",
        value=lamp.gain,
        limit=LAMP_GAIN,
        unit="1",
        grade=_grade(lamp.gain < LAMP_GAIN),
        says=f"the lamp, at most {lamp.elevation_deg:.0f}° high and {off_deg:.0f}° off the layers, "
        f"shows a ripple's slope {lamp.gain:.1f} times as contrast; at least {LAMP_GAIN:.1f}",
        advice=f"move the lamp {' and '.join(moves or ['lower'])}",
    )


def _fall(face: Face) -> Finding:
    """Without a sheet: only by how the light falls off along the face."""
    fall = abs(face.falloff_per_mm[0])
    return Finding(
        name="light",
        value=fall * 60,
        limit=SIDE_FALL_PER_MM * 60,
        unit="1",
        grade=_grade(fall < SIDE_FALL_PER_MM),
        says=f"the light falls off by {fall * 60:.0%} over 60 mm along the layers; "
        f"at least {SIDE_FALL_PER_MM * 60:.0%}",
        advice=_where_instead(face),
    )


def _where_instead(face: Face) -> str:
    along, up = face.falloff_per_mm
    if abs(along) < SIDE_FALL_PER_MM < abs(up):
        end = "top" if up > 0 else "base"
        return f"a lamp at the tower's {end} hides the ripples; put it at the left or the right"
    return (
        "light from the front or all round hides the ripples; use one lamp, low at the left or "
        "the right"
    )


def _exposure(face: Face) -> Iterator[Finding]:
    for name, share, limit, seen, advice in (
        ("highlights", face.clipped_fraction, CLIPPED_SHARE, "burnt out", TOO_BRIGHT),
        ("shadows", face.dark_fraction, DARK_SHARE, "black", TOO_DARK),
    ):
        yield Finding(
            name=name,
            value=share,
            limit=limit,
            unit="1",
            grade=_grade(share > limit, share > LOST_SHARE),
            says=f"{share:.0%} of the face is {seen}; at most {limit:.0%}",
            advice=advice,
        )


def _grain(ripples: _Ripples, grain: Grain) -> Iterator[Finding]:
    pixels = ripples.px_per_mm * max(1.0, ripples.px(ripples.end_hz) / RIPPLE_PARTS)
    noise = grain.noise / math.sqrt(pixels)
    yield Finding(
        name="noise",
        value=noise,
        limit=GRAIN,
        unit="1",
        grade=_grade(noise > GRAIN, noise > MUCH_GRAIN),
        says=f"noise leaves {noise:.1%} in a layer band's mean; at most {GRAIN:.0%}",
        advice="more light: a brighter lamp, or nearer",
    )
    yield Finding(
        name="moiré",
        value=grain.moire,
        limit=GRAIN,
        unit="1",
        grade=_grade(grain.moire > GRAIN, grain.moire > MUCH_GRAIN),
        says=f"layer lines {grain.px_per_layer:.1f} px apart leave moiré of {grain.moire:.1%} in a "
        f"layer band's mean; at most {GRAIN:.0%}",
        advice="go nearer, and give the file as the phone made it, not a shrunk copy",
    )


def _cover(face: Face) -> Iterator[Finding]:
    step = largest_step(face)
    if math.isnan(step):
        return
    yield Finding(
        name="cover",
        value=step,
        limit=COVER_STEP,
        unit="1",
        grade=_grade(step > COVER_STEP),
        says=f"the face's brightness changes by {step:.0%} over 6 mm of height; at most "
        f"{COVER_STEP:.0%}",
        advice="remove what lies on the face or throws a sharp shadow on it",
    )


def _tilt(tilt_deg: float) -> Finding:
    return Finding(
        name="tilt",
        value=tilt_deg,
        limit=TILT_DEG,
        unit="degrees",
        grade=_grade(tilt_deg > TILT_DEG),
        says=f"the camera is tilted by {tilt_deg:.0f}°; at most {TILT_DEG:.0f}°",
        advice="hold the phone level, over the middle",
    )


def _grade(poor: bool, unfit: bool = False) -> Grade:
    return Grade.UNFIT if poor and unfit else Grade.POOR if poor else Grade.GOOD
