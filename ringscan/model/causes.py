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

SPEED_RATIOS = np.geomspace(0.5, 0.94, 12)
"""Ratios of speed that are tried; machines do not run too fast."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SameEverywhere:
    """A ripple that all heights share, and how far it lowers the sum of squares."""

    gain: float
    message: str


def mirrored_story(walls: Walls, to_beat: float) -> str | None:
    """The ripple decays from the other edge: told if that has more evidence than `to_beat`."""
    other = replace(
        walls, intensity=walls.intensity[:, ::-1].copy(), valid=walls.valid[:, ::-1].copy()
    )
    if _best_gain(other) <= to_beat:
        return None
    return (
        "the ripple starts at the other edge of the face: the tower was printed the other way "
        "round than the plan says, lies turned on the sheet, or the picture is mirrored"
    )


def other_ramp_story(other: Walls | None, to_beat: float) -> str | None:
    """The ramp of the other axis explains the wall better."""
    if other is None or _best_gain(other) <= to_beat:
        return None
    return "the other axis's ramp explains this face better: is it the right face of the tower?"


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


def suspects(walls: Walls, other: Walls | None, *, evidence: float, threshold: float) -> list[str]:
    """The first story that explains the wall clearly better than the plan does, if any.

    Parameters
    ----------
    walls : as the plan says they were made; pooled, as for the evidence
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
    trials: tuple[Callable[[], str | None], ...] = (
        lambda: mirrored_story(walls, max(CLEARLY * plans, least)),
        lambda: other_ramp_story(other, max(CLEARLY * plans, least)),
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
