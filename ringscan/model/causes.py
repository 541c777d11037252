"""What may have gone wrong: each suspect is a different story of the same wall, tried in turn.

A story is believed when it explains the wall clearly better than the plan's does.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ringscan.errors import PlanError
from ringscan.model.chance import chance_threshold
from ringscan.model.problem import Walls, pose_problem
from ringscan.model.search import DAMPING_RATIOS, FREQUENCIES_HZ, search
from ringscan.model.shapers import Impulses

CLEARLY = 1.5
"""Multiple of the plan's ratio of evidence to chance by which another story must beat it: a wrong
one leaves much of the ripple, which raises what chance finds. On rendered pictures of 40 towers no
other way of lying had more than 0.4 times the true one's ratio."""

STANDS_OUT = 3.0
SLOWER_STANDS_OUT = 10.0
"""Ratio of evidence to chance that it must have itself. Where the ramp was not in effect, ways of
lying had up to 2.3, lower speeds up to 6; where a speed was the true one, it had 20 and more."""

SAME_EVERYWHERE_SHARE = 0.25
"""Share of what all heights have in common that a decaying wave must explain to be a ripple:
belt teeth and the corner's bulge alone leave less."""

BEYOND_DOUBT = 50.0
"""Ratio of evidence to chance from which the plan's story needs no comparison: towers that lay
otherwise had 17 at most on rendered pictures, and 6 where they passed for a call."""

SPEED_RATIOS = np.geomspace(0.5, 0.94, 12)
"""Ratios of speed that are tried; machines do not run too fast."""


SLOWER = "it all fits if the face was printed at about"
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


def another_tower(
    walls: Walls, *, upside_down: Walls, other: Walls | None, over_chance: float
) -> str | None:
    """Another tower or way of lying that explains the wall clearly better than the plan's, if any.

    Parameters
    ----------
    walls : as the plan says they were made
    upside_down : the same, were the tower's top where its base should be
    other : as the other axis's ramp would have made them, where that differs
    over_chance : ratio of evidence to chance of the plan's own story
    """
    ways = _laid(walls, upside_down) | ({} if other is None else {OTHER_RAMP: other})
    return _best_story(ways, max(CLEARLY * over_chance, STANDS_OUT))


def another_print(walls: Walls, *, over_chance: float) -> str | None:
    """What the printer did otherwise than the plan says, if that explains the wall clearly better.

    Parameters are those of `another_tower`.
    """
    slower = _best_story(_slower(walls), max(CLEARLY * over_chance, SLOWER_STANDS_OUT))
    # what follows some ramp is in part the same everywhere too
    return no_ramp_story(walls) if slower is None and over_chance < 1 else slower


def _best_story(ways: dict[str, Walls], to_beat: float) -> str | None:
    """The story with the highest ratio of evidence to chance, if it is more than `to_beat`."""
    ratios = {story: _evidence_to_chance(way) for story, way in ways.items()}
    best = max(ratios, key=lambda story: ratios[story])
    return best if ratios[best] > to_beat else None


def _evidence_to_chance(walls: Walls) -> float:
    try:
        problem = pose_problem(walls)
    except PlanError:
        return 0.0  # told so, too little of the wall is left to be explained
    found = search(problem)
    return float(found.gain.max()) / chance_threshold(problem, found)


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


def no_ramp_story(walls: Walls) -> str | None:
    """The ripple is the same at every height."""
    off = Impulses(
        amplitudes=np.ones((walls.commanded_hz.size, 1)),
        times_s=np.zeros((walls.commanded_hz.size, 1)),
    )
    ramp = ~np.isnan(walls.commanded_hz)
    same = replace(walls, impulses=off, along=off).part(ramp)
    try:
        problem = pose_problem(same, shared=False)
    except PlanError:
        return None
    found = search(problem)
    part = pose_problem(same).whitener.shared
    shared = 0.0 if part is None else float(((part * problem.data).sum(axis=0) ** 2).sum())
    where = np.unravel_index(int(found.gain.argmax()), found.gain.shape)
    inside = 0 < where[0] < DAMPING_RATIOS.size - 1
    if not inside or found.gain.max() < SAME_EVERYWHERE_SHARE * shared:
        return None
    return (
        f"the ripple, of some {FREQUENCIES_HZ[where[1]]:.0f} Hz by its spacing, looks the same at "
        "every height: the ramp did not reach the firmware, or its shaper was off"
    )


def _slower(walls: Walls) -> dict[str, Walls]:
    """The walls printed more slowly than planned, by what is told of it."""
    motion = walls.motion
    ways = {}
    for ratio in SPEED_RATIOS:
        speed = max(float(ratio) * motion.speed_mm_s, motion.corner_speed_mm_s + 1)
        story = (
            f"{SLOWER} {speed:.0f} mm/s instead of {motion.speed_mm_s:.0f} mm/s: look for a "
            "minimum layer time, a flow limit or a speed cap"
        )
        ways[story] = replace(walls, motion=replace(motion, speed_mm_s=speed))
    return ways
