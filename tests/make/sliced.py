"""Files as slicing programs might make them, for the small tower; written by the tests alone."""

from __future__ import annotations

import math

CORNERS = [(-1, 1), (-1, -1), (1, -1), (1, 1)]


def sliced(
    plan,
    *,
    relative_z=False,
    absolute_e=False,
    hop=0.0,
    spiral=False,
    round_corners=0.0,
    pieces=1,
    speed=None,
    slow_layers=(),
    walls=1,
    seam_shift=0.0,
    seam_both=False,
    direction=1,
    prime=None,
    skirt=False,
    towers=1,
    one_after_the_other=False,
    scale=1.0,
    noise="",
    newline="\n",
) -> str:
    lines = ["; made for a test", "G21", "G28", "G90"]
    state = {"e": 0.0, "x": 0.0, "y": 0.0, "z": 0.0, "loops": 0}
    speed = speed or plan.motion.speed_mm_s
    half = scale * (plan.size.width_mm - plan.size.line_width_mm) / 2

    def feed(length):
        step = 0.03385 * length
        state["e"] += step
        return f"E{state['e']:.5f}" if absolute_e else f"E{step:.5f}"

    def to(x, y, z=None, f=speed):
        length = math.hypot(x - state["x"], y - state["y"])
        height = "" if z is None else f" Z{z:.4f}"
        lines.append(f"G1 X{x:.4f} Y{y:.4f}{height} {feed(length)} F{60 * f:g}")
        state.update(x=x, y=y, z=state["z"] if z is None else z)

    def travel(x, y):
        lines.append(f"G0 X{x:.4f} Y{y:.4f} F9000")
        state.update(x=x, y=y)

    def level(z):
        z *= scale
        if hop:
            lines.append(f"G1 Z{z + hop:.4f} F900")
            lines.append(f"G1 Z{z:.4f} F900")
        elif relative_z:
            lines.extend(["G91", f"G1 Z{z - state['z']:.6f}", "G90"])
        else:
            lines.append(f"G1 Z{z:.4f} F900")
        state["z"] = z

    def loop(cx, cy, h, f=speed, rise=0.0):
        signs = CORNERS if direction > 0 else [CORNERS[0], *CORNERS[:0:-1]]
        state["loops"] += 1
        opposite = seam_both and state["loops"] % 2 == 0
        signs = [*signs[2:], *signs[:2]] if opposite else signs
        points = [(cx + i * h, cy + j * h) for i, j in [*signs[1:], signs[0]]]
        start = (cx + signs[0][0] * h, cy + signs[0][1] * h)
        if seam_shift:
            shift = -seam_shift if opposite else seam_shift
            start = (start[0], start[1] - direction * shift)
            points.append(start)
        if not rise:
            travel(*start)
        z, total = state["z"], 8 * h
        done = 0.0
        for px, py in points:
            x0, y0 = state["x"], state["y"]
            for n in range(1, pieces + 1):
                x, y = x0 + (px - x0) * n / pieces, y0 + (py - y0) * n / pieces
                done += math.hypot(x - state["x"], y - state["y"])
                if (
                    round_corners
                    and n == pieces
                    and abs(px - x0) + abs(py - y0) > 3 * round_corners
                ):
                    corner(x0, y0, px, py, f)
                    continue
                to(x, y, z + rise * done / total if rise else None, f)

    def corner(x0, y0, px, py, f):
        """Stop short, then an arc of a quarter turn is cut to a chord by G3 with R."""
        r = round_corners
        ux, uy = math.copysign(1, px - x0) * (px != x0), math.copysign(1, py - y0) * (py != y0)
        to(px - r * ux, py - r * uy, None, f)
        word = "G3" if direction > 0 else "G2"
        ex, ey = (px - direction * r * uy, py + direction * r * ux)
        lines.append(
            f"{word} X{ex:.4f} Y{ey:.4f} I{-direction * r * uy:.4f} J{direction * r * ux:.4f} "
            f"{feed(math.pi / 2 * r)} F{60 * f:g}"
        )
        state.update(x=ex, y=ey)

    if prime is not None:
        lines.append(f"G1 Z{prime} F900")
        state["z"] = prime
        travel(5, 5)
        to(5, 150, None, 20)
    places = [(60 + 70 * n, 100) for n in range(towers)]
    groups = [[p] for p in places] if one_after_the_other else [places]
    for group in groups:
        for layer in range(plan.size.layers):
            rising = spiral and layer > 0
            if not rising:
                level(plan.layer_top_mm(layer))
            lines.append(noise.format(layer=layer))
            for cx, cy in group:
                f = 20.0 if layer == 0 else slow_layers.get(layer, speed) if slow_layers else speed
                if skirt and layer == 0:
                    loop(cx, cy, half + 8, f)
                for wall in range(walls - 1, -1, -1):
                    loop(cx, cy, half - 0.45 * wall, f, 0.2 * scale if rising else 0.0)
    lines.append("G0 Z60")
    return newline.join(lines) + newline
