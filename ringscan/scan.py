"""The whole measurement on one screen: from a photo to an axis's frequency and damping."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ringscan.image.bands import Bands, measure_bands
from ringscan.image.face import FaceView
from ringscan.image.rectify import Face
from ringscan.look import Flush, Kind, Look, look_at, turned
from ringscan.model.answers import (
    BandRipple,
    NullEstimate,
    fit_null,
    fit_spacing,
    measure_ripple,
)
from ringscan.model.budget import Interval, intervals
from ringscan.model.causes import CLEARLY, laid_doubt, suspects
from ringscan.model.estimate import PoleEstimate
from ringscan.model.fit import JointFit, fit_jointly
from ringscan.model.given import Doubts
from ringscan.model.motion import CornerMotion
from ringscan.model.problem import Walls
from ringscan.model.ranking import RankedBand, quiet_height_mm, rank_bands
from ringscan.model.setting import DampingSetting, SecondMode, best_damping, second_mode
from ringscan.model.shapers import Impulses, shaper_impulses
from ringscan.model.verdict import Outcome, Verdict, judge
from ringscan.plan import Axis, Plan, Quantity, State

SCALE_UNCERTAINTY = {Kind.SHEET: 0.0025, Kind.CARD: 0.006, Kind.FACE: 0.006, Kind.CORNERS: 0.004}
"""Standard uncertainty of lengths on the face, relative; measured on rendered pictures."""

EDGE_UNCERTAINTY_MM = {Kind.SHEET: 0.12, Kind.CARD: 0.5, Kind.FACE: 0.4, Kind.CORNERS: 0.25}
"""Standard uncertainty of the entry edge's place; measured on rendered pictures."""

SKEW_UNCERTAINTY_MM = {Kind.SHEET: 0.03, Kind.CARD: 0.6, Kind.FACE: 0.3, Kind.CORNERS: 0.2}
"""Standard uncertainty of the entry edge's place at the top against that at the base: the sheet
tells the perspective far better than the face's own corners do; measured on rendered pictures.
Ripples that lean turn crests into troughs with height, and that is what the ramp does."""

HEIGHT_UNCERTAINTY_MM = {Kind.SHEET: 0.06, Kind.CARD: 0.2, Kind.FACE: 0.2, Kind.CORNERS: 0.2}
"""Standard uncertainty of heights; measured on rendered pictures. On 94 of them the sheet gave
lengths along the face to 0.21 %, its entry edge to 0.08 mm and heights to 0.04 mm, root mean
square; printed walls are a little less exact."""

BLUR_PX = 0.9
"""Standard deviation of an ordinary picture's blur on the face: lens, pixel and their colours. It
takes more off the crowded ripples near the corner than off those behind them, which without it
would seem to decay more slowly, by 1 % of the damping ratio. Rendered pictures have 0.6 to 1.1."""

TURNED_TIMES = 4.0
"""Factor on these for a tower that lies with its base away: its outline was fitted with foot and
top changed over. Two of three such pictures were off by four times the usual doubt."""

FLAGGED_TIMES = 2.5
"""Factor on these where the edges are in doubt: one was not seen, the sheet does not lie flat, the
size is not the plan's, the picture was sharpened much. None of the pictures that were measured for
these had any of it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """Everything one photo says, step by step.

    photo : name of the file and its SHA-256
    plan, axis : what was printed, and which axis the face shows
    reference : what told the scale
    view : where the face is in the picture
    bands : the layer bands' profiles
    fit : the joint fit
    spacing, null : the two independent answers
    frequency_hz, damping_ratio : of the axis, with 95 % intervals
    ripple : every band's own ripple
    ranking : bands from the quietest up
    quiet_height_mm : where the ripple is least by the fit; NaN where no ramp height does that
    damping_setting : the best of a damping ramp; None for a ramp of the frequency
    second_mode : of the axis, where one stands out
    verdict : whether all this may be called
    flags : what to know about the picture, one line each
    """

    photo: str
    sha256: str
    plan: Plan
    axis: Axis
    reference: Kind
    view: FaceView
    face: Face
    bands: Bands
    fit: JointFit
    spacing: PoleEstimate
    null: NullEstimate
    frequency_hz: Interval
    damping_ratio: Interval
    ripple: BandRipple
    ranking: tuple[RankedBand, ...]
    quiet_height_mm: float
    damping_setting: DampingSetting | None
    second_mode: SecondMode | None
    verdict: Verdict
    flags: tuple[str, ...]


def scan_photo(
    path: Path,
    *,
    plan: Plan | None = None,
    axis: Axis | None = None,
    flush: Flush | None = None,
    check_line_mm: float = 100.0,
    max_megapixels: float = 60,
) -> Scan:
    """Measure one photo.

    Parameters
    ----------
    path : the picture
    plan, axis : override what the sheet's code says; needed where it cannot be read
    flush : a reference in the face's plane, instead of the sheet; plan must then be given
    check_line_mm : measured length of the sheet's 100 mm line
    max_megapixels : larger pictures are refused

    Raises
    ------
    RingscanError
        If the picture cannot be measured at all. A picture that can be measured but says
        nothing is no error: see `Scan.verdict`.
    """
    look = look_at(
        path,
        plan=plan,
        axis=axis,
        flush=flush,
        check_line_mm=check_line_mm,
        max_megapixels=max_megapixels,
    )
    scan = measure(look, measure_bands(look.face, look.plan, look.axis))
    if scan.verdict.outcome is Outcome.CALL or look.reference is not Kind.SHEET:
        return scan
    # a tower that was laid down the other way up is read as it lies, where that is plain
    other = turned(look)
    again = measure(other, measure_bands(other.face, other.plan, other.axis))
    to_beat = max(scan.verdict.evidence, scan.verdict.chance_threshold)
    plain = again.verdict.outcome is Outcome.CALL and again.verdict.evidence > CLEARLY * to_beat
    return again if plain else scan


def measure(look: Look, bands: Bands) -> Scan:
    """Everything after the picture: fit the bands, cross-check, rank and judge."""
    plan, axis = look.plan, look.axis
    blur_mm = BLUR_PX / look.view.px_per_mm
    walls = walls_of(bands, plan, axis, blur_mm)
    fit = fit_jointly(walls, _doubts(look))
    frequency, damping = intervals(fit.estimate)
    spacing = fit_spacing(fit)
    ramp = plan.ramp_of(axis)
    null = fit_null(fit.problem, spacing, ramp.quantity)
    ripple = measure_ripple(fit)
    quiet = quiet_height_mm(fit.estimate, plan, axis)
    verdict = judge(fit=fit, frequency=frequency, spacing=spacing, null=null)
    upside_down = _upside_down(bands, plan, axis, blur_mm)
    if verdict.outcome is Outcome.CALL:
        # a part of what a tower that lies otherwise shows can pass for the plan's
        story = laid_doubt(walls, upside_down, verdict.chance_threshold)
        if story is not None:
            verdict = replace(verdict, outcome=Outcome.DISAGREEMENT, reasons=(story,))
    else:
        causes = suspects(
            walls,
            upside_down=upside_down,
            other=_as_other_axis(bands, plan, axis, blur_mm),
            evidence=verdict.evidence,
            threshold=verdict.chance_threshold,
        )
        verdict = replace(verdict, reasons=(*verdict.reasons, *causes))
    return Scan(
        photo=look.photo.source,
        sha256=look.photo.sha256,
        plan=plan,
        axis=axis,
        reference=look.reference,
        view=look.view,
        face=look.face,
        bands=bands,
        fit=fit,
        spacing=spacing,
        null=null,
        frequency_hz=frequency,
        damping_ratio=damping,
        ripple=ripple,
        ranking=rank_bands(
            ripple,
            bands.frequency_hz,
            bands.damping_ratio,
            bands.height_mm,
            frequency.value,
        ),
        quiet_height_mm=quiet,
        damping_setting=_damping_setting(fit.estimate, plan, axis),
        second_mode=second_mode(fit, plan.shaper),
        verdict=verdict,
        flags=look.flags,
    )


def _damping_setting(estimate: PoleEstimate, plan: Plan, axis: Axis) -> DampingSetting | None:
    ramp = plan.ramp_of(axis)
    if ramp.quantity is Quantity.FREQUENCY or ramp.frequency_hz is None:
        return None
    settings = plan.commands(axis).damping_ratio
    return best_damping(estimate, plan.shaper, ramp.frequency_hz, settings[~np.isnan(settings)])


def walls_of(bands: Bands, plan: Plan, axis: Axis, blur_mm: float = 0.0) -> Walls:
    """Hand the bands to the model: plain arrays, no pictures.

    The nozzle's path runs half a line inside the wall's outer face, and so does its corner.
    """
    line = plan.size.line_width_mm
    group = np.cumsum(np.append(False, bands.state[1:] != bands.state[:-1]))
    return Walls(
        s_mm=bands.s_mm - line / 2,
        intensity=np.where(bands.valid, bands.profile, 0.0),
        valid=bands.valid,
        impulses=shaper_impulses(plan.shaper, bands.frequency_hz, bands.damping_ratio),
        along=_along(bands, plan, axis),
        commanded_hz=bands.frequency_hz,
        group=group.astype(np.intp),
        up=(bands.height_mm - bands.height_mm.mean()) / plan.height_mm,
        motion=CornerMotion(
            speed_mm_s=plan.motion.speed_mm_s,
            acceleration_mm_s2=plan.motion.acceleration_mm_s2,
            corner_speed_mm_s=plan.motion.corner_speed_mm_s,
            length_mm=plan.size.width_mm - line,
        ),
        blur_mm=blur_mm,
    ).pooled()


def _as_other_axis(bands: Bands, plan: Plan, axis: Axis, blur_mm: float) -> Walls | None:
    """The walls as the other axis's ramp would have made them; None where that is the same."""
    other = _other(axis)
    if other not in plan.axes or plan.ramp_of(other) == plan.ramp_of(axis):
        return None
    commands = plan.commands(other)
    layers = np.arange(plan.size.layers)
    swapped = replace(
        bands,
        frequency_hz=_band_means(bands, commands.frequency_hz, layers),
        damping_ratio=_band_means(bands, commands.damping_ratio, layers),
    )
    return walls_of(swapped, plan, other, blur_mm)


def _upside_down(bands: Bands, plan: Plan, axis: Axis, blur_mm: float) -> Walls:
    """The walls as the plan would have made them, were the tower's top where its base should be."""
    commands, top = plan.commands(axis), plan.size.layers - 1
    turned = replace(bands, first_layer=top - bands.last_layer, last_layer=top - bands.first_layer)
    layers = np.arange(plan.size.layers)
    return walls_of(
        replace(
            turned,
            state=commands.state[turned.first_layer],
            frequency_hz=_band_means(turned, commands.frequency_hz, layers),
            damping_ratio=_band_means(turned, commands.damping_ratio, layers),
        ),
        plan,
        axis,
        blur_mm,
    )


def _along(bands: Bands, plan: Plan, axis: Axis) -> Impulses:
    """Shaper of the axis along the face, per band.

    An axis without a ramp was printed with its shaper off; beyond its ramp the nearest command
    stands.
    """
    other = _other(axis)
    frequency = damping = np.full(bands.first_layer.size, np.nan)
    if other in plan.axes:
        commands = plan.commands(other)
        on = np.flatnonzero(~np.isnan(commands.frequency_hz))
        nearest = np.clip(np.arange(plan.size.layers), on[0], on[-1])
        shaped = bands.state != State.REFERENCE.value
        frequency = np.where(shaped, _band_means(bands, commands.frequency_hz, nearest), np.nan)
        damping = np.where(shaped, _band_means(bands, commands.damping_ratio, nearest), np.nan)
    return shaper_impulses(plan.shaper, frequency, damping)


def _other(axis: Axis) -> Axis:
    return "y" if axis == "x" else "x"


def _band_means(
    bands: Bands, per_layer: NDArray[np.float64], layers: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Mean over each band's layers; `layers` says which layer's value each layer takes."""
    values = per_layer[layers]
    ends = zip(bands.first_layer, bands.last_layer, strict=True)
    return np.array([values[first : last + 1].mean() for first, last in ends])


def _doubts(look: Look) -> Doubts:
    plan, ramp = look.plan, look.plan.ramp_of(look.axis)
    per_layer = ramp.step / ramp.layers_per_step if ramp.quantity is Quantity.FREQUENCY else 0.0
    more = TURNED_TIMES if look.turned else FLAGGED_TIMES if look.edges_doubtful else 1.0
    return Doubts(
        shift_mm=more * EDGE_UNCERTAINTY_MM[look.reference],
        stretch=more * SCALE_UNCERTAINTY[look.reference],
        skew_mm=more * SKEW_UNCERTAINTY_MM[look.reference],
        height_mm=more * HEIGHT_UNCERTAINTY_MM[look.reference],
        hz_per_mm=per_layer / plan.size.layer_height_mm,
    )
