"""What may have gone wrong: each suspect is a different story of the same wall, tried in turn.

A story is believed when it explains the wall clearly better than the plan's does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeVar

import numpy as np

from ringscan.errors import PlanError
from ringscan.model.chance import chance_threshold
from ringscan.model.problem import Walls, pose_problem
from ringscan.model.search import DAMPING_RATIOS, FREQUENCIES_HZ, search
from ringscan.model.shapers import Impulses

Way = TypeVar("Way")

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


class Suspect(StrEnum):
    """What may have gone wrong."""

    OTHER_RAMP = "the other axis's ramp"
    MIRRORED = "the other edge"
    UPSIDE_DOWN = "from the top down"
    TURNED = "both"
    SLOWER = "a lower speed"
    NO_RAMP = "no ramp"


SAID = {
    Suspect.OTHER_RAMP: "the other axis's ramp explains this face better: is it the right face of "
    "the tower?",
    Suspect.MIRRORED: "the ripple seems to start at the other edge of the face: was the tower "
    "printed in the opposite direction to the plan's, is it turned on the sheet, or is the picture "
    "mirrored?",
    Suspect.UPSIDE_DOWN: "the ramp seems to run from the top of the face down: does the tower lie "
    "with its base away from the sheet's bottom edge, and was it printed in the opposite direction "
    "to the plan's, or is the picture mirrored?",
    Suspect.TURNED: "the ripple seems to start at the other edge of the face, and the ramp to run "
    "from the top down: is the tower turned by 180° on the sheet?",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """A cause that explains the wall.

    suspect : which
    said : what is told of it, one line
    """

    suspect: Suspect
    said: str


def another_tower(
    walls: Walls, *, upside_down: Walls, other: Walls | None, over_chance: float
) -> Story | None:
    """Another tower or way of lying that explains the wall clearly better than the plan's, if any.

    Parameters
    ----------
    walls : as the plan says they were made
    upside_down : the same, were the tower's top where its base should be
    other : as the other axis's ramp would have made them, where that differs
    over_chance : ratio of evidence to chance of the plan's own story
    """
    ways = _laid(walls, upside_down) | ({} if other is None else {Suspect.OTHER_RAMP: other})
    best = _best(ways, max(CLEARLY * over_chance, STANDS_OUT))
    return None if best is None else Story(suspect=best, said=SAID[best])


def another_print(walls: Walls, *, over_chance: float) -> Story | None:
    """What the printer did otherwise than the plan says, if that explains the wall clearly better.

    Parameters are those of `another_tower`.
    """
    best = _best(_slower(walls), max(CLEARLY * over_chance, SLOWER_STANDS_OUT))
    if best is not None:
        said = (
            f"everything fits if the face was printed at about {best:.0f} mm/s instead of "
            f"{walls.motion.speed_mm_s:.0f} mm/s: look for a minimum layer time, a flow limit or a "
            "speed cap, or for a plan whose shaper is not the firmware's"
        )
        return Story(suspect=Suspect.SLOWER, said=said)
    # what follows some ramp is in part the same everywhere too
    return _no_ramp(walls) if over_chance < 1 else None


def _best(ways: Mapping[Way, Walls], to_beat: float) -> Way | None:
    """The way with the highest ratio of evidence to chance, if that is more than `to_beat`."""
    ratios = {way: _evidence_to_chance(walls) for way, walls in ways.items()}
    best = max(ratios, key=lambda way: ratios[way])
    return best if ratios[best] > to_beat else None


def _evidence_to_chance(walls: Walls) -> float:
    try:
        problem = pose_problem(walls)
    except PlanError:
        return 0.0  # told so, too little of the wall is left to be explained
    found = search(problem)
    return float(found.gain.max()) / chance_threshold(problem, found)


def _laid(walls: Walls, upside_down: Walls) -> dict[Suspect, Walls]:
    """The walls of a tower that lies otherwise than it should."""
    return {
        Suspect.MIRRORED: _mirrored(walls),
        Suspect.UPSIDE_DOWN: upside_down,
        Suspect.TURNED: _mirrored(upside_down),
    }


def _mirrored(walls: Walls) -> Walls:
    return replace(
        walls, intensity=walls.intensity[:, ::-1].copy(), valid=walls.valid[:, ::-1].copy()
    )


def _no_ramp(walls: Walls) -> Story | None:
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
    said = (
        f"the ripple (about {FREQUENCIES_HZ[where[1]]:.0f} Hz by its spacing) looks the same at "
        "every height: the ramp did not reach the firmware, or the shaper was off"
    )
    return Story(suspect=Suspect.NO_RAMP, said=said)


def _slower(walls: Walls) -> dict[float, Walls]:
    """The walls printed more slowly than planned, by speed, mm/s."""
    motion = walls.motion
    slowest = motion.corner_speed_mm_s + 1
    speeds = [max(float(ratio) * motion.speed_mm_s, slowest) for ratio in SPEED_RATIOS]
    return {speed: replace(walls, motion=replace(motion, speed_mm_s=speed)) for speed in speeds}
