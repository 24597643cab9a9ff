"""From line integrals to a picture on a screen: polarity, window, exposure, noise and the round field."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array


class Polarity(StrEnum):
    """Which way round grey means attenuation."""

    BONE_LIGHT = "bone_light"
    """As on a film: what stops X-rays is white."""
    BONE_DARK = "bone_dark"
    """As on a fluoroscopic screen that shows the beam: what stops X-rays is black."""


class Scale(StrEnum):
    """What grey is proportional to."""

    LOG = "log"
    """The line integral, -log(I / I0): equal thickness makes equal steps."""
    INTENSITY = "intensity"
    """The transmitted intensity I / I0: thin parts burn out, thick ones drown."""


@dataclass(frozen=True)
class Display:
    """How a picture is shown.

    Parameters
    ----------
    polarity, scale:
        Always stated beside the picture.
    window:
        Line integrals that become the two ends of the grey scale, low and high; None takes the 2nd and 99.8th
        percentile of the body within the field.
    photons_per_pixel:
        Exposure: photons that reach a pixel of the open beam; None for a picture without noise. Their count is
        Poisson distributed, as is a detector's that counts; scatter and electronic noise are left out.
    round_field:
        Black beyond the largest circle on the detector, as an image intensifier shows.
    """

    polarity: Polarity = Polarity.BONE_LIGHT
    scale: Scale = Scale.LOG
    window: tuple[float, float] | None = None
    photons_per_pixel: float | None = None
    round_field: bool = False


def render(line_integrals: npt.ArrayLike, display: Display | None = None, seed: int = 0) -> npt.NDArray[np.uint8]:
    """Return 8-bit grey of line integrals of shape (rows, columns).

    ``seed`` sets the noise: the same seed makes the same picture.

    Raises
    ------
    InputError
        ``window`` for a window without width, ``exposure`` for photons that are not positive, ``picture`` for values
        that make no picture.
    """
    how = Display() if display is None else display
    values = np.asarray(line_integrals, dtype=float)
    if values.ndim != 2 or not np.isfinite(values).all():
        raise InputError("picture", "line integrals must be finite numbers on rows and columns")
    field = round_field_mask(values.shape) if how.round_field else np.ones(values.shape, dtype=bool)
    low, high = _window(values[field], how.window)
    if how.photons_per_pixel is not None:
        values = with_noise(values, how.photons_per_pixel, seed)
    if how.scale is Scale.LOG:
        light = (values - low) / (high - low)
    else:
        light = (np.exp(-low) - np.exp(-values)) / (np.exp(-low) - np.exp(-high))
    light = np.clip(light, 0.0, 1.0)
    if how.polarity is Polarity.BONE_DARK:
        light = 1.0 - light
    return np.where(field, np.rint(255.0 * light), 0).astype(np.uint8)


def with_noise(line_integrals: npt.ArrayLike, photons_per_pixel: float, seed: int) -> Array:
    """Return line integrals as measured with a finite number of photons; no pixel counts fewer than one."""
    if not (np.isfinite(photons_per_pixel) and photons_per_pixel > 0):
        raise InputError("exposure", f"an exposure of {photons_per_pixel} photons per pixel makes no picture")
    expected = photons_per_pixel * np.exp(-np.asarray(line_integrals, dtype=float))
    counted = np.maximum(np.random.default_rng(seed).poisson(expected), 1)
    return np.asarray(np.log(photons_per_pixel / counted))


def round_field_mask(shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Return which pixels lie within the largest circle on a detector of (rows, columns)."""
    rows, columns = shape
    down, across = np.ogrid[:rows, :columns]
    radius = min(rows, columns) / 2.0
    return np.asarray(np.hypot(down - (rows - 1) / 2.0, across - (columns - 1) / 2.0) <= radius)


def _window(values: Array, window: tuple[float, float] | None) -> tuple[float, float]:
    if window is None:
        body = values[values > 0.05 * values.max()] if values.max() > 0 else values
        low, high = np.percentile(body, [2.0, 99.8])
        if high - low < 1e-6:
            low, high = low - 0.5, low + 0.5
        return float(low), float(high)
    low, high = window
    if not (np.isfinite([low, high]).all() and high > low):
        raise InputError("window", f"a window from {low} to {high} has no width")
    return float(low), float(high)
