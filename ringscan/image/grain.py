"""Noise and moiré on the face, from small squares of the picture's own pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ringscan.image.bands import BAND_MM
from ringscan.image.face import FaceView
from ringscan.image.photo import Photo
from ringscan.plan import Plan

PATCH_MM = 4.0
"""Some twenty layers: a height that is off by 0.3 % shifts their phase by little over that."""
MIN_PATCH_PX = 16
ACROSS, UP = 4, 6
"""Patches over the face's width and height."""
MARGIN = 0.1
"""Share of the face that is left out at its edges."""
FINE_PER_PX = 0.25
"""Only noise and fine texture are left above this spatial frequency, cycles per px."""
MAX_LIGHT = 0.9
"""Brighter patches may be clipped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Grain:
    """What pixels add to the face's light, relative to it.

    noise : standard deviation of one pixel
    px_per_layer : how far apart layer lines are seen; below 2 they alias
    moire : contrast of aliased layer lines that averaging over a layer band leaves; 0 if none can
    """

    noise: float
    px_per_layer: float
    moire: float


def measure_grain(photo: Photo, view: FaceView, plan: Plan) -> Grain | None:
    """Measure noise and moiré; None if no part of the face is lit and large enough."""
    found = []
    layer_mm = plan.size.layer_height_mm
    for s in view.width_mm * _spread(ACROSS):
        for z in view.height_mm * _spread(UP):
            patch = _Patch.at(photo, view, float(s), float(z))
            if patch is not None:
                found.append((patch.noise, *patch.moire(layer_mm)))
    if not found:
        return None
    noise, per_px, moire = np.array(found).T
    return Grain(
        noise=float(np.median(noise)),
        px_per_layer=float(np.median(per_px)),
        moire=float(np.median(moire)),
    )


def _spread(count: int) -> NDArray[np.float64]:
    return MARGIN + (1 - 2 * MARGIN) * (np.arange(count) + 0.5) / count


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Patch:
    """A square of pixels on the face.

    relative : light over its mean, less 1, (n, n)
    window : Hann's, (n, n)
    slope : mm along s and z per px along x and y, (2, 2)
    """

    relative: NDArray[np.float64]
    window: NDArray[np.float64]
    slope: NDArray[np.float64]

    @classmethod
    def at(cls, photo: Photo, view: FaceView, s_mm: float, z_mm: float) -> _Patch | None:
        size = round(PATCH_MM * view.px_per_mm)
        here, along, up = view.to_px(
            np.array([s_mm, s_mm + 1, s_mm]), np.array([z_mm, z_mm, z_mm + 1])
        )
        x, y = np.round(here - size / 2).astype(int).tolist()
        inside = x >= 0 and y >= 0 and x + size <= photo.width_px and y + size <= photo.height_px
        if size < MIN_PATCH_PX or not inside:
            return None
        light = photo.linear(slice(y, y + size), slice(x, x + size)).astype(np.float64)
        mean = float(light.mean())
        if not 0 < mean < MAX_LIGHT:
            return None
        hann = np.hanning(size + 2)[1:-1]
        return cls(
            relative=light / mean - 1,
            window=np.outer(hann, hann),
            slope=np.linalg.inv(np.column_stack([along - here, up - here])),
        )

    @property
    def noise(self) -> float:
        """Standard deviation of what is left at fine frequencies.

        By the median of the power, which the lines of layers do not move; that of white noise
        is exponential, with ln 2 as its median over its mean.
        """
        power = np.abs(np.fft.fft2(self.relative * self.window)) ** 2
        per_px = np.abs(np.fft.fftfreq(len(power)))
        fine = np.maximum.outer(per_px, per_px) > FINE_PER_PX
        return math.sqrt(
            float(np.median(power[fine])) / math.log(2) / float((self.window**2).sum())
        )

    def moire(self, layer_mm: float) -> tuple[float, float]:
        """Pixels per layer, and contrast of aliased layer lines in a band's mean.

        At the pixels' centres an aliased wave and the true one have the same values: so its
        contrast is that of a wave with the layers' own spacing.
        """
        per_px = self.slope[1] / layer_mm  # layers per px along x and y
        apart = 1 / float(np.linalg.norm(per_px))
        if np.abs(per_px).max() < 0.5:
            return apart, 0.0
        at = np.arange(len(self.relative))
        wave = np.exp(2j * np.pi * (per_px[0] * at[None, :] + per_px[1] * at[:, None]))
        size = 2 * abs(complex((self.relative * self.window * wave).sum())) / self.window.sum()
        seen = (per_px - np.round(per_px)) @ np.linalg.inv(self.slope)  # cycles per mm of s and z
        return apart, float(size) * abs(float(np.sinc(seen[1] * BAND_MM)))
