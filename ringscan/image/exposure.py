"""Whether a picture as a whole is too dark or too bright: asked on the way to a refusal only."""

from __future__ import annotations

import cv2
import numpy as np

from ringscan.image.photo import CLIPPED_LEVEL, Photo

DARK_LIGHT, DARK_SHARE = 0.02, 0.95
"""Of full scale: white paper has a tenth of it and more, and the sheet fills more than a tenth of a
picture. Sheets are found down to half of that light."""
BURNT_SHARE = 0.5
"""Of the picture: 0.44 and less in rendered pictures whose paper is burnt out, and the sheet is
found up to 0.8."""


def ill_lit(photo: Photo) -> str | None:
    """Say that the picture is too dark or too bright, and what to do; None if it is neither."""
    counts = cv2.calcHist([photo.grey8()], [0], None, [256], [0, 256]).ravel()
    share = counts / counts.sum()
    dark = float(share[photo.light_of_grey8() < DARK_LIGHT].sum())
    if dark > DARK_SHARE:
        return (
            f"the picture is too dark: {dark:.0%} of it has less than {DARK_LIGHT:.0%} of full "
            "light; bring more light, or expose more"
        )
    burnt = float(share[np.arange(256) >= CLIPPED_LEVEL * 255].sum())
    if burnt > BURNT_SHARE:
        return f"the picture is too bright: {burnt:.0%} of it is burnt out; expose less"
    return None
