"""The joint fit: one natural frequency and damping ratio that explain every band at once.

Per band the wall's slope is ``Re{c0 R_b lam exp(lam t) / (ds/dt)}`` with one complex ``c0`` for
the whole photo. That is linear in c0 and nonlinear in the pole ``lam`` only: separable least
squares (Golub & Pereyra, SIAM J. Numer. Anal. 10:413-432, 1973).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.estimate import PoleEstimate, descend
from ringscan.model.given import Bent, Doubts
from ringscan.model.newton import Tangent
from ringscan.model.problem import Problem, Walls, pose_problem, refine
from ringscan.model.ripple import Wave
from ringscan.model.search import Search, search
from ringscan.model.second import second_candidate, stands_out
from ringscan.model.settle import SHADOWED_MM, Mode, settle
from ringscan.model.speed import SpeedEstimate
from ringscan.model.vibration import pole_turn, trial_pole

Array = NDArray[np.float64]

STARTS = 3
COULD_WIN = 0.5
"""Local maxima of the coarse search that are polished: the true one, f_n / 3 and a spare, each if
its share of the highest one's gain leaves it a chance; see `GRAM_EVERY` in `search.py` for how
good these gains are."""

POLISH_BANDS = 24
"""Bands that are enough to choose among the starts, and to see what is too steep."""

SKEWED_MM = 0.1
"""A face that leans by more is fitted anew once it is straight: what all heights have in common was
not found while it leant."""

EDGE_EXCESS = 1.4
"""`Settled.edge_excess` beyond which the entry edge's surroundings show more than ripple: the face
is then fitted anew without them. Light that enters the filament draws the corner's shadows out over
them. Of 23 rendered opaque towers two had more, 1.9, and lost nothing by it."""

SAME_PEAK = 2.0
"""Distance in frequency, in damping ratios, within which two maxima are one: a peak's width."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """Another frequency that explains the wall in part.

    frequency_hz : it
    share : of the best one's gain
    """

    frequency_hz: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointFit:
    """The joint fit and what the later steps need of it.

    estimate : natural frequency and damping ratio
    strength : c0, complex, relative brightness per (mm per second)
    rivals : what the search's other maxima came to
    problem : data and filter with the final noise estimate
    second : the axis's second mode, where one stands out
    speed : of the nozzle, by the wall
    doubts, bent : how well what it was given was known, and how far the fit bent it
    shadowed : whether the surroundings of the entry edge had to be left out
    posed, found : the problem before anything was fitted, and its coarse search
    """

    estimate: PoleEstimate
    strength: complex
    rivals: tuple[Rival, ...]
    problem: Problem
    second: Mode | None
    speed: SpeedEstimate
    doubts: Doubts
    bent: Bent
    shadowed: bool
    posed: Problem
    found: Search


def fit_jointly(walls: Walls, doubts: Doubts, *, shared: bool = True) -> JointFit:
    """Fit natural frequency, damping ratio and c0 to all bands of a face.

    Parameters
    ----------
    walls : the bands
    doubts : how well the face's scale, edge and heights are known; the fit may bend them so far
    shared : whether the profile common to all heights is taken out first
    """
    walls = walls.pooled()
    fit = _fit(walls, doubts, shared=shared)
    skew_mm = fit.bent.skew_mm
    if abs(skew_mm) < SKEWED_MM:
        return fit
    again = _fit(walls.straightened(skew_mm), doubts, shared=shared)
    return replace(again, bent=replace(again.bent, skew_mm=again.bent.skew_mm + skew_mm))


def _fit(walls: Walls, doubts: Doubts, *, shared: bool) -> JointFit:
    posed = pose_problem(walls, shared=shared)
    found = search(posed)
    rough = posed.every(max(1, posed.data.shape[0] // POLISH_BANDS))
    starts = found.best(STARTS, share=COULD_WIN)
    tried = sorted((_polish(rough, *start) for start in starts), key=_misfit)
    best, *rest = tried
    explained = _explained(rough, best)
    lam = trial_pole(*best.at)
    problem = refine(posed, walls, lam, complex(*posed.strength(posed.columns(lam))))
    rivals = tuple(
        Rival(frequency_hz=float(other.at[0]), share=_explained(rough, other) / explained)
        for other in rest
        if explained > 0
        and abs(other.at[0] / best.at[0] - 1) > SAME_PEAK * max(best.at[1], other.at[1])
    )
    settled = settle(problem, walls, best.at, doubts)
    shadowed = settled.edge_excess > EDGE_EXCESS
    if shadowed:
        first = settled.modes[0]
        clear = replace(problem, valid=problem.valid & (problem.s_mm >= SHADOWED_MM))
        problem = refine(clear, walls, first.estimate.pole, first.strength)
        settled = settle(problem, walls, best.at, doubts, settled.at)
    candidate = second_candidate(settled, found)
    if candidate is not None:
        both = settle(
            problem, walls, best.at, doubts, np.concatenate([settled.at, candidate, [0.0, 0.0]])
        )
        settled = both if stands_out(both, settled) else settled
    first, *second = settled.modes
    return JointFit(
        estimate=first.estimate,
        strength=first.strength,
        rivals=rivals,
        problem=settled.problem,
        second=second[0] if second else None,
        speed=settled.speed,
        doubts=doubts,
        bent=settled.bent,
        shadowed=shadowed,
        posed=posed,
        found=found,
    )


def _polish(problem: Problem, f: float, zeta: float) -> Tangent:
    """Minimise over the pole, with the best strength at each: variable projection."""

    def look(at: Array) -> Tangent:
        lam = trial_pole(*at)
        drawing = problem.drawing
        wave, left = Wave.of(lam, drawing), drawing.left(lam)[:, None]
        M = problem.filtered(left * wave.slope)
        c = complex(*problem.strength(M))
        turn = c * wave.slope * (drawing.left_turn(lam)[:, None] + left * wave.turn())
        J = np.stack([problem.whitener((turn * over).real) for over in pole_turn(*at)])
        # what the strength can mimic is no information on the pole (Kaufman's approximation)
        flat, free = J.reshape(2, -1), M.reshape(2, -1)
        mimic = np.linalg.lstsq(free @ free.T, free @ flat.T, rcond=None)[0]
        return Tangent(
            at=at,
            jacobian=(flat - mimic.T @ free).reshape(J.shape),
            left=problem.data - np.tensordot([c.real, c.imag], M, 1),
        )

    return descend(look, np.array([f, zeta]))


def _misfit(view: Tangent) -> float:
    return float((view.left**2).sum())


def _explained(problem: Problem, view: Tangent) -> float:
    return float((problem.data**2).sum()) - _misfit(view)
