"""Our fit against general-purpose estimators and the Cramér-Rao bound, on white-noise walls.

    OPENBLAS_NUM_THREADS=1 python -m tests.bench.estimators

Every estimator reads the same walls: a shaped corner simulated in time on two axes that ring,
brightness proportional to the wall's slope, and white noise. The general-purpose ones are given
profiles resampled to even steps of time with the plan's s(t), free of shading; with
``--exact-time`` also what nobody could know, how the axis along the face rang. They know nothing
of the ramp, the eye nothing else; our fit uses both.

Two bounds are worked out. The plain one has pole, strength and a smooth shading of every band
unknown; the full one, by which all errors are divided, also what no real photo tells: a profile
common to all heights, the pole of the axis along the face, and how the shading bends (the last
two are known beforehand to some extent, as our fit assumes).
"""

from __future__ import annotations

import argparse
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from ringscan.model.budget import intervals
from ringscan.model.fit import fit_jointly
from ringscan.model.given import Doubts
from ringscan.model.problem import Walls
from ringscan.model.ripple import Drawing, draw
from ringscan.model.vibration import pole
from ringscan.model.whiten import SMOOTH_DEGREE
from tests.bench.bound import cramer_rao, without_nuisance
from tests.walls import Wall, doubts_of, random_wall, simulate_walls, wall_height_mm

Array = NDArray[np.float64]
Answer = tuple[float, float]

FREQUENCIES_HZ = (22.0, 37.0, 52.0)
DAMPING_RATIOS = (0.04, 0.1)
NOISES = (0.05, 0.5)
"""Noise per sample, relative to the unshaped ripple's brightness where it is largest."""

ALONG = 1.2
"""Natural frequency of the axis along the face, relative to the one across it."""

CONTRAST = 0.05
"""Largest brightness of the unshaped ripple: small, so that relative brightness is linear."""

NO_DOUBTS = Doubts(
    shift_mm=1e-6, stretch=1e-6, skew_mm=1e-6, height_mm=1e-6, blur_mm2=1e-6, hz_per_mm=0.6
)
"""Places are exact here, and the bound knows that too."""

SAMPLE_RATE_HZ = 1000.0
RECORD = 180
"""Samples of the resampled decays: 0.18 s, three to nine time constants of damping."""

HANKEL = 60
"""Rows of delays that the subspace methods stack."""

KNOWN_TO = np.array([np.inf] * 4 + [0.4, 0.5, 0.5, 0.5])
"""Logarithms of the other axis's frequency and damping ratio, and two powers of the shading."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cell:
    """One point of the grid: the noise-free wall and its bounds.

    walls : without noise
    drawing : how the walls are thought to have been drawn when they are resampled
    valid : samples in use
    sigma : noise of the relative brightness
    full, plain : standard errors of frequency (Hz) and damping ratio no estimator can beat, (2,)
    """

    wall: Wall
    walls: Walls
    drawing: Drawing
    valid: NDArray[np.bool_]
    sigma: float
    full: Array
    plain: Array


def make_cell(frequency_hz: float, damping_ratio: float, noise: float, *, exact_time: bool) -> Cell:
    """Simulate the wall and work out its bounds."""
    wall = Wall(
        frequency_hz=frequency_hz, damping_ratio=damping_ratio, along_hz=ALONG * frequency_hz
    )
    walls = simulate_walls(replace(wall, texture_um=0, bulge_um=0, belt_um=0, sensor=0), 0)

    def drawn(along_hz: float, along_damping: float) -> Drawing:
        motion = replace(walls.motion, ringing=complex(pole(along_hz, along_damping)))
        return draw(walls.s_mm, motion, walls.impulses, walls.along)

    drawing = drawn(wall.along_hz, wall.along_damping)
    high, low = (wall_height_mm(wall, walls.s_mm + step) for step in (0.02, -0.02))
    slope = (high - low) / 0.04
    valid = walls.valid & drawing.free
    gain = CONTRAST / np.abs(slope[0][valid[0]]).max()
    wave = drawing.slope(complex(pole(frequency_hz, damping_ratio)))
    parts = np.stack([wave.real, -wave.imag])
    c = complex(*np.linalg.lstsq(parts[:, valid].T, gain * slope[valid])[0])

    def ripple(change: Array) -> Array:
        f, zeta, along_hz, along_damping = change
        now = drawn(wall.along_hz * np.exp(along_hz), wall.along_damping * np.exp(along_damping))
        return np.asarray(
            np.real(c * now.slope(complex(pole(frequency_hz + f, damping_ratio + zeta))))
        )

    steps = np.diag([1e-4 * frequency_hz, 1e-3 * damping_ratio, 1e-3, 1e-3])
    f, zeta, *along = [(ripple(d) - ripple(-d)) / (2 * d.max()) for d in steps]
    here = ripple(np.zeros(4))
    everything = np.stack([f, zeta, *parts, *along, here**2, here**3])
    sigma = noise * CONTRAST

    def bound(columns: Array, shared: bool) -> Array:
        left = without_nuisance(columns, valid, walls.s_mm, degree=SMOOTH_DEGREE, shared=shared)
        known_to = KNOWN_TO[: len(columns)]
        return cramer_rao(left.reshape(len(columns), -1), sigma, known_to)[:2]

    return Cell(
        wall=wall,
        walls=replace(walls, intensity=1 + gain * slope),
        drawing=drawing
        if exact_time
        else draw(walls.s_mm, walls.motion, walls.impulses, walls.along),
        valid=valid,
        sigma=sigma,
        full=bound(everything, shared=True),
        plain=bound(everything[:4], shared=False),
    )


def decays(cell: Cell, walls: Walls) -> Array:
    """Every band as a decay in even time from its first good sample, (b, RECORD).

    Brightness times the nozzle's speed is a pure decay in time, also while it speeds up.
    """
    rows = []
    velocity = (walls.intensity - 1) / cell.drawing.slowness_s_mm
    for passing, row, use in zip(cell.drawing.passing_s, velocity, cell.valid, strict=True):
        t = passing[use][0] + np.arange(RECORD) / SAMPLE_RATE_HZ
        rows.append(np.interp(t, passing[use], row[use]))
    return np.array(rows)


def our_fit(cell: Cell, walls: Walls) -> Answer:
    """Read the ramp, the spacing and the decay together: `fit_jointly`."""
    estimate = fit_jointly(walls, NO_DOUBTS).estimate
    return estimate.frequency_hz, estimate.damping_ratio


def eye(cell: Cell, walls: Walls) -> Answer:
    """Take the commanded frequency of the band whose brightness scatters least."""
    rows = zip(walls.intensity, cell.valid, strict=True)
    scatter = np.array([row[use].std() for row, use in rows])
    ramp = ~np.isnan(walls.commanded_hz)
    return float(walls.commanded_hz[ramp][scatter[ramp].argmin()]), float("nan")


def eigensystem_realisation(cell: Cell, walls: Walls) -> Answer:
    """python-control's `eigensystem realisation`, all bands as outputs of one system."""
    import control

    # 16 groups of bands keep the Hankel matrix within reason; neighbours ring alike
    rows = _grouped(decays(cell, walls))
    system, _ = control.eigensys_realization(
        rows[:, None, :], 2, m=HANKEL, n=HANKEL, dt=1 / SAMPLE_RATE_HZ
    )
    return _from_discrete(np.linalg.eigvals(system.A))


def dynamic_modes(cell: Cell, walls: Walls) -> Answer:
    """Exact dynamic mode decomposition of delay-stacked bands, rank 2 (Tu et al. 2014)."""
    rows = _grouped(decays(cell, walls))
    columns = RECORD - HANKEL
    stacked = np.concatenate([rows[:, i : i + columns] for i in range(HANKEL)])
    U, S, Vh = np.linalg.svd(stacked[:, :-1], full_matrices=False)
    U, S, Vh = U[:, :2], S[:2], Vh[:2]
    return _from_discrete(np.linalg.eigvals(U.T @ stacked[:, 1:] @ Vh.T / S))


def curve_fit_average(cell: Cell, walls: Walls) -> Answer:
    """scipy's `curve_fit` of a four-parameter decay to the mean of the unshaped bands."""
    from scipy.optimize import OptimizeWarning, curve_fit

    t = np.arange(RECORD) / SAMPLE_RATE_HZ
    mean = decays(cell, walls)[np.isnan(walls.commanded_hz)].mean(axis=0)

    def decay(t: Array, f: float, zeta: float, a: float, b: float) -> Array:
        lam = complex(pole(f, min(max(zeta, 0.0), 0.99)))
        return np.real(complex(a, b) * np.exp(lam * t))

    # started at the truth: its best case
    start = (cell.wall.frequency_hz, cell.wall.damping_ratio, mean[0], 0.0)
    with warnings.catch_warnings():
        # a covariance that cannot be estimated is not used anyway
        warnings.simplefilter("ignore", OptimizeWarning)
        found, _ = curve_fit(decay, t, mean, p0=start, maxfev=5000)
    return float(found[0]), float(found[1])


ESTIMATORS: dict[str, Callable[[Cell, Walls], Answer]] = {
    "our joint fit": our_fit,
    "eigensystem realisation": eigensystem_realisation,
    "dynamic mode decomposition": dynamic_modes,
    "curve_fit on average": curve_fit_average,
    "the eye's way": eye,
}


def _grouped(rows: Array, groups: int = 16) -> Array:
    return np.array([part.mean(axis=0) for part in np.array_split(rows, groups)])


def _from_discrete(eigenvalues: NDArray[np.complex128]) -> Answer:
    """Frequency and damping ratio of the oscillating pole of a sampled system; NaN if none."""
    lam = np.log(eigenvalues.astype(complex)) * SAMPLE_RATE_HZ
    lam = lam[lam.imag > 0]
    if not lam.size:
        return float("nan"), float("nan")
    size = abs(lam[0])
    return float(size / (2 * np.pi)), float(-lam[0].real / size)


def speed() -> None:
    """Whole fit of a textured face of 80 bands × 600 samples, against one SVD of the array."""
    wall = random_wall(np.random.default_rng(5))
    walls = simulate_walls(wall, 5)

    def fit() -> None:
        intervals(fit_jointly(walls, doubts_of(wall)).estimate)

    def best(job: Callable[[], object], times: int) -> float:
        spent = []
        for _ in range(times):
            start = time.process_time()
            job()
            spent.append(time.process_time() - start)
        return min(spent)

    fit()  # imports and caches
    ours = best(fit, 5)
    thin = best(lambda: np.linalg.svd(walls.intensity, full_matrices=False), 9)
    full = best(lambda: np.linalg.svd(walls.intensity), 9)
    bands, samples = walls.intensity.shape
    print(
        f"whole fit with intervals, {bands} bands × {samples} samples: {1e3 * ours:.0f} ms of one "
        f"core; numpy.linalg.svd of the same array {1e3 * thin:.1f} ms (thin), "
        f"{1e3 * full:.1f} ms (full): ratio {ours / thin:.0f} and {ours / full:.0f}"
    )


def noisy(cell: Cell, runs: int) -> list[Walls]:
    """Draw the cell's wall with fresh noise."""
    seed = [int(cell.wall.frequency_hz), int(1e6 * cell.sigma)]
    rng = np.random.default_rng(seed)
    clean = cell.walls.intensity
    return [
        replace(cell.walls, intensity=clean + cell.sigma * rng.standard_normal(clean.shape))
        for _ in range(runs)
    ]


def rmse(cell: Cell, answers: Array) -> Array:
    """Root mean square errors of frequency and damping ratio; NaN where none is given."""
    wrong = answers - (cell.wall.frequency_hz, cell.wall.damping_ratio)
    # a method that finds no pole is wrong by the whole frequency
    wrong[:, 0] = np.nan_to_num(wrong[:, 0], nan=cell.wall.frequency_hz)
    if not np.isnan(wrong[:, 1]).all():
        wrong[:, 1] = np.nan_to_num(wrong[:, 1], nan=1.0)
    return np.asarray(np.sqrt(np.mean(wrong**2, axis=0)))


def main() -> None:
    """Run the grid and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=12, help="noise draws per point of the grid")
    parser.add_argument("--exact-time", action="store_true", help="see above")
    asked = parser.parse_args()
    print(f"RMSE ÷ full Cramér-Rao bound of frequency / damping ratio, {asked.runs} runs a row")
    print("| f_n Hz | zeta | noise | bound Hz | bound zeta | full ÷ plain | ", end="")
    print(*ESTIMATORS, sep=" | ", end=" |\n")
    print("|---" * (6 + len(ESTIMATORS)) + "|")
    spent: dict[str, list[float]] = {name: [] for name in ESTIMATORS}
    ratios: dict[str, list[Array]] = {name: [] for name in ESTIMATORS}
    for f, zeta, noise in product(FREQUENCIES_HZ, DAMPING_RATIOS, NOISES):
        cell = make_cell(f, zeta, noise, exact_time=asked.exact_time)
        draws = noisy(cell, asked.runs)
        row = [f"{f:.0f}", f"{zeta}", f"{noise}", f"{cell.full[0]:.4f}", f"{cell.full[1]:.6f}"]
        row.append(f"{cell.full[0] / cell.plain[0]:.2f}")
        for name, estimator in ESTIMATORS.items():
            start = time.process_time()
            answers = np.array([estimator(cell, walls) for walls in draws])
            spent[name].append((time.process_time() - start) / asked.runs)
            ratios[name].append(rmse(cell, answers) / cell.full)
            row.append(" / ".join(f"{r:.2f}" for r in ratios[name][-1]).replace("nan", "–"))
        print("| " + " | ".join(row) + " |", flush=True)
    by_chance = 1 / np.sqrt(2 * asked.runs)
    print(f"\nChance alone moves a row's ratio by {by_chance:.0%}, ", end="")
    print(f"one over all rows by {by_chance / np.sqrt(len(ratios['our joint fit'])):.0%}.\n")
    print("| estimator | rms f | rms zeta | median f | median zeta | worst f | worst zeta", end="")
    print(" | ms a wall |")
    print("|---" * 8 + "|")
    for name, rows in ratios.items():
        r = np.array(rows)
        numbers = [*np.sqrt(np.mean(r**2, axis=0)), *np.median(r, axis=0), *r.max(axis=0)]
        cells = [f"{x:.2f}".replace("nan", "–") for x in numbers]
        print(f"| {name} | {' | '.join(cells)} | {1e3 * np.median(spent[name]):.1f} |")
    print()
    speed()


if __name__ == "__main__":
    main()
