"""How often the 95 % intervals hold the truth, and how often a blank wall gets a call.

    python -m tests.bench.coverage --walls 200 --blank 200
    python -m tests.bench.coverage --walls 100 --blank 0 --jerk 0.02

Walls are simulated in time (see tests/walls.py), with bead texture, bulges, belt teeth, shading
and sensor noise, and with lengths, edge and heights that are a little wrong. Every wall drawn is
counted. The last three options print walls by machines that the model does not know: limited jerk,
rounded shapers, axes that share their motors. Takes about a second a wall.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass

import numpy as np
from scipy.stats import binomtest

from ringscan.model.answers import fit_null, fit_spacing
from ringscan.model.budget import Beyond, Interval, intervals
from ringscan.model.fit import fit_jointly
from ringscan.model.verdict import Outcome, judge
from ringscan.plan import Quantity
from tests.walls import Wall, doubts_of, random_wall, simulate_walls

FIRST_SEED = 50_000
"""Seeds from here on are used by no test."""

WALL = Beyond(frequency=0.0015, damping_ratio=0.0055)
"""Of a wall whose slopes are known: a corner that is not printed as its motion says. Set on
simulated walls that were used while developing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One wall, its answer and the verdict."""

    wall: Wall
    frequency_hz: Interval
    damping_ratio: Interval
    outcome: Outcome


def read(wall: Wall, seed: int) -> Reading:
    """Simulate one wall and read it as the tool does."""
    walls = simulate_walls(wall, seed)
    fit = fit_jointly(walls, doubts_of(wall))
    frequency, damping = intervals(fit.estimate, WALL)
    spacing = fit_spacing(fit)
    null = fit_null(fit, spacing, Quantity.FREQUENCY)
    verdict = judge(fit=fit, frequency=frequency, spacing=spacing, null=null)
    return Reading(
        wall=wall, frequency_hz=frequency, damping_ratio=damping, outcome=verdict.outcome
    )


def rate(hits: int, of: int) -> str:
    """A share with its 95 % Clopper-Pearson interval."""
    if of == 0:
        return "none"
    between = binomtest(hits, of).proportion_ci()
    return (
        f"{hits} of {of} = {100 * hits / of:.1f} % ({100 * between.low:.1f} to "
        f"{100 * between.high:.1f})"
    )


def report(readings: list[Reading]) -> None:
    """Print coverage, errors and widths."""
    for name, unit in (("frequency_hz", "Hz"), ("damping_ratio", "")):
        got: list[Interval] = [getattr(r, name) for r in readings]
        truth = np.array([getattr(r.wall, name) for r in readings])
        error = np.array([i.value for i in got]) - truth
        held = sum(i.low <= t <= i.high for i, t in zip(got, truth, strict=True))
        print(f"  {name}: held {rate(held, len(got))}")
        quantiles = np.quantile(np.abs(error), [0.5, 0.9, 0.95, 1])
        print(
            f"    |error| median {quantiles[0]:.4f}, 90 % {quantiles[1]:.4f}, 95 % "
            f"{quantiles[2]:.4f}, worst {quantiles[3]:.4f} {unit}; mean error "
            f"{error.mean():+.4f}; half interval median "
            f"{np.median([i.half_width for i in got]):.4f} {unit}"
        )


def main() -> None:
    """Simulate, read, count."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--walls", type=int, default=200, help="walls with ripple")
    parser.add_argument("--blank", type=int, default=200, help="walls without")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--list", action="store_true", help="print every wall")
    parser.add_argument("--jerk", type=float, default=0, help="rise of the acceleration, s")
    parser.add_argument(
        "--tick", type=float, default=0, help="the shaper's times are rounded to, s"
    )
    parser.add_argument("--turn", type=float, default=0, help="of the modes from the axes, degrees")
    asked = parser.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + max(asked.walls, asked.blank))

    machine = {"jerk_s": asked.jerk, "tick_s": asked.tick, "turn_deg": asked.turn}
    readings = []
    for seed in seeds[: asked.walls]:
        r = read(random_wall(np.random.default_rng([seed, 1]), **machine), seed)
        readings.append(r)
        if asked.list:
            w, f, z = r.wall, r.frequency_hz, r.damping_ratio
            print(
                f"{seed} {w.family:4} {w.frequency_hz:5.2f} Hz {w.damping_ratio:.3f} texture "
                f"{w.texture_um:3.1f} µm: {f.low:6.2f} < {f.value:6.2f} < {f.high:6.2f} "
                f"{'' if f.low <= w.frequency_hz <= f.high else 'MISS'} | {z.low:.4f} < "
                f"{z.value:.4f} < {z.high:.4f} "
                f"{'' if z.low <= w.damping_ratio <= z.high else 'MISS'} {r.outcome}",
                flush=True,
            )
    if readings:
        outcomes = Counter(str(r.outcome) for r in readings)
        print(f"{len(readings)} walls with ripple: {dict(outcomes)}")
        report(readings)
        called = [r for r in readings if r.outcome is Outcome.CALL]
        if called:
            print(f"of these the {len(called)} that got a call:")
            report(called)

    outcomes = Counter[str]()
    for seed in seeds[: asked.blank]:
        blank = random_wall(np.random.default_rng([seed, 2]), frequency_hz=0.0, **machine)
        outcomes[str(read(blank, seed).outcome)] += 1
    if asked.blank:
        print(f"{asked.blank} blank walls: {dict(outcomes)}")
        numbers = asked.blank - outcomes[str(Outcome.NO_CALL)]
        print(f"  not refused: {rate(numbers, asked.blank)}")


if __name__ == "__main__":
    main()
