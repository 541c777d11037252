"""Layer bands: groups of neighbouring layers under one command, each with its mean profile."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.errors import FaceError, PlanError
from ringscan.image.rectify import Face
from ringscan.plan import Axis, Plan, State

BAND_MM = 1.0
"""Wanted height of a band: several layers, so that their texture averages out."""
BASE_MM, TOP_MM = 1.0, 1.5
"""Left out at the base, where first layers are wide, and at the top, which is ragged."""
GLINT_SDS = 3.0
"""Rows off the band's median by more robust standard deviations are pulled in to that."""
MIN_USABLE = 0.5
"""Share of a band's rows that must be usable for its mean to count."""
MIN_ROWS = 3
MIN_VALID = 0.3
"""Share of all bands' profiles; with less there is no telling what the rest says."""
MIN_BAND_VALID = 0.3
"""Share of a band's own profile; with less its smooth part cannot be told from a ripple."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bands:
    """Mean brightness along each layer band.

    s_mm : distance from the entry edge, (n_s,)
    first_layer, last_layer : both included, counted from 0, (n_bands,)
    bottom_mm, top_mm : height of the band's lower and upper end, (n_bands,)
    height_mm : from the base to the band's middle, as a caliper reads it, (n_bands,)
    state : State per band, (n_bands,)
    frequency_hz, damping_ratio : commanded, mean over the band's layers; NaN in the reference band
    profile : mean linear light, (n_bands, n_s); NaN where not valid
    valid : (n_bands, n_s)
    """

    s_mm: NDArray[np.float64]
    first_layer: NDArray[np.int64]
    last_layer: NDArray[np.int64]
    bottom_mm: NDArray[np.float64]
    top_mm: NDArray[np.float64]
    height_mm: NDArray[np.float64]
    state: NDArray[np.str_]
    frequency_hz: NDArray[np.float64]
    damping_ratio: NDArray[np.float64]
    profile: NDArray[np.float64]
    valid: NDArray[np.bool_]


def measure_bands(face: Face, plan: Plan, axis: Axis) -> Bands:
    """Average the face over groups of neighbouring layers.

    A band never straddles a change of state; on the ramp it holds whole steps, or is a part of
    one tall step. Bands that hold too little signal are left out.

    Raises
    ------
    FaceError
        If too little of the face is neither clipped nor black.
    PlanError
        If the plan's ramp has no layer where the wall can be measured.
    """
    groups = layer_groups(plan, axis)
    if not groups:
        raise PlanError(
            f"no layer of the ramp lies between {BASE_MM:g} mm above the base and {TOP_MM:g} mm "
            "below the top, where the wall can be measured: make the ramp longer"
        )
    commands = plan.commands(axis)
    first = np.array([a for a, _ in groups], dtype=np.int64)
    last = np.array([b for _, b in groups], dtype=np.int64)
    bottom = np.array([plan.layer_bottom_mm(int(k)) for k in first])
    top = np.array([plan.layer_top_mm(int(k)) for k in last])
    profile = np.array([_mean_profile(face, a, b) for a, b in zip(bottom, top, strict=True)])
    valid = np.isfinite(profile)
    if valid.mean() < MIN_VALID:
        fault = "bright" if face.clipped_fraction > face.dark_fraction else "dark"
        lost = f"{100 * (1 - valid.mean()):.0f} %"
        raise FaceError(
            f"the tower's face is too {fault} to be measured: {lost} of it holds no signal; "
            f"change the exposure or the lamp"
        )
    kept = valid.mean(axis=1) >= MIN_BAND_VALID
    first, last, bottom, top = first[kept], last[kept], bottom[kept], top[kept]
    groups = [group for group, keep in zip(groups, kept, strict=True) if keep]
    return Bands(
        s_mm=face.s_mm,
        first_layer=first,
        last_layer=last,
        bottom_mm=bottom,
        top_mm=top,
        height_mm=(bottom + top) / 2,
        state=commands.state[first],
        frequency_hz=np.array([commands.frequency_hz[a : b + 1].mean() for a, b in groups]),
        damping_ratio=np.array([commands.damping_ratio[a : b + 1].mean() for a, b in groups]),
        profile=profile[kept],
        valid=valid[kept],
    )


def layer_groups(plan: Plan, axis: Axis) -> list[tuple[int, int]]:
    """First and last layer of each band, from the base up.

    Layers outside the ramp and the reference band are in none: the plan does not say what was
    commanded there.
    """
    state = plan.commands(axis).state
    changes = [0, *(np.flatnonzero(state[1:] != state[:-1]) + 1).tolist(), len(state)]
    groups: list[tuple[int, int]] = []
    for start, stop in itertools.pairwise(changes):
        if state[start] == State.OUTSIDE.value:
            continue
        on_ramp = state[start] == State.RAMP.value
        per_step = plan.ramp_of(axis).layers_per_step if on_ramp else 1
        groups += _share_out(start, stop, per_step, plan.size.layer_height_mm)
    low, high = BASE_MM, plan.height_mm - TOP_MM
    return [
        (a, b) for a, b in groups if plan.layer_bottom_mm(a) >= low and plan.layer_top_mm(b) <= high
    ]


def _share_out(start: int, stop: int, per_step: int, layer_mm: float) -> list[tuple[int, int]]:
    """Split layers start..stop-1 into bands of about BAND_MM that hold whole steps."""
    steps = [(a, min(a + per_step, stop)) for a in range(start, stop, per_step)]
    if per_step * layer_mm >= 1.5 * BAND_MM:
        parts = []
        for a, b in steps:
            pieces = min(b - a, max(1, round((b - a) * layer_mm / BAND_MM)))
            cuts = np.linspace(a, b, pieces + 1).round().astype(int).tolist()
            parts += list(itertools.pairwise(cuts))
        return [(a, b - 1) for a, b in parts]
    bands = max(1, round((stop - start) * layer_mm / BAND_MM))
    shares = np.array_split(np.arange(len(steps)), min(bands, len(steps)))
    return [(steps[share[0]][0], steps[share[-1]][1] - 1) for share in shares]


def _mean_profile(face: Face, bottom_mm: float, top_mm: float) -> NDArray[np.float64]:
    """Mean over rows, robust to single glints, (n_s,); NaN where too few of them are usable."""
    a, b = np.searchsorted(face.z_mm, [bottom_mm, top_mm])
    light = np.where(face.usable[a:b], face.intensity[a:b], np.nan)
    count = np.isfinite(light).sum(axis=0)
    enough = count >= max(MIN_ROWS, MIN_USABLE * (b - a))
    if not enough.any():
        return np.full(light.shape[1], np.nan)
    middle = _median(light, count)
    spread = 1.4826 * _median(np.abs(light - middle), count)
    calm = np.clip(light, middle - GLINT_SDS * spread, middle + GLINT_SDS * spread)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(enough, np.nansum(calm, axis=0) / count, np.nan)


def _median(values: NDArray[np.floating], count: NDArray[np.int64]) -> NDArray[np.floating]:
    """Median per column of the `count` values that are not NaN."""
    ordered = np.sort(values, axis=0)  # NaN come last
    columns = np.arange(values.shape[1])
    low = ordered[np.maximum((count - 1) // 2, 0), columns]
    high = ordered[np.minimum(count // 2, len(values) - 1), columns]
    middle: NDArray[np.floating] = (low + high) / 2
    return middle
