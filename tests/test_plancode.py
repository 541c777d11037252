import binascii
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from plans import IMPULSES, plan_with, plans

from ringscan.errors import PlanError
from ringscan.plan import Axis, Plan
from ringscan.plancode import SheetCode, decode_plan, encode_plan

ALPHANUMERIC = set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")
"""The 45 characters of the QR code's alphanumeric mode, ISO/IEC 18004 (from memory)."""

# Written by hand from the grammar in docs/scan-sheet.md.
BODY = (
    "RS1 WREN Y W55.5 L.45 B.3 H.2 N480 T- V150 A4000 C6.5 SEI D.08 E.1 "
    "X40-399:D.2-.01/20:F42.5 Y40-399:F18.5+.125/2 R0-29"
)


def signed(body: str) -> str:
    """Append the checksum as the document gives it: CRC-32 in base 36, seven digits."""
    rest, digits = binascii.crc32(body.encode("ascii")), ""
    while rest:
        digits = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"[rest % 36] + digits
        rest //= 36
    return f"{body} *{digits:0>7}"


def encoded(plan: Plan, axis: Axis) -> str:
    """The code of a plan that fits; plans that don't must say so, and are left out here."""
    try:
        return encode_plan(plan, axis)
    except PlanError as exc:
        assume("does not fit the scan sheet's code" not in str(exc))
        raise


def test_crc_of_the_check_string() -> None:
    # the catalogue value of CRC-32, from memory: 0xCBF43926 for the text 123456789
    assert int(signed("123456789").split("*")[1], 36) == 0xCBF43926


def test_reads_a_code_written_by_hand() -> None:
    code = decode_plan(signed(BODY))
    expected = {
        "tower": "WREN",
        "size": {
            "width_mm": 55.5,
            "line_width_mm": 0.45,
            "first_layer_mm": 0.3,
            "layer_height_mm": 0.2,
            "layers": 480,
        },
        "motion": {
            "direction": "clockwise",
            "speed_mm_s": 150,
            "acceleration_mm_s2": 4000,
            "corner_speed_mm_s": 6.5,
        },
        "shaper": {"family": "EI", "damping_ratio": 0.08, "tolerance": 0.1},
        "ramp": {
            "x": {
                "quantity": "damping_ratio",
                "first_layer": 40,
                "last_layer": 399,
                "start": 0.2,
                "step": -0.01,
                "layers_per_step": 20,
                "frequency_hz": 42.5,
            },
            "y": {
                "first_layer": 40,
                "last_layer": 399,
                "start": 18.5,
                "step": 0.125,
                "layers_per_step": 2,
            },
        },
        "reference": {"first_layer": 0, "last_layer": 29},
    }
    assert code.axis == "y"
    assert code.plan == Plan.model_validate(expected)
    assert encode_plan(code.plan, "y") == signed(BODY)


def test_examples_of_the_document() -> None:
    text = (Path(__file__).parents[1] / "docs" / "scan-sheet.md").read_text(encoding="utf-8")
    examples = [line.strip() for line in text.splitlines() if line.startswith("    RS1 ")]
    assert examples == [encode_plan(plan_with(), "x"), signed(BODY)]


def test_impulse_list_in_the_code() -> None:
    plan = plan_with({"shaper": IMPULSES, "ramp.y": ...})
    text = encode_plan(plan, "x")
    assert " SLIST D.1 P.3:0/.4:.5/.3:1 X50-449:F20+.1 R0-49 *" in text
    assert decode_plan(text).plan == plan


@settings(deadline=None, max_examples=300)
@given(plans(), st.data())
def test_round_trip_is_exact(plan: Plan, data: st.DataObject) -> None:
    axis = data.draw(st.sampled_from(plan.axes))
    text = encoded(plan, axis)
    assert len(text) <= 130
    assert set(text) <= ALPHANUMERIC
    code = decode_plan(text)
    assert code == SheetCode(plan=plan, axis=axis)
    assert code.plan.digest == plan.digest


@settings(deadline=None)
@given(
    st.floats(20, 150),
    st.floats(0, 0.5),
    st.floats(-100, 100).filter(lambda step: step != 0),
)
def test_round_trip_of_any_number(width: float, damping: float, step: float) -> None:
    ramp = {"first_layer": 1, "last_layer": 2, "start": 200, "step": step}
    plan = plan_with(
        {
            "size.width_mm": width,
            "shaper.damping_ratio": damping,
            "ramp": {"x": ramp},
            "reference": ...,
        }
    )
    text = encoded(plan, "x")
    assert set(text) <= ALPHANUMERIC
    assert decode_plan(text).plan.digest == plan.digest


@pytest.mark.parametrize(
    ("value", "written"),
    [(60.0, "60"), (0.1, ".1"), (0.0, "0"), (1e-05, ".00001"), (0.45, ".45"), (100.5, "100.5")],
)
def test_numbers_are_shortest_decimals(value: float, written: str) -> None:
    plan = plan_with({"motion.corner_speed_mm_s": value})
    assert f" C{written} " in encode_plan(plan, "x")


def test_usual_plan_with_two_axes_leaves_room() -> None:
    # twelve-character label, five-digit acceleration, both ramps: the common worst case
    plan = plan_with(
        {
            "tower": "OYSTERCATC-9",
            "motion.acceleration_mm_s2": 12500,
            "ramp.x.layers_per_step": 2,
            "shaper.family": "ZVDD",
        }
    )
    assert len(encode_plan(plan, "y")) <= 130


@pytest.mark.parametrize(
    "changes",
    [
        {"motion.speed_mm_s": 120.12345678901234, "size.width_mm": 60.12345678901234},
        {
            "shaper": {
                "family": "LIST",
                "damping_ratio": 0.1,
                "amplitudes": [0.125] * 8,
                "times_in_periods": [0.125 * k for k in range(8)],
            }
        },
        {"shaper.damping_ratio": 5e-324},
    ],
)
def test_plan_that_does_not_fit(changes: dict[str, Any]) -> None:
    with pytest.raises(PlanError) as caught:
        encode_plan(plan_with(changes), "x")
    message = str(caught.value)
    assert re.search(r"plan 'HERON-3' does not fit .*: 1?\d{3} characters, at most 130", message)
    assert "fewer decimals" in message
    assert "list of impulses" in message
    assert "give this file when you scan" in message
    assert "\n" not in message


def test_axis_without_ramp() -> None:
    plan = plan_with({"ramp.y": ...})
    with pytest.raises(PlanError, match="no ramp for axis Y"):
        encode_plan(plan, "y")
    with pytest.raises(PlanError, match="no ramp for axis Y"):
        decode_plan(signed(re.sub(r" X W", " Y W", encode_plan(plan, "x").rpartition(" *")[0])))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "'' is not a scan sheet's"),
        ("HTTPS://EXAMPLE.ORG/A/VERY/LONG/ADDRESS", "'HTTPS://EXAMPLE.ORG/A/VE…' is not"),
        ("line\nbreak", r"'line\nbreak' is not a scan sheet's"),
        ("RS1", "'RS1' is not a scan sheet's"),
        (signed(BODY.replace("RS1", "RS2")), "version 2, this ringscan reads version 1"),
        (BODY, "checksum"),
        (signed(BODY)[:-1], "checksum"),
        (signed(BODY) + " ", "checksum"),
        (signed(BODY).replace("V150", "V160"), "checksum"),
        (signed(BODY).replace(" *", " *0"), "checksum"),
        (signed(BODY).lower().replace("rs1", "RS1"), "checksum"),
        ("RS1 É" + signed(BODY)[5:], "checksum"),
        ("RS1 \ud800", "checksum"),
        (signed(BODY + " " * 40), "checksum"),
        (signed("RS1 HELLO"), "malformed"),
        (signed(BODY.replace("V150", "V150.0")), "malformed"),
        (signed(BODY.replace("D.08", "D0.08")), "malformed"),
        (signed(BODY.replace("E.1", "E.05")), "malformed"),
        (signed(BODY.replace("V150", "V1E2")), "malformed"),
        (signed(BODY.replace("-.01", "--.01")), "malformed"),
        (signed(BODY.replace("+.125", "+-.125")), "malformed"),
        (signed(BODY.replace("N480", "N444444")), "size.layers = 444444"),
        (signed(BODY.replace("V150", "V3")), "motion.speed_mm_s = 3.0"),
        (signed(BODY.replace("WREN", "WREN-")), "tower = 'WREN-'"),
        (signed(BODY.replace("N480", "N300")), "ramp.x.last_layer = 399 must be at most 299"),
    ],
)
def test_what_is_refused(text: str, said: str) -> None:
    with pytest.raises(PlanError) as caught:
        decode_plan(text)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


PRINTED = [signed(BODY), encode_plan(plan_with(), "x"), encode_plan(plan_with(), "y")]


@settings(deadline=None, max_examples=400)
@given(
    st.sampled_from(PRINTED),
    st.integers(0, 129),
    st.integers(0, 4),
    st.text(alphabet=[*sorted(ALPHANUMERIC), "a", "é", "\n", "٣"], max_size=4),
)
def test_altered_text_is_noticed(text: str, at: int, removed: int, added: str) -> None:
    # A CRC-32 finds every burst of up to 32 bits, which is four characters; text that changes
    # its length slips through with a chance of 2^-32, far below one in all these examples.
    altered = text[:at] + added + text[at + removed :]
    if altered == text:
        assert decode_plan(altered) == decode_plan(text)
    else:
        with pytest.raises(PlanError):
            decode_plan(altered)


@settings(deadline=None, max_examples=400)
@given(
    st.integers(0, len(BODY)),
    st.integers(0, 6),
    st.text(alphabet=sorted(ALPHANUMERIC), max_size=4),
)
def test_any_text_with_a_true_checksum_is_refused_or_canonical(
    at: int, removed: int, added: str
) -> None:
    text = signed(BODY[:at] + added + BODY[at + removed :])
    try:
        code = decode_plan(text)
    except PlanError:
        return
    assert encode_plan(code.plan, code.axis) == text


@settings(deadline=None)
@given(st.one_of(st.text(), st.text().map(lambda rest: f"RS1 {rest}")))
def test_any_other_text_is_refused(text: str) -> None:
    with pytest.raises(PlanError):
        decode_plan(text)
