"""Picture of the wall a plan is expected to print, and of what the plan can see."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ringscan.make.assess import Assessment
from ringscan.make.expected import ExpectedWall
from ringscan.make.visible import BLIND_RATIO, MIN_RIPPLE_UM
from ringscan.output import write_whole
from ringscan.plan import Axis, Plan

if TYPE_CHECKING:
    from matplotlib.axes import Axes

BLUE, VERMILION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
"""Over 3:1 on white, and told apart by colour-blind readers."""

RIPPLE_TICKS_UM = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)


def write_preview(
    plan: Plan, axis: Axis, wall: ExpectedWall, assessment: Assessment, path: Path
) -> None:
    """Draw the expected wall and the ripple over the likely frequencies, as PNG.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 6.4), dpi=110, layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=[1, 1.15])
    _draw_wall(left, wall, assessment)
    _draw_ripple(right, assessment)
    motion = plan.motion
    figure.suptitle(
        f"{plan.tower}, {axis.upper()} face: {motion.speed_mm_s:g} mm/s, "
        f"{motion.acceleration_mm_s2:g} mm/s², shaper {plan.shaper.family}",
        fontsize=13,
    )
    file = io.BytesIO()
    figure.savefig(file, format="png", metadata={"Software": None})
    write_whole(path, file.getvalue())


def _draw_wall(plot: Axes, wall: ExpectedWall, assessment: Assessment) -> None:
    slope = np.gradient(wall.ripple_um, wall.s_mm, axis=1)
    # faint ripple beside strong: show the slope compressed
    shade = np.arcsinh(slope / (float(np.percentile(np.abs(slope), 97)) or 1.0))
    limit = float(np.abs(shade).max()) or 1.0
    end, top = float(wall.s_mm[-1]), float(wall.height_mm[-1])
    plot.imshow(
        shade, cmap="gray", vmin=-limit, vmax=limit, origin="lower", extent=(0, end, 0, top)
    )
    plot.set_aspect("equal")
    plot.set_xlim(0, end)
    plot.set_autoscalex_on(False)
    plot.set_xlabel("wall position from the entry edge (mm)")
    plot.set_ylabel("height (mm)")
    plot.set_title(
        f"expected wall of an axis of {wall.natural_hz:g} Hz, "
        f"damping {wall.damping_ratio:g},\nin the light of a low lamp at the side",
        fontsize=10,
    )
    if wall.reference.any():
        heights = wall.height_mm[wall.reference]
        _bracket(plot, end, heights[0], heights[-1], "reference band,\nshaper off", PURPLE)
    given = ~np.isnan(wall.command_hz)
    if given.any() and np.ptp(wall.command_hz[given]) > 0:
        heights, values = wall.height_mm[given], wall.command_hz[given]
        order = np.argsort(values)
        low, high = float(values.min()), float(values.max())
        ticks = [v for v in np.arange(np.ceil(low / 5) * 5, high + 0.01, 5) if v <= high]
        scale = plot.secondary_yaxis(-0.24)
        scale.set_yticks(np.interp(ticks, values[order], heights[order]))
        scale.set_yticklabels([f"{v:g}" for v in ticks], color=BLUE, fontsize=8)
        scale.set_ylabel("commanded frequency (Hz)", color=BLUE)
        if low <= wall.natural_hz <= high:
            z = float(np.interp(wall.natural_hz, values[order], heights[order]))
            _point(plot, end, z, f"quiet band\n{wall.natural_hz:g} Hz", GREEN)
        false = assessment.false_quiet
        if false is not None and false.natural_hz[0] <= wall.natural_hz <= false.natural_hz[1]:
            share = false.commanded_hz[1] / false.natural_hz[1]
            z = float(np.interp(share * wall.natural_hz, values[order], heights[order]))
            _point(
                plot,
                end,
                z,
                f"false quiet\nband, about\n{share * wall.natural_hz:.0f} Hz",
                VERMILION,
            )


def _bracket(plot: Axes, x: float, low: float, high: float, text: str, colour: str) -> None:
    plot.plot([x + 1.5] * 2, [low, high], color=colour, lw=3, clip_on=False)
    plot.text(x + 3, (low + high) / 2, text, color=colour, va="center", fontsize=9)


def _point(plot: Axes, x: float, z: float, text: str, colour: str) -> None:
    plot.annotate(
        text,
        (x, z),
        (x + 4, z),
        color=colour,
        va="center",
        fontsize=9,
        arrowprops={"arrowstyle": "->", "color": colour},
        annotation_clip=False,
    )


def _draw_ripple(plot: Axes, assessment: Assessment) -> None:
    seen = assessment.visibility
    f = seen.frequency_hz
    plot.plot(f, seen.ripple_um, color=BLUE, lw=2)
    plot.axhline(MIN_RIPPLE_UM, color=VERMILION, ls="--", lw=1.2)
    box: dict[str, Any] = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1}
    plot.text(
        f[-1],
        MIN_RIPPLE_UM,
        f"needed: {MIN_RIPPLE_UM:g} µm ",
        color=VERMILION,
        ha="right",
        va="top",
        fontsize=9,
        bbox=box,
    )
    plot.set_yscale("log")
    plot.set_ylim(min(10.0, float(seen.ripple_um.min()) / 1.5), float(seen.ripple_um.max()) * 1.6)
    low, high = plot.get_ylim()
    plot.set_yticks([t for t in RIPPLE_TICKS_UM if low <= t <= high])
    plot.yaxis.set_major_formatter("{x:g}")
    plot.minorticks_off()
    plot.set_xlim(f[0], f[-1])
    plot.set_xlabel("natural frequency, as yet unknown (Hz)")
    plot.set_ylabel("ripple at the corner without a shaper (µm)")
    plot.set_title("ripple a corner leaves (least over dampings .02 to .15)", fontsize=10)
    plot.grid(visible=True, which="both", color="0.9")
    if seen.lost.any():
        plot.fill_between(
            f,
            0,
            1,
            where=seen.lost,
            transform=plot.get_xaxis_transform(),
            color=VERMILION,
            alpha=0.12,
            lw=0,
        )
        first = f[seen.lost][0]
        plot.text(
            first,
            0.97,
            " lost: too weak,\n too short or blind",
            color=VERMILION,
            va="top",
            fontsize=9,
            transform=plot.get_xaxis_transform(),
            bbox=box,
            ha="left" if first < f.mean() else "right",
        )
    blind = seen.blindness < BLIND_RATIO
    if blind.any():
        plot.plot(f[blind], seen.ripple_um[blind], "x", color=PURPLE, ms=5)
