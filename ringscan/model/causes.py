"""What may have gone wrong: each suspect is a different story of the same wall, tried in turn.

A story is believed when it explains the wall clearly better than the plan's does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.chance import chance_threshold
from ringscan.model.problem import Problem, Walls, pose_problem
from ringscan.model.ripple import draw
from ringscan.model.search import DAMPING_RATIOS, FREQUENCIES_HZ, search
from ringscan.model.shapers import Impulses

Array = NDArray[np.float64]

CLEARLY = 1.5
CLEARLY_SLOWER = 1.2
"""Factors in evidence by which another story must beat the plan's. A slower print's ripples are
explained by the plan's speed in part, with another frequency; on walls printed as planned no other
speed explained more than 1.08 times as much."""

MARGIN_MM = 1.6
"""Stretch behind the last impulse that no story uses: a wrong one takes the corner's own rounding
by the true shaper for ripple there."""

SAME_EVERYWHERE_SHARE = 0.25
"""Share of what all heights have in common that a decaying wave must explain to be a ripple:
belt teeth and the corner's bulge alone leave less."""

NEARLY = 0.8
"""Share of the plan's own evidence from which another way of lying is a doubt. Towers that lay as
they should had at most 0.7 on 39 rendered pictures, those that lay otherwise and were called all
the same had 0.85 and more on 13 of 15."""

SPEED_RATIOS = np.geomspace(0.5, 0.94, 12)
"""Ratios of speed that are tried; machines do not run too fast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SameEverywhere:
    """A ripple that all heights share, and how far it lowers the sum of squares."""

    gain: float
    message: str


OTHER_RAMP = "the other axis's ramp explains this face better: is it the right face of the tower?"
MIRRORED = (
    "the ripple may start at the other edge of the face: was the tower printed the other way round "
    "than the plan says, does it lie turned on the sheet, or is the picture mirrored?"
)
UPSIDE_DOWN = (
    "the ramp may run from the face's top down: does the tower lie with its base away, printed the "
    "other way round than the plan says, or is the picture mirrored?"
)
TURNED = (
    "the ripple may start at the other edge of the face and the ramp run from its top down: does "
    "the tower lie turned by 180°?"
)


def laid_doubt(walls: Walls, upside_down: Walls, threshold: float) -> str | None:
    """Another way of lying that explains a wall nearly as well as the plan's own, if any.

    Parameters
    ----------
    walls : as the plan says they were made
    upside_down : the same, were the tower's top where its base should be
    threshold : gain that a blank wall reaches
    """
    # every second band says it as well
    part, other = walls.every(2), upside_down.every(2)
    return _best_story(_laid(part, other), max(NEARLY * _best_gain(part), threshold / 2))


def _laid(walls: Walls, upside_down: Walls) -> dict[str, Walls]:
    """The walls of a tower that lies otherwise than it should, by what is told of it."""
    return {
        MIRRORED: _mirrored(walls),
        UPSIDE_DOWN: upside_down,
        TURNED: _mirrored(upside_down),
    }


def _mirrored(walls: Walls) -> Walls:
    return replace(
        walls, intensity=walls.intensity[:, ::-1].copy(), valid=walls.valid[:, ::-1].copy()
    )


def _best_story(ways: dict[str, Walls], to_beat: float) -> str | None:
    gains = {story: _best_gain(way) for story, way in ways.items()}
    best = max(gains, key=lambda story: gains[story])
    return best if gains[best] > to_beat else None


def no_ramp_story(walls: Walls) -> SameEverywhere | None:
    """The ripple is the same at every height."""
    off = Impulses(
        amplitudes=np.ones((walls.commanded_hz.size, 1)),
        times_s=np.zeros((walls.commanded_hz.size, 1)),
    )
    ramp = ~np.isnan(walls.commanded_hz)
    same = _part(replace(walls, impulses=off, along=off), ramp)
    problem = pose_problem(same, shared=False)
    found = search(problem)
    part = pose_problem(same).whitener.shared
    shared = 0.0 if part is None else float(((part * problem.data).sum(axis=0) ** 2).sum())
    where = np.unravel_index(int(found.gain.argmax()), found.gain.shape)
    inside = 0 < where[0] < DAMPING_RATIOS.size - 1
    if not inside or found.gain.max() < SAME_EVERYWHERE_SHARE * shared:
        return None
    return SameEverywhere(
        gain=float(found.gain.max()),
        message=f"the ripple, of some {FREQUENCIES_HZ[where[1]]:.0f} Hz by its spacing, looks the "
        "same at every height: the ramp did not reach the firmware, or its shaper was off",
    )


def speed_story(walls: Walls, to_beat: float) -> str | None:
    """The face was printed more slowly than planned."""
    motion = walls.motion

    def slower(ratio: float) -> Walls:
        speed = max(ratio * motion.speed_mm_s, motion.corner_speed_mm_s + 1)
        return replace(walls, motion=replace(motion, speed_mm_s=speed))

    gains = [_best_gain(slower(float(ratio))) for ratio in SPEED_RATIOS]
    best = int(np.argmax(gains))
    if gains[best] <= to_beat:
        return None
    return (
        f"it all fits if the face was printed at about {SPEED_RATIOS[best] * motion.speed_mm_s:.0f}"
        f" mm/s instead of {motion.speed_mm_s:.0f} mm/s: look for a minimum layer time, a flow "
        "limit or a speed cap"
    )


def suspects(
    walls: Walls,
    *,
    upside_down: Walls,
    other: Walls | None,
    evidence: float,
    threshold: float,
) -> list[str]:
    """The first story that explains the wall clearly better than the plan does, if any.

    Parameters
    ----------
    walls : as the plan says they were made; pooled, as for the evidence
    upside_down : the same, were the tower's top where its base should be
    other : as the other axis's ramp would have made them, where that differs
    evidence : gain of the plan's own story
    threshold : gain that a blank wall reaches
    """
    # what follows some ramp is in part the same everywhere too, and what follows none is explained
    # by many a story in part: these must explain more
    same = no_ramp_story(walls) if evidence < threshold else None
    problem = _behind_the_corner(walls)
    own = search(problem)
    plans = max(float(own.gain.max()), chance_threshold(problem, own))
    least = 0.0 if same is None else same.gain
    ways = _laid(walls, upside_down) | ({} if other is None else {OTHER_RAMP: other})
    trials: tuple[Callable[[], str | None], ...] = (
        lambda: _best_story(ways, max(CLEARLY * plans, least)),
        lambda: speed_story(walls, max(CLEARLY_SLOWER * plans, least)),
        lambda: None if same is None else same.message,
    )
    return [story for trial in trials if (story := trial()) is not None][:1]


def _best_gain(walls: Walls) -> float:
    return float(search(_behind_the_corner(walls)).gain.max())


def _behind_the_corner(walls: Walls) -> Problem:
    """The walls' problem without what lies just behind the last impulse."""
    free = draw(walls.s_mm, walls.motion, walls.impulses, walls.along).free
    late = round(MARGIN_MM / (walls.s_mm[1] - walls.s_mm[0]))
    free[:, late:] &= free[:, :-late].copy()
    free[:, :late] = False
    return pose_problem(replace(walls, valid=walls.valid & free))


def _part(walls: Walls, keep: NDArray[np.bool_]) -> Walls:
    def cut(impulses: Impulses) -> Impulses:
        return Impulses(amplitudes=impulses.amplitudes[keep], times_s=impulses.times_s[keep])

    return replace(
        walls,
        intensity=walls.intensity[keep],
        valid=walls.valid[keep],
        impulses=cut(walls.impulses),
        along=cut(walls.along),
        commanded_hz=walls.commanded_hz[keep],
        group=walls.group[keep],
        up=walls.up[keep],
    )
