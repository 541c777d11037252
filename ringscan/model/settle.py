"""The last step of the fit: everything that was taken for granted gets a little freedom."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import PoleEstimate, sandwich
from ringscan.model.given import Bent, Doubts, bend
from ringscan.model.newton import Tangent, gauss_newton
from ringscan.model.problem import Problem, Walls
from ringscan.model.speed import SpeedEstimate, fit_speed
from ringscan.model.vibration import trial_pole
from ringscan.model.whole import (
    ALONG,
    FIRST_MODE,
    GIVEN,
    SHADING,
    SHIFT,
    SKEW,
    STRETCH,
    WholeModel,
    modes,
    shade,
)

Array = NDArray[np.float64]

RIGID = 1.5
"""Start for an axis along the face whose ringing does not show: 4.5 times the frequency."""

ALONG_STARTS = np.append(np.linspace(-0.96, 0.84, 16), RIGID)
"""Trials for the axis along the face, 12 % apart: the width of its own peak, 2 zeta."""

LOOSE = [SHIFT, STRETCH, SKEW, *range(SHADING.start, SHADING.stop), FIRST_MODE, FIRST_MODE + 1]
"""What each of these trials may move: shift, stretch, skew, shading, and the pole."""

SURE_EDGE_MM = 0.2
LOOSE_TRIED = 3
"""With an edge that is known to less than this, so many of the best trials are settled roughly and
compared: the axis along the face and the edge pass for each other, a whole wave off in the end."""

SHADOWED_MM = 2.0
"""How far the shadows of the entry corner reach where light enters the filament."""

ALONG_BANDS = 10
ROUGH_BANDS = 24
"""Bands to choose a start of the axis along the face by, and to settle first by; the whole wall
then needs a round or two."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mode:
    """One of the axis's modes.

    estimate : its pole
    strength : c0, complex, relative brightness per (mm per second)
    """

    estimate: PoleEstimate
    strength: complex


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settled:
    """What the whole model came to.

    at : its parameters
    modes : one or two
    problem : redrawn with what the fit bent; all but the first mode's ripple taken out of it
    bent : what the fit bent
    misfit : sum of squares that is left
    edge_excess : mean square that is left nearer to the entry edge than `SHADOWED_MM`, over that of
        all the wall
    speed : of the nozzle, by the wall
    """

    at: Array
    modes: tuple[Mode, ...]
    problem: Problem
    bent: Bent
    misfit: float
    edge_excess: float
    speed: SpeedEstimate


def settle(
    problem: Problem,
    walls: Walls,
    start: Array,
    doubts: Doubts,
    at: Array | None = None,
) -> Settled:
    """Gauss-Newton over the poles, c0 and what was taken as given, each within its doubt.

    What was taken as given enters with its own standard uncertainty as an observation, so that
    the covariance holds it too (JCGM 100, 5.1.2, by way of one joint least squares). The same
    holds for the shading: brightness is proportional to small slopes only, so a second and a
    third power of the ripple are fitted along.

    Parameters
    ----------
    problem, walls : posed and refined, and what it was posed from
    start : natural frequency and damping ratio, (2,)
    doubts : how well what the walls were given is known
    at : all parameters to go on from; where they are not given they are looked for
    """
    model = WholeModel(problem=problem, walls=walls, doubts=doubts, alike_hz=float(start[0]))
    if at is None:
        count = 1 if doubts.shift_mm < SURE_EDGE_MM else LOOSE_TRIED
        rough = _every(model, ROUGH_BANDS)
        trials = _along_starts(_every(model, ALONG_BANDS), start, count)
        tried = [_descend(rough, trial) for trial in trials]
        at = min(tried, key=lambda view: _cost(model, view)).at
    return _finish(model, _descend(model, at))


def _descend(model: WholeModel, at: Array) -> Tangent:
    first = model(at)
    known = model.precision(at.size)
    # correlated noise makes the data worth less than their count, against the doubts
    _, _, over = sandwich(first.jacobian, first.left, known, lead=FIRST_MODE)
    lowest, highest = model.bounds(at.size)
    return gauss_newton(
        model,
        first,
        longest=model.longest(at),
        lowest=lowest,
        highest=highest,
        precision=over * known,
        noise=over,
    )


def _cost(model: WholeModel, view: Tangent) -> float:
    return float((view.left**2).sum() + model.precision(view.at.size) @ view.at**2)


def _finish(model: WholeModel, view: Tangent) -> Settled:
    at, problem = view.at, model.problem
    known = model.precision(at.size)
    found = []
    for i in modes(at):
        covariance, freedom, over = sandwich(view.jacobian, view.left, known, lead=i)
        estimate = PoleEstimate(
            frequency_hz=float(at[i]),
            damping_ratio=float(at[i + 1]),
            covariance=covariance[i : i + 2, i : i + 2],
            freedom=freedom,
        )
        found.append(Mode(estimate=estimate, strength=model.strength(at, i)))
    drawing = model.drawing(at)
    ripple = model.ripple(at, drawing).real
    first = np.real(found[0].strength * drawing.slope(found[0].estimate.pole))
    other = np.where(problem.valid, shade(ripple, at[SHADING])[0] - first, 0.0)
    return Settled(
        at=at,
        modes=tuple(found),
        problem=replace(
            problem,
            drawing=drawing,
            flat=problem.flat - other,
            data=problem.data - problem.whitener(other),
        ),
        bent=bend(at[GIVEN], model.alike_hz),
        misfit=float((view.left**2).sum()),
        edge_excess=_edge_excess(problem, view.left),
        speed=fit_speed(view, model.speed_change(at), known, over),
    )


def _edge_excess(problem: Problem, left: Array) -> float:
    """See `Settled`; 1 where nothing there is in use."""
    near, used = problem.s_mm < SHADOWED_MM, problem.whitener.use
    if not used[:, near].any():
        return 1.0
    there, everywhere = (
        (left[:, part] ** 2).sum() / used[:, part].sum() for part in (near, slice(None))
    )
    return float(there / everywhere)


def _every(model: WholeModel, bands: int) -> WholeModel:
    step = max(1, model.problem.data.shape[0] // bands)
    return replace(
        model, problem=model.problem.every(step), walls=model.walls.part(slice(None, None, step))
    )


def _along_starts(model: WholeModel, start: Array, count: int) -> list[Array]:
    """Parameters to start from: the axes along the face that explain most, none next to another.

    An edge or a pole that is a little off hides what that axis does, so each trial may move them,
    by their derivatives at a rigid one.
    """
    problem, lam = model.problem, trial_pole(*start)
    at = np.concatenate([np.zeros(FIRST_MODE), start, [0.0, 0.0]])
    at[ALONG] = RIGID
    strength = slice(FIRST_MODE + 2, FIRST_MODE + 4)
    at[strength] = problem.strength(problem.filtered(model.drawing(at).slope(lam)))
    loose = model(at).jacobian[LOOSE]
    prior = np.append(np.zeros(2), model.precision(at.size)[LOOSE])
    trials = []
    for ratio in ALONG_STARTS:
        at = at.copy()
        at[ALONG] = ratio
        columns = np.concatenate([problem.filtered(model.drawing(at).slope(lam)), loose])
        flat = columns.reshape(columns.shape[0], -1)
        right = flat @ problem.data.ravel()
        found = np.linalg.lstsq(flat @ flat.T + np.diag(prior), right, rcond=None)[0]
        cost = (ratio / model.doubts.sd[ALONG]) ** 2 - float(found @ right)
        at[strength] = found[:2]
        trials.append((cost, at))
    chosen: list[int] = []
    for i in np.argsort([cost for cost, _ in trials]).tolist():
        if all(abs(i - other) > 1 for other in chosen):
            chosen.append(i)
    return [trials[i][1] for i in chosen[:count]]
