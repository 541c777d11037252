"""Pictures made smaller by halves, without moiré: much faster than by any other measure."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def shrunk(grey: NDArray[np.uint8], most: float) -> tuple[NDArray[np.uint8], float]:
    """The picture halved as often as makes it at most `most` times smaller, and its relative size.

    Pixel (0, 0) of the result covers several of the picture: point x is at (x + 0.5) * relative
    size - 0.5 there.
    """
    small, size = grey, 1.0
    while size * most >= 2:
        small = np.asarray(cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
        size /= 2
    return small, size
