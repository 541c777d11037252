"""What a picture of a face lacks, said before anything is fitted."""

from __future__ import annotations

from collections.abc import Iterator

from ringscan.image.rectify import Face

SIDE_FALL_PER_MM = 0.0015
"""Slope of ln(light) along the face below which no lamp stands beside it: light falls with the
square of the distance, so a lamp at 500 mm gives 2 / 500 mm = 0.004, one at 1.3 m this."""

CLIPPED_SHARE = 0.05
DARK_SHARE = 0.05
"""Shares of the face without a measurable brightness that are worth a word."""


def find_flaws(face: Face) -> Iterator[str]:
    """One line for each thing that the light or the exposure should do better."""
    along, up = (abs(slope) for slope in face.falloff_per_mm)
    seen = f"the light falls off by {along * 60:.0%} over 60 mm along the layers"
    if along < SIDE_FALL_PER_MM and up > SIDE_FALL_PER_MM:
        yield (
            f"the lamp stands at the tower's base or top ({seen}, {up * 60:.0%} up the tower), "
            "which hides the ripples: put it at the left or the right"
        )
    elif along < SIDE_FALL_PER_MM:
        yield (
            f"no lamp stands beside the face ({seen}): light from the front or all round hides "
            "the ripples; use one lamp, low at the left or the right"
        )
    if face.clipped_fraction > CLIPPED_SHARE:
        yield (
            f"{face.clipped_fraction:.0%} of the face is burnt out: expose less, or move the "
            "lamp away"
        )
    if face.dark_fraction > DARK_SHARE:
        yield f"{face.dark_fraction:.0%} of the face is black: expose more, or move the lamp nearer"
