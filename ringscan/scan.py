"""The whole measurement on one screen: from a photo to an axis's frequency and damping."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ringscan.errors import RingscanError
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
from ringscan.model.budget import Beyond, Interval, intervals
from ringscan.model.causes import (
    BEYOND_DOUBT,
    CLEARLY,
    Suspect,
    another_print,
    another_tower,
)
from ringscan.model.estimate import PoleEstimate
from ringscan.model.fit import JointFit, fit_jointly
from ringscan.model.problem import Walls
from ringscan.model.ranking import RankedBand, quiet_height_mm, rank_bands
from ringscan.model.setting import (
    DampingSetting,
    SecondMode,
    SettingLeft,
    best_damping,
    left_at,
    require_printed,
    second_mode,
)
from ringscan.model.verdict import Outcome, Verdict, judge
from ringscan.plan import Axis, Plan, Quantity
from ringscan.walls import as_other_axis, beyond_of, blur_mm_of, doubts_of, upside_down, walls_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scan:
    """Everything one photo says, step by step.

    photo, sha256 : name of the file, and the hash of its bytes, hexadecimal
    plan, axis : what was printed, and which axis the face shows
    reference : what told the scale
    view : where the face is in the picture
    face : its light, straightened
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
    setting_hz, setting_left : see `with_setting`
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
    setting_hz: float | None = None
    setting_left: SettingLeft | None = None

    def with_setting(self, setting_hz: float) -> Scan:
        """The same with what the wall keeps of its ripple where this frequency was commanded.

        Without a call that is not known: only `setting_hz` is then set. Raises ValueError if it
        was not commanded.
        """
        require_printed(self.bands.frequency_hz, setting_hz)
        left = None
        if self.verdict.outcome is Outcome.CALL:
            left = left_at(self.ripple, self.bands.frequency_hz, setting_hz)
        return replace(self, setting_hz=setting_hz, setting_left=left)


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
    check_line_mm : measured length of the sheet's 100 mm line; does not go with flush
    max_megapixels : larger pictures are refused

    Raises
    ------
    RingscanError
        If the picture cannot be measured at all. A picture that can be measured but says
        nothing is no error: see `Scan.verdict`.
    TypeError, ValueError
        If the arguments are such that no photo could be measured: see `require_settings`.
    """
    look = look_at(
        path,
        plan=plan,
        axis=axis,
        flush=flush,
        check_line_mm=check_line_mm,
        max_megapixels=max_megapixels,
    )
    try:
        scan = _read_either_way(look)
    except RingscanError as exc:  # neither bands nor fit know of which photo they are
        raise type(exc)(f"{look.photo.source}: {exc}") from exc
    if not look.contradictions:
        return scan
    # no number is to be set for what may be another axis, or another tower
    return replace(scan, verdict=scan.verdict.against(*look.contradictions))


def _read_either_way(look: Look) -> Scan:
    """Measure the face as it should lie and, where that gives no call, as it may lie."""
    scan = measure(look, measure_bands(look.face, look.plan, look.axis))
    if scan.verdict.outcome is Outcome.CALL or look.reference is not Kind.SHEET or look.turned:
        return scan
    # a tower that was laid down the other way up is read as it lies, where that is plain
    try:
        other = turned(look)
        bands = measure_bands(other.face, other.plan, other.axis)
        again = measure(other, bands, explain=False)
    except RingscanError:
        return scan
    to_beat = CLEARLY * max(scan.verdict.over_chance, 1.0)
    if scan.verdict.suspect in (Suspect.MIRRORED, Suspect.OTHER_RAMP):
        to_beat = max(to_beat, BEYOND_DOUBT)  # it may lie in yet another way
    plain = again.verdict.outcome is Outcome.CALL and again.verdict.over_chance > to_beat
    return again if plain else scan


def measure(look: Look, bands: Bands, *, explain: bool = True) -> Scan:
    """Everything after the picture: fit the bands, cross-check, rank and judge.

    Parameters
    ----------
    look, bands : the face and its layer bands
    explain : whether the causes of what is no call are looked for, which takes longer than the fit

    Raises
    ------
    RingscanError
        If the bands hold nothing that could be fitted.
    """
    plan, axis = look.plan, look.axis
    blur_mm = blur_mm_of(look)
    walls = walls_of(bands, plan, axis, blur_mm)
    fit = fit_jointly(walls, doubts_of(look))
    beyond = beyond_of(look, shadowed=fit.shadowed)
    frequency, damping = intervals(fit.estimate, beyond)
    spacing = fit_spacing(fit)
    ramp = plan.ramp_of(axis)
    null = fit_null(fit, spacing, ramp.quantity)
    ripple = measure_ripple(fit)
    quiet = quiet_height_mm(fit.estimate, plan, axis)
    verdict = judge(fit=fit, frequency=frequency, spacing=spacing, null=null)
    called = verdict.outcome is Outcome.CALL
    doubtful = called and verdict.over_chance < BEYOND_DOUBT
    if doubtful or (explain and not called):
        verdict = _suspect(verdict, walls, bands, look, blur_mm)
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
        damping_setting=_damping_setting(fit.estimate, plan, axis, beyond),
        second_mode=second_mode(fit, plan.shaper, beyond),
        verdict=verdict,
        flags=look.flags,
    )


def _suspect(verdict: Verdict, walls: Walls, bands: Bands, look: Look, blur_mm: float) -> Verdict:
    """The verdict with the likely cause; a call falls if another tower explains the wall better."""
    plan, axis, called = look.plan, look.axis, verdict.outcome is Outcome.CALL
    story = another_tower(
        walls,
        upside_down=upside_down(bands, plan, axis, blur_mm),
        other=as_other_axis(bands, plan, axis, blur_mm),
        over_chance=verdict.over_chance,
    )
    if story is None and not called:
        story = another_print(walls, over_chance=verdict.over_chance)
    return verdict if story is None else verdict.blamed_on(story.suspect, story.said)


def _damping_setting(
    estimate: PoleEstimate, plan: Plan, axis: Axis, beyond: Beyond
) -> DampingSetting | None:
    ramp = plan.ramp_of(axis)
    if ramp.quantity is Quantity.FREQUENCY or ramp.frequency_hz is None:
        return None
    settings = plan.commands(axis).damping_ratio
    settings = settings[~np.isnan(settings)]
    return best_damping(estimate, plan.shaper, ramp.frequency_hz, settings, beyond)
