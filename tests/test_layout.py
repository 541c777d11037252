import cv2
import numpy as np
import pytest
from plans import plan_with

from ringscan import layout
from ringscan.errors import PlanError
from ringscan.layout import Outline, Paper, tower_outline

Rect = tuple[float, float, float, float]


def overlap(a: Rect, b: Rect) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


@pytest.mark.parametrize(
    ("paper", "size"),
    # A4: ISO 216. US Letter is 8.5 × 11 inch (from memory).
    [(Paper.A4, (210.0, 297.0)), (Paper.LETTER, (8.5 * 25.4, 11 * 25.4))],
)
def test_paper_sizes_and_margins(paper: Paper, size: tuple[float, float]) -> None:
    assert paper.size_mm == pytest.approx(size, abs=1e-9)
    left, top = paper.origin_mm
    assert left * 2 + 16 * 12 == pytest.approx(size[0], abs=1e-9)
    assert top * 2 + 21 * 12 == pytest.approx(size[1], abs=1e-9)
    # desktop printers leave about 6.4 mm (a quarter inch) blank: common practice, no source
    assert min(left, top) > 6.4


def test_ring_counts_by_hand() -> None:
    squares = layout.drawn_squares()
    # the whole board less its free middle; every second square is white and carries a marker
    assert len(squares) == len(set(squares)) == 16 * 21 - 12 * 17
    assert len(layout.marker_squares()) == (16 * 21 - 12 * 17) // 2
    assert layout.marker_squares()[:9] == [
        *((0, 1), (0, 3), (0, 5), (0, 7), (0, 9), (0, 11), (0, 13), (0, 15)),
        (1, 0),
    ]
    assert layout.marker_squares()[-1] == (20, 15)


def test_ring_corners_are_the_line_between_the_two_rows_of_squares() -> None:
    corners = layout.ring_corners()
    assert len(corners) == 2 * (15 + 20) - 4
    assert corners[0] == (12, 12)
    assert corners[14] == (180, 12)
    assert corners[15] == (12, 24)
    assert corners[20 * 15 - 1] == (180, 240)
    drawn = set(layout.drawn_squares())
    for x, y in corners.values():
        row, column = int(y // 12), int(x // 12)
        around = {(row - i, column - j) for i in (0, 1) for j in (0, 1)}
        assert around <= drawn


def test_board_agrees_with_opencv() -> None:
    board = layout.charuco_board()
    corners = np.asarray(board.getChessboardCorners())
    for number, (x, y) in layout.ring_corners().items():
        assert corners[number] == pytest.approx((x, y, 0), abs=1e-4)  # single precision
    ids = np.asarray(board.getIds()).ravel()
    assert sorted(ids[ids < layout.UNDRAWN_ID].tolist()) == list(range(66))
    assert len(set(ids.tolist())) == len(ids) == 168
    places = {int(n): np.asarray(p) for n, p in zip(ids, board.getObjPoints(), strict=True)}
    for number, (row, column) in enumerate(layout.marker_squares()):
        middle = (column * 12 + 6, row * 12 + 6, 0)
        assert places[number].mean(axis=0) == pytest.approx(middle, abs=1e-4)
        assert np.ptp(places[number], axis=0) == pytest.approx((9, 9, 0), abs=1e-4)


def test_dictionary_has_all_markers_and_none_of_the_undrawn_ids() -> None:
    dictionary = layout.charuco_board().getDictionary()
    assert len(dictionary.bytesList) == len(layout.marker_squares())
    same = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_100)
    assert np.array_equal(dictionary.bytesList, same.bytesList[: len(dictionary.bytesList)])


@pytest.mark.parametrize("width", [24.0, 60.0, 80.0])
def test_nothing_overlaps_and_the_ring_keeps_3_mm_clear(width: float) -> None:
    plan = plan_with({"size.width_mm": width})
    x0, x1, y = layout.CHECK_LINE
    quiet = 4 * 30 / 37  # four modules of the coarsest code in use: ISO/IEC 18004, from memory
    left, top, right, bottom = layout.CODE_BOX
    parts: dict[str, Rect] = {
        "code": (left, top, right, bottom),
        "check line": (x0, y - 2, x1, y + 2),
        "comb": layout.COMB_BOX,
    }
    for name, box in parts.items():
        assert box[0] >= 24 + 3, name
        assert box[1] >= 24 + 3, name
        assert box[2] <= 168 - 3, name
        assert box[3] <= 228 - 3, name
    zone = (left - quiet, top - quiet, right + quiet, bottom + quiet)
    assert not overlap(zone, parts["check line"])
    assert not overlap(zone, parts["comb"])
    assert zone[1] >= 24 - 0.3  # the ring's own white border is no part of it
    outline = tower_outline(plan)
    inside = (outline.left, outline.top, outline.right, outline.bottom)
    bars = layout.comb_bars(outline)
    for number, bar in enumerate(bars):
        assert not overlap(bar, inside)
        assert not any(overlap(bar, other) for other in bars[:number])


def test_check_line_is_100_mm_long() -> None:
    x0, x1, _ = layout.CHECK_LINE
    assert x1 - x0 == 100


def test_outline_by_hand() -> None:
    # 60 × 100.1 mm around (96, 144)
    outline = tower_outline(plan_with())
    assert (outline.left, outline.right) == (66, 126)
    assert outline.top == pytest.approx(93.95, abs=1e-9)
    assert outline.bottom == pytest.approx(194.05, abs=1e-9)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"size.width_mm": 80.1}, "80.1 × 100.1 mm does not fit"),
        ({"size.layers": 600}, "60 × 120.1 mm does not fit"),
    ],
)
def test_tower_that_is_too_large(changes: dict[str, float], said: str) -> None:
    with pytest.raises(PlanError) as caught:
        tower_outline(plan_with(changes))
    assert said in str(caught.value)
    assert "plan 'HERON-3'" in str(caught.value)
    assert "24 to 80 mm wide and at most 120 mm tall" in str(caught.value)


@pytest.mark.parametrize(("layer_mm", "layers"), [(0.2, 600), (0.1, 1200), (0.15, 800), (0.3, 400)])
def test_a_tower_of_just_the_greatest_height_fits(layer_mm: float, layers: int) -> None:
    """In binary some of these heights come out a little above 120."""
    size = {"size.first_layer_mm": layer_mm, "size.layer_height_mm": layer_mm}
    ramp = {"ramp.x.last_layer": 349, "ramp.y.last_layer": 349}
    outline = tower_outline(plan_with({**size, **ramp, "size.layers": layers}))
    assert outline.bottom - outline.top == pytest.approx(120, abs=1e-6)


def test_largest_tower_hides_nothing_but_the_comb() -> None:
    # A face 60 mm above the sheet, seen from 230 mm above its middle, covers 230 / 170 of its
    # size on the sheet: 108 × 162 mm. Half a millimetre is left for the drawing's rounding.
    grow = 230 / (230 - 60)
    half_x, half_y = 80 * grow / 2, 120 * grow / 2
    x0, y0, x1, y1 = layout.COMB_BOX
    x, y = layout.TOWER_CENTRE
    assert x0 - 0.5 <= x - half_x
    assert x + half_x <= x1 + 0.5
    assert y0 - 0.5 <= y - half_y
    assert y + half_y <= y1 + 0.5


def test_bars_by_hand() -> None:
    bars = layout.comb_bars(Outline(66, 94, 126, 194))
    # whole 3 mm bars every 6 mm around (96, 144): 27 each side; 9 above and 9 below
    assert len(bars) == 2 * 27 + 2 * 9
    assert (38, 142.5, 66, 145.5) in bars
    assert (38, 64.5, 66, 67.5) in bars
    assert (126, 220.5, 154, 223.5) in bars
    assert (94.5, 63, 97.5, 94) in bars
    assert (118.5, 194, 121.5, 225) in bars
