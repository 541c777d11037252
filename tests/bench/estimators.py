"""Our fit against general-purpose estimators and the Cramér-Rao bound, on white-noise walls.

    python -m tests.bench.estimators

Every estimator reads the same walls: a shaped corner simulated in time, brightness proportional
to the wall's slope, and white noise. The general-purpose ones are given more than they could
have: profiles already resampled to even steps of time with the exact s(t), free of noise from
shading. They know nothing of the ramp, the eye nothing else; our fit uses both. The bound is
that of the whole model (pole, strength, smooth shading of every band, ramp known).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ringscan.model.answers import fit_spacing
from ringscan.model.budget import intervals
from ringscan.model.fit import fit_jointly
from ringscan.model.given import Doubts
from ringscan.model.problem import Walls, pose_problem
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

CONTRAST = 0.05
"""Largest brightness of the unshaped ripple: small, so that relative brightness is linear."""

NO_DOUBTS = Doubts(shift_mm=1e-6, stretch=1e-6, height_mm=1e-6, hz_per_mm=0.6)
"""Places are exact here, and the bound knows that too."""

SAMPLE_RATE_HZ = 1000.0
RECORD = 180
"""Samples of the resampled decays: 0.18 s, three to nine time constants of damping."""

HANKEL = 60
"""Rows of delays that the subspace methods stack."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cell:
    """One point of the grid: the noise-free wall and its bound.

    walls : without noise
    sigma : noise of the relative brightness
    bound : standard errors of frequency (Hz) and damping ratio no estimator can beat, (2,)
    bound_shared : the same when a profile shared by all heights is unknown too, (2,)
    """

    wall: Wall
    walls: Walls
    drawing: Drawing
    sigma: float
    bound: Array
    bound_shared: Array


def make_cell(frequency_hz: float, damping_ratio: float, noise: float) -> Cell:
    """Simulate the wall and work out the bound."""
    wall = Wall(frequency_hz=frequency_hz, damping_ratio=damping_ratio, along_hz=0.0)
    walls = simulate_walls(replace(wall, texture_um=0, bulge_um=0, belt_um=0, sensor=0), 0)
    drawing = draw(walls.s_mm, walls.motion, walls.impulses, walls.along)
    high, low = (wall_height_mm(wall, walls.s_mm + step) for step in (0.02, -0.02))
    slope = (high - low) / 0.04
    valid = walls.valid & drawing.free
    gain = CONTRAST / np.abs(slope[0][valid[0]]).max()
    walls = replace(walls, intensity=1 + gain * slope)
    lam = complex(pole(frequency_hz, damping_ratio))
    wave = drawing.slope(lam)
    parts = np.stack([wave.real, -wave.imag])
    c = np.linalg.lstsq(parts[:, valid].T, gain * slope[valid])[0]

    def model(f: float, zeta: float) -> Array:
        return np.asarray(np.real(complex(*c) * drawing.slope(complex(pole(f, zeta)))))

    df, dz = 1e-4 * frequency_hz, 1e-3 * damping_ratio
    J = np.stack(
        [
            (model(frequency_hz + df, damping_ratio) - model(frequency_hz - df, damping_ratio))
            / (2 * df),
            (model(frequency_hz, damping_ratio + dz) - model(frequency_hz, damping_ratio - dz))
            / (2 * dz),
            *parts,
        ]
    )
    sigma = noise * CONTRAST
    bounds = []
    for shared in (False, True):
        left = without_nuisance(J, valid, walls.s_mm, degree=SMOOTH_DEGREE, shared=shared)
        bounds.append(cramer_rao(left.reshape(4, -1), sigma)[:2])
    return Cell(
        wall=wall,
        walls=walls,
        drawing=drawing,
        sigma=sigma,
        bound=bounds[0],
        bound_shared=bounds[1],
    )


def decays(cell: Cell, walls: Walls) -> Array:
    """Every band as a decay in even time, (b, RECORD): brightness × speed, from full speed on."""
    drawing = cell.drawing
    start = drawing.impulses.end_s.max() + walls.motion.ramp_s
    # a band that is drawn later rings later too: its own time runs from its own mean delay
    t = start + np.arange(RECORD) / SAMPLE_RATE_HZ
    rows = (walls.intensity - 1) / drawing.slowness_s_mm
    return np.array(
        [np.interp(t, when, row) for when, row in zip(drawing.passing_s, rows, strict=True)]
    )


def our_fit(cell: Cell, walls: Walls) -> Answer:
    """Read the ramp, the spacing and the decay together: `fit_jointly`."""
    estimate = fit_jointly(walls, NO_DOUBTS).estimate
    return estimate.frequency_hz, estimate.damping_ratio


def our_spacing(cell: Cell, walls: Walls) -> Answer:
    """Read spacing and decay only, with every band's strength free: `fit_spacing`."""
    truth = (cell.wall.frequency_hz, cell.wall.damping_ratio)
    estimate = fit_spacing(pose_problem(walls), truth)
    return estimate.frequency_hz, estimate.damping_ratio


def eye(cell: Cell, walls: Walls) -> Answer:
    """Take the commanded frequency of the band whose brightness scatters least."""
    valid = walls.valid & cell.drawing.free
    scatter = np.array([row[use].std() for row, use in zip(walls.intensity, valid, strict=True)])
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
    from scipy.optimize import curve_fit

    t = np.arange(RECORD) / SAMPLE_RATE_HZ
    mean = decays(cell, walls)[np.isnan(walls.commanded_hz)].mean(axis=0)

    def decay(t: Array, f: float, zeta: float, a: float, b: float) -> Array:
        lam = complex(pole(f, min(max(zeta, 0.0), 0.99)))
        return np.real(complex(a, b) * np.exp(lam * t))

    # started at the truth: its best case
    start = (cell.wall.frequency_hz, cell.wall.damping_ratio, mean[0], 0.0)
    found, _ = curve_fit(decay, t, mean, p0=start, maxfev=5000)
    return float(found[0]), float(found[1])


ESTIMATORS: dict[str, Callable[[Cell, Walls], Answer]] = {
    "our joint fit": our_fit,
    "our spacing alone": our_spacing,
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


def main() -> None:
    """Run the grid and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=24, help="noise draws per point of the grid")
    asked = parser.parse_args()
    print(f"RMSE ÷ Cramér-Rao bound, {asked.runs} runs a row; frequency | damping ratio")
    names = list(ESTIMATORS)
    print("f_n Hz  zeta  noise  bound Hz  bound zeta  shared/bound  " + "  ".join(names))
    spent: dict[str, list[float]] = {name: [] for name in names}
    ratios: dict[str, list[Array]] = {name: [] for name in names}
    for f in FREQUENCIES_HZ:
        for zeta in DAMPING_RATIOS:
            for noise in NOISES:
                cell = make_cell(f, zeta, noise)
                row = f"{f:5.0f}  {zeta:5.2f}  {noise:5.2f}  {cell.bound[0]:8.4f}  "
                row += f"{cell.bound[1]:10.6f}  {cell.bound_shared[0] / cell.bound[0]:12.2f}"
                rng = np.random.default_rng([int(f), int(1000 * zeta), int(1000 * noise)])
                shape = cell.walls.intensity.shape
                draws = [
                    replace(
                        cell.walls,
                        intensity=cell.walls.intensity + cell.sigma * rng.standard_normal(shape),
                    )
                    for _ in range(asked.runs)
                ]
                for name, estimator in ESTIMATORS.items():
                    start = time.process_time()
                    got = np.array([estimator(cell, walls) for walls in draws])
                    spent[name].append((time.process_time() - start) / asked.runs)
                    # an answer that is none counts as one that is wrong by the whole
                    wrong = np.nan_to_num(got - (f, zeta), nan=f)
                    rmse = np.sqrt(np.mean(wrong**2, axis=0))
                    if np.isnan(got[:, 1]).all():
                        rmse[1] = np.nan
                    ratios[name].append(rmse / cell.bound)
                    row += f"  {ratios[name][-1][0]:7.2f} | {ratios[name][-1][1]:7.2f}"
                print(row, flush=True)
    print("\nestimator                    median ratio f, zeta   worst f, zeta     ms a wall")
    for name in names:
        r = np.array(ratios[name])
        print(
            f"{name:28} {np.median(r[:, 0]):8.2f} {np.median(r[:, 1]):9.2f} "
            f"{r[:, 0].max():13.2f} {r[:, 1].max():8.2f} {1e3 * np.median(spent[name]):10.1f}"
        )
    speed()


if __name__ == "__main__":
    main()
