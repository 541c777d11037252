"""What the model is given of a photo: walls as plain arrays, and how well they are known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ringscan.image.bands import Bands
from ringscan.look import Kind, Look
from ringscan.model.budget import PHOTO, WITHOUT_SHEET, Beyond
from ringscan.model.given import Doubts
from ringscan.model.motion import face_motion
from ringscan.model.problem import Walls
from ringscan.model.shapers import Impulses, shaper_impulses
from ringscan.plan import Axis, Plan, Quantity, State

SCALE_UNCERTAINTY = {Kind.SHEET: 0.0025, Kind.CARD: 0.0035, Kind.FACE: 0.0035, Kind.CORNERS: 0.003}
"""Standard uncertainty of lengths along the face, relative; measured on rendered pictures. Not
wider than that: the ripples next to the corner tell the scale too, by the nozzle's acceleration,
but worse than they seem to, and where they were let they bent it by 2 %."""

EDGE_UNCERTAINTY_MM = {Kind.SHEET: 0.12, Kind.CARD: 0.5, Kind.FACE: 0.4, Kind.CORNERS: 0.25}
"""Standard uncertainty of the entry edge's place; measured on rendered pictures."""

SKEW_UNCERTAINTY_MM = {Kind.SHEET: 0.03, Kind.CARD: 0.6, Kind.FACE: 0.3, Kind.CORNERS: 0.3}
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

BEHIND_PX = 1.3
"""Of the further blur on the sheet of a picture that is sharp on the face, which lies nearer: up to
1.7 on rendered pictures. What the sheet's edges have beyond both, the face has too."""

BLUR_DOUBT_MM2 = 0.05
"""Standard uncertainty of the blur's variance. Most of it is the filament's: light that enters it
comes out up to half a millimetre away, and no sheet shows how far. Common practice, no source."""

TURN_SHARE = 0.4
"""Of a layer height: by how much a spiral's turn lies lower than the plan's layer, on average over
the faces; how a tower was printed the photo does not say."""

BLOCKY_TIMES = 2.5
"""Factor on what the model leaves out, of pictures that were compressed much."""

SHADOWED_DAMPING = 0.06
"""Of the damping ratio where the entry corner's shadows are drawn out: light then goes through the
filament, and the blur is not known well. On 23 faces that were blurred by 0.4 mm it was off by
5.6 %, root mean square, and down by 3.4 % on average."""

FLAGGED_TIMES = 2.5
"""Factor on these where the edges are in doubt: one was not seen, the sheet does not lie flat, the
size is not the plan's, the picture was sharpened much. None of the pictures that were measured for
these had any of it."""


def blur_mm_of(look: Look) -> float:
    """Standard deviation of the picture's blur on the face, by what the sheet's edges show."""
    seen_px = BLUR_PX if look.response is None else look.response.blur_px
    return math.sqrt(max(BLUR_PX**2, seen_px**2 - BEHIND_PX**2)) / look.view.px_per_mm


def beyond_of(look: Look, *, shadowed: bool) -> Beyond:
    """What the model leaves out of such a picture; `shadowed` is the fit's finding."""
    beyond = PHOTO if look.reference is Kind.SHEET else WITHOUT_SHEET
    if shadowed:
        beyond = replace(beyond, damping_ratio=max(beyond.damping_ratio, SHADOWED_DAMPING))
    if not look.blocky:
        return beyond
    return Beyond(
        frequency=BLOCKY_TIMES * beyond.frequency,
        damping_ratio=BLOCKY_TIMES * beyond.damping_ratio,
    )


def walls_of(bands: Bands, plan: Plan, axis: Axis, blur_mm: float = 0.0) -> Walls:
    """Hand the bands to the model: plain arrays, no pictures.

    The nozzle's path runs half a line inside the wall's outer face, and so does its corner.
    """
    group = np.cumsum(np.append(False, bands.state[1:] != bands.state[:-1]))
    return Walls(
        s_mm=bands.s_mm - plan.size.line_width_mm / 2,
        intensity=np.where(bands.valid, bands.profile, 0.0),
        valid=bands.valid,
        impulses=shaper_impulses(plan.shaper, bands.frequency_hz, bands.damping_ratio),
        along=_along(bands, plan, axis),
        commanded_hz=bands.frequency_hz,
        group=group.astype(np.intp),
        up=(bands.height_mm - bands.height_mm.mean()) / plan.height_mm,
        motion=face_motion(plan),
        blur_mm=blur_mm,
    ).pooled()


def as_other_axis(bands: Bands, plan: Plan, axis: Axis, blur_mm: float) -> Walls | None:
    """The walls as the other axis's ramp would have made them; None where that is the same."""
    other = _other(axis)
    if other not in plan.axes or plan.ramp_of(other) == plan.ramp_of(axis):
        return None
    commands = plan.commands(other)
    swapped = replace(
        bands,
        frequency_hz=_band_means(bands, commands.frequency_hz),
        damping_ratio=_band_means(bands, commands.damping_ratio),
    )
    return walls_of(swapped, plan, other, blur_mm)


def upside_down(bands: Bands, plan: Plan, axis: Axis, blur_mm: float) -> Walls:
    """The walls as the plan would have made them, were the tower's top where its base should be."""
    commands, top = plan.commands(axis), plan.size.layers - 1
    turned = replace(bands, first_layer=top - bands.last_layer, last_layer=top - bands.first_layer)
    return walls_of(
        replace(
            turned,
            state=commands.state[turned.first_layer],
            frequency_hz=_band_means(turned, commands.frequency_hz),
            damping_ratio=_band_means(turned, commands.damping_ratio),
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
        frequency = np.where(shaped, _band_means(bands, commands.frequency_hz[nearest]), np.nan)
        damping = np.where(shaped, _band_means(bands, commands.damping_ratio[nearest]), np.nan)
    return shaper_impulses(plan.shaper, frequency, damping)


def _other(axis: Axis) -> Axis:
    return "y" if axis == "x" else "x"


def _band_means(bands: Bands, per_layer: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean over each band's layers."""
    ends = zip(bands.first_layer, bands.last_layer, strict=True)
    return np.array([per_layer[first : last + 1].mean() for first, last in ends])


def doubts_of(look: Look) -> Doubts:
    """How well scale, edge and heights of a picture are known."""
    plan, ramp = look.plan, look.plan.ramp_of(look.axis)
    per_layer = ramp.step / ramp.layers_per_step if ramp.quantity is Quantity.FREQUENCY else 0.0
    more = FLAGGED_TIMES if look.edges_doubtful else 1.0
    # without a sheet the face's own size is the scale, whatever else is in doubt
    by_size = more if look.reference is Kind.SHEET else 1.0
    height_mm = more * HEIGHT_UNCERTAINTY_MM[look.reference]
    return Doubts(
        shift_mm=more * EDGE_UNCERTAINTY_MM[look.reference],
        stretch=by_size * SCALE_UNCERTAINTY[look.reference],
        skew_mm=more * SKEW_UNCERTAINTY_MM[look.reference],
        height_mm=math.hypot(height_mm, TURN_SHARE * plan.size.layer_height_mm),
        blur_mm2=BLUR_DOUBT_MM2,
        hz_per_mm=per_layer / plan.size.layer_height_mm,
    )
