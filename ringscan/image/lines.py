"""Straight lines in a picture, and the quadrilaterals that they make."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from ringscan.image.photo import Photo

LONG_SIDE_PX = 1600
"""Size at which lines are looked for."""
MIN_SEGMENT_PX = 15.0
"""Of the reduced picture: shorter pieces are texture."""
MIN_FAINT_PX = 40.0
MIN_COLOUR_PX = 40.0
"""The same where only the colour changes, which is coarser in a JPEG."""
COARSER = (2, 4)
"""The picture is reduced so many times more as well: a tower's top is ragged, and a ground's grain
breaks lines that are long."""
NEAR_PX, NEAR_DEG = 2.0, 5.0
"""Pieces that lie so near to a longer one's line are parts of it."""
MOST_LINES = 60
"""The longest ones; a picture of a tower, a card and their shadows has some thirty."""
MIN_AREA, MAX_AREA = 0.01, 0.7
"""Of a quadrilateral, as a share of the picture."""
ASPECT_SLACK = 1.5
"""Tilt changes the ratio of the sides by less."""
OPPOSITE_SLACK = 1.4
"""Perspective makes one of two opposite sides longer by less."""
MIN_COVER, MIN_SCORE = 0.35, 0.5
"""Share of a side along which its line must be seen; and of all on average, less what is seen of
the lines beyond the corners: the sides of a rectangle end there, those of chance go on."""

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Lines of the picture reduced to LONG_SIDE_PX.

    point, way : a point of each and its unit direction, (n, 2)
    seen : running length of it that is seen, by px from `start` on, (n, most)
    start : where along `way` from `point` that begins, (n,)
    shrink : the reduced picture's px per px
    size : width and height of the reduced picture
    """

    point: Array
    way: Array
    seen: Array
    start: Array
    shrink: float
    size: tuple[int, int]

    def cover(self, line: NDArray[np.intp], a: Array, b: Array) -> Array:
        """Share of the way from `a` to `b`, (m, 2) each, along which lines (m,) are seen."""
        ends = [
            np.clip(
                np.einsum("ij,ij->i", at - self.point[line], self.way[line]) - self.start[line],
                0,
                self.seen.shape[1] - 1,
            ).astype(int)
            for at in (a, b)
        ]
        covered = np.abs(self.seen[line, ends[1]] - self.seen[line, ends[0]])
        return np.asarray(covered / np.maximum(np.linalg.norm(b - a, axis=1), 1.0))


def find_lines(photo: Photo) -> Lines | None:
    """Find straight edges; None if there are not enough for a quadrilateral."""
    grey = photo.grey8()
    shrink = min(1.0, LONG_SIDE_PX / max(grey.shape))
    size = (round(grey.shape[1] * shrink), round(grey.shape[0] * shrink))
    reduced = cv2.resize(grey, size, interpolation=cv2.INTER_AREA)
    plain = _segments(reduced, MIN_SEGMENT_PX)
    # a card may be hardly lighter than the ground it lies on
    local = cv2.createCLAHE(clipLimit=4.0, tileGridSize=(8, 8)).apply(reduced)
    ends = np.concatenate(
        [plain, _segments(local, MIN_FAINT_PX), *(_coarse_segments(reduced, by) for by in COARSER)]
    )
    if photo.half_rgb is not None:
        small = cv2.resize(photo.half_rgb, size, interpolation=cv2.INTER_AREA)
        colours = cv2.split(cv2.cvtColor(small, cv2.COLOR_RGB2LAB))[1:]
        ends = np.concatenate([ends, *(_segments(c, MIN_COLOUR_PX) for c in colours)])
    ends = ends[np.argsort(-np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1))]
    groups = _groups(ends)
    if len(groups) < 4:
        return None
    point, way, seen, start = [], [], [], []
    for group in groups:
        middle, along = _through(group)
        spans = np.sort((group - middle) @ along, axis=1)
        first = float(np.floor(spans.min()))
        covered = np.zeros(int(np.ceil(spans.max() - first)) + 2)
        for low, high in np.round(spans - first).astype(int):
            covered[low + 1 : high + 1] = 1
        point.append(middle)
        way.append(along)
        seen.append(np.cumsum(covered))
        start.append(first)
    most = max(len(row) for row in seen)
    return Lines(
        point=np.array(point),
        way=np.array(way),
        seen=np.array([np.pad(row, (0, most - len(row)), mode="edge") for row in seen]),
        start=np.array(start),
        shrink=shrink,
        size=size,
    )


def _segments(plane: cv2.typing.MatLike, least_px: float) -> Array:
    """Straight edges of at least some length in one channel, (n, 2, 2)."""
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(plane)[0]
    ends = np.asarray([] if found is None else found, dtype=np.float64).reshape(-1, 2, 2)
    return np.asarray(ends[np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) > least_px])


def _coarse_segments(plane: cv2.typing.MatLike, by: int) -> Array:
    """The same of a reduced picture, where the picture that was reduced has them."""
    small = cv2.resize(plane, None, fx=1 / by, fy=1 / by, interpolation=cv2.INTER_AREA)
    return (_segments(small, MIN_FAINT_PX / by) + 0.5) * by - 0.5


def _groups(ends: Array) -> list[Array]:
    """Segments that lie on one line, (m, 2, 2) each, the longest lines first."""
    left = np.ones(len(ends), dtype=bool)
    groups = []
    for i in range(len(ends)):
        if not left[i]:
            continue
        way = (ends[i, 1] - ends[i, 0]) / np.linalg.norm(ends[i, 1] - ends[i, 0])
        off = (ends - ends[i, 0]) @ np.array([-way[1], way[0]])
        ways = ends[:, 1] - ends[:, 0]
        cosine = np.abs(ways @ way) / np.linalg.norm(ways, axis=1)
        near = (np.abs(off).max(axis=1) < NEAR_PX) & (cosine > np.cos(np.radians(NEAR_DEG)))
        groups.append(ends[left & near])
        left &= ~near
    total = [float(np.linalg.norm(g[:, 1] - g[:, 0], axis=1).sum()) for g in groups]
    order = np.argsort(total)[::-1][:MOST_LINES]
    return [groups[k] for k in order]


def _through(group: Array) -> tuple[Array, Array]:
    """Middle and direction of the line through segments."""
    points = group.reshape(-1, 2)
    middle = points.mean(axis=0)
    _, _, ways = np.linalg.svd(points - middle)
    return middle, ways[0]


def find_quads(lines: Lines, aspect: float) -> list[tuple[float, Array]]:
    """Quadrilaterals of lines, px of the full picture, clockwise as displayed; (4, 2) each.

    Those whose sides may have the ratio `aspect`, either way, and are seen: with
    their score, 1 at most, the best first.
    """
    pairs = _pairs(lines)
    if len(pairs) < 2:
        return []
    first, second = (a.ravel() for a in np.meshgrid(*[np.arange(len(pairs))] * 2, indexing="ij"))
    sides = np.column_stack([pairs[first, 0], pairs[second, 0], pairs[first, 1], pairs[second, 1]])
    ways = lines.way[sides]
    crossing = np.abs(_cross(ways[:, 0], ways[:, 1])) > np.sin(np.radians(60))
    sides = sides[crossing & (first < second)]
    corners = np.stack([_meet(lines, sides[:, k - 1], sides[:, k]) for k in range(4)], axis=1)
    length = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    x, y = corners[..., 0], corners[..., 1]
    area = (x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1) / 2
    share = np.abs(area) / (lines.size[0] * lines.size[1])
    ratio = (length[:, 0] + length[:, 2]) / (length[:, 1] + length[:, 3])
    slack = np.abs(np.abs(np.log(ratio)) - abs(np.log(aspect)))
    opposite = np.abs(np.log(length[:, :2] / length[:, 2:])).max(axis=1)
    good = (share > MIN_AREA) & (share < MAX_AREA)
    good &= (slack < np.log(ASPECT_SLACK)) & (opposite < np.log(OPPOSITE_SLACK))
    good &= ((corners > 0) & (corners < np.array(lines.size))).all(axis=(1, 2))
    sides, corners, area = sides[good], corners[good], area[good]
    if len(sides) == 0:
        return []
    ends = [(sides[:, k], corners[:, k], corners[:, (k + 1) % 4]) for k in range(4)]
    cover = np.stack([lines.cover(*end) for end in ends], axis=1)
    length = np.stack([np.linalg.norm(b - a, axis=1) for _, a, b in ends], axis=1)
    beyond = lines.seen[sides, -1] / length - cover
    score = cover.mean(axis=1) - beyond.mean(axis=1)
    kept = np.flatnonzero((cover.min(axis=1) > MIN_COVER) & (score > MIN_SCORE))
    clockwise = [corners[k] if area[k] > 0 else corners[k][::-1] for k in kept]
    found = [
        (float(score[k]), (quad + 0.5) / lines.shrink - 0.5)
        for k, quad in zip(kept, clockwise, strict=True)
    ]
    return sorted(found, key=lambda pair: -pair[0])


def _pairs(lines: Lines) -> NDArray[np.intp]:
    """Pairs of lines that may be opposite sides: within 25° of parallel, and apart."""
    i, j = np.triu_indices(len(lines.way), 1)
    parallel = np.abs(_cross(lines.way[i], lines.way[j])) < np.sin(np.radians(25))
    apart = np.abs(_cross(lines.way[i], lines.point[j] - lines.point[i]))
    return np.asarray(np.column_stack([i, j])[parallel & (apart > 2 * MIN_SEGMENT_PX)])


def _meet(lines: Lines, i: NDArray[np.intp], j: NDArray[np.intp]) -> Array:
    """Where lines meet that are not parallel, (n, 2)."""
    p, v, q, w = lines.point[i], lines.way[i], lines.point[j], lines.way[j]
    t = _cross(q - p, w) / _cross(v, w)
    return np.asarray(p + t[:, None] * v)


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
