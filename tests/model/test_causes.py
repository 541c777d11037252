"""Each suspect is named when it is the truth, and none on walls that are as planned or blank."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from walls import Wall, simulate_walls

from ringscan.model.causes import another_print, another_tower
from ringscan.model.chance import chance_threshold
from ringscan.model.problem import Walls, pose_problem
from ringscan.model.search import search

NAN = float("nan")
TOLD = (NAN, NAN, NAN, *np.linspace(15, 60, 27).tolist())
FALLING = (*TOLD[:3], *TOLD[:2:-1])
ELSEWHERE = (*TOLD[:3], *np.linspace(28, 75, 27).tolist())
UNSHAPED = (*TOLD[:3], *[5000.0] * 27)  # 0.1 ms: as good as none
ONE_SETTING = (*TOLD[:3], *[60.0] * 27)

SOFT = Wall(frequency_hz=27, family="ZV", gain=1.5, commanded_hz=TOLD, pixel_mm=0.2)
MIDDLE = replace(SOFT, frequency_hz=33, damping_ratio=0.05, family="ZVD", gain=-2.5)
STIFF = replace(SOFT, frequency_hz=45, damping_ratio=0.05, family="EI", gain=2.0)
WALLS = pytest.mark.parametrize("wall", [SOFT, MIDDLE, STIFF], ids=["soft", "middle", "stiff"])


def named(walls: Walls, other: Walls | None = None) -> str:
    """What the scan would ask, whatever its verdict; empty for nothing."""
    problem = pose_problem(walls)
    found = search(problem)
    ratio = float(found.gain.max()) / chance_threshold(problem, found)
    tower = another_tower(walls, upside_down=turned_over(walls), other=other, over_chance=ratio)
    story = tower or another_print(walls, over_chance=ratio)
    return "" if story is None else story.said


def turned_over(walls: Walls) -> Walls:
    """What the plan says of the walls, were the tower's top where its base should be."""
    order = slice(None, None, -1)
    return replace(
        walls,
        impulses=walls.impulses.part(slice(None, None, -1)),
        along=walls.along.part(slice(None, None, -1)),
        commanded_hz=walls.commanded_hz[order],
        group=walls.group[-1] - walls.group[order],
    )


def told(walls: Walls, wall: Wall, commanded_hz: tuple[float, ...]) -> Walls:
    """A printed wall with what the plan says of another one in the same places."""
    plan = simulate_walls(replace(wall, commanded_hz=commanded_hz), 0)
    return replace(
        walls,
        impulses=plan.impulses,
        along=plan.along,
        commanded_hz=plan.commanded_hz,
        group=plan.group,
        motion=plan.motion,
    )


def figure(message: str, unit: str) -> float:
    match = re.search(rf"(\d+) {unit}", message)
    assert match
    return float(match[1])


@WALLS
def test_mirrored(wall: Wall) -> None:
    walls = simulate_walls(wall, 1)
    walls = replace(walls, intensity=walls.intensity[:, ::-1], valid=walls.valid[:, ::-1])
    message = named(walls, told(walls, wall, FALLING))
    assert "other edge" in message


@WALLS
@pytest.mark.parametrize(
    ("mirrored", "reversed_", "says"),
    [
        (True, False, "other edge"),
        (False, True, "from the top of the face down"),
        (True, True, "turned by 180°"),
    ],
)
def test_laid_down_otherwise(wall: Wall, mirrored: bool, reversed_: bool, says: str) -> None:
    walls = simulate_walls(wall, 7)
    assert named(walls) == ""
    across, up = (slice(None, None, -1 if so else None) for so in (mirrored, reversed_))
    walls = replace(walls, intensity=walls.intensity[up, across], valid=walls.valid[up, across])
    message = named(walls)
    assert says in message


def test_a_mirrored_wall_of_which_an_end_is_not_usable() -> None:
    """What is left out of it is left out of its other stories too, at the same place."""
    walls = simulate_walls(MIDDLE, 7)
    intensity, valid = walls.intensity[:, ::-1].copy(), walls.valid[:, ::-1].copy()
    valid[:, -valid.shape[1] // 5 :] = False
    intensity[~valid] = np.nan
    assert "other edge" in named(replace(walls, intensity=intensity, valid=valid))


def test_what_a_wrong_story_explains_is_no_doubt_while_it_leaves_much() -> None:
    # of the bulge behind the corner, the story that reads it from the other edge explains twice
    # as much as the plan's explains of the ripple
    coarse = (*TOLD[:3], *np.linspace(15, 61, 25).tolist())
    wall = replace(STIFF, frequency_hz=47, damping_ratio=0.11, family="ZVDD", commanded_hz=coarse)
    assert named(simulate_walls(wall, 12)) == ""


@pytest.mark.parametrize(
    ("evidence", "over_chance", "says"),
    [
        # mirrored, upside down, turned, by the other ramp; all over what chance reaches
        ((15.1, 1.0, 2.0, 3.0), 10.0, "other edge of the face: was"),
        ((1.0, 15.1, 2.0, 3.0), 10.0, "from the top of the face down"),
        ((1.0, 2.0, 15.1, 3.0), 10.0, "turned by 180°"),
        ((1.0, 2.0, 3.0, 15.1), 10.0, "other axis's ramp"),
        ((16.0, 15.1, 17.0, 15.5), 10.0, "turned by 180°"),
        ((14.9, 14.8, 14.7, 14.6), 10.0, None),
        # however little the plan's own story says
        ((3.1, 0.5, 0.5, 0.5), 0.5, "other edge of the face: was"),
        ((2.9, 2.8, 2.7, 2.6), 0.5, None),
    ],
)
def test_another_tower_has_half_as_much_again_as_the_plan_s_and_stands_out(
    monkeypatch: pytest.MonkeyPatch,
    evidence: tuple[float, ...],
    over_chance: float,
    says: str | None,
) -> None:
    """docs/method.md: 1.5 times the plan's ratio. The evidence is written into the walls' entry
    edge here, and, for their mirror images, into the far one."""
    mirrored, upside_down, turned, other = evidence
    seen = simulate_walls(SOFT, 1)

    def of(entry: float, far: float) -> Walls:
        light = np.zeros((3, 5))
        light[:, 0], light[:, -1] = entry, far
        return replace(seen, intensity=light, valid=light >= 0)

    monkeypatch.setattr("ringscan.model.causes.pose_problem", lambda walls: walls)
    monkeypatch.setattr(
        "ringscan.model.causes.search", lambda walls: SimpleNamespace(gain=walls.intensity[:, 0])
    )
    monkeypatch.setattr("ringscan.model.causes.chance_threshold", lambda *_: 1.0)
    story = another_tower(
        of(0.0, mirrored),
        upside_down=of(upside_down, turned),
        other=of(other, 0.0),
        over_chance=over_chance,
    )
    assert (story is None) == (says is None)
    assert story is None or says in story.said


@pytest.mark.parametrize(
    ("wall", "printed"),
    [(SOFT, FALLING), (MIDDLE, FALLING), (MIDDLE, ELSEWHERE), (STIFF, ELSEWHERE)],
)
def test_ramp_of_the_other_axis(wall: Wall, printed: tuple[float, ...]) -> None:
    walls = simulate_walls(replace(wall, commanded_hz=printed), 2)
    message = named(told(walls, wall, TOLD), walls)
    assert "other axis's ramp" in message


@pytest.mark.parametrize(
    ("wall", "printed"),
    [(SOFT, UNSHAPED), (MIDDLE, UNSHAPED), (STIFF, UNSHAPED), (MIDDLE, ONE_SETTING)],
)
def test_ramp_not_in_effect(wall: Wall, printed: tuple[float, ...]) -> None:
    walls = told(simulate_walls(replace(wall, commanded_hz=printed), 3), wall, TOLD)
    message = named(walls, told(walls, wall, FALLING))
    assert "same at every height" in message
    # the grid is 1 % fine, but what all heights share holds bulge and belt teeth as well
    assert figure(message, "Hz") == pytest.approx(wall.frequency_hz, rel=0.05)


@pytest.mark.parametrize(
    ("wall", "share"),
    [(SOFT, 0.6), (MIDDLE, 0.7), (MIDDLE, 0.8), (STIFF, 0.6), (STIFF, 0.8)],
)
def test_slower_than_commanded(wall: Wall, share: float) -> None:
    slow = share * wall.speed_mm_s
    walls = told(simulate_walls(replace(wall, speed_mm_s=slow), 4), wall, TOLD)
    message = named(walls, told(walls, wall, FALLING))
    assert "was printed at about" in message
    # speeds are tried 6 % apart, and slower ones do nearly as well where waves are few: three steps
    assert figure(message, "mm/s") == pytest.approx(slow, rel=0.18)


@WALLS
def test_walls_as_planned_raise_no_suspicion(wall: Wall) -> None:
    walls = simulate_walls(wall, 5)
    assert named(walls, told(walls, wall, FALLING)) == ""


@pytest.mark.parametrize(("belt_um", "texture_um"), [(0.0, 1.5), (4.0, 3.0)])
def test_blank_walls_raise_no_suspicion(belt_um: float, texture_um: float) -> None:
    rigid = replace(MIDDLE, frequency_hz=0, belt_um=belt_um, texture_um=texture_um)
    walls = simulate_walls(rigid, 6)
    assert named(walls, told(walls, rigid, FALLING)) == ""
