"""What the beam, the detector and the screen do to line integrals on their way to a picture.

In this order: hardening of the beam, blur of the detector, scatter, counted photons, logarithm or intensity, window and
grey levels, polarity, round field. Sizes are on the detector unless said otherwise. Magnitudes are common practice,
no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from cotyle.space.arrays import Array
from scipy import ndimage

Grey = npt.NDArray[np.uint16]
Mask = npt.NDArray[np.bool_]

REFERENCE_PIXEL_MM = 0.4
LEAST_OPEN_PHOTONS = 3000.0
"""Of the open beam on a pixel of 0.4 mm; exposure control raises it for a thick patient."""
SCATTER_SPREAD_MM = 45.0
OPEN_BEAM = 0.2
"""Share of the open beam above which a pixel is taken for one beside the body; it burns out."""


@dataclass(frozen=True)
class Physics:
    """hardening: c of p - c p^2; blur_mm: one standard deviation; scatter: share of the primary's mean.

    body_photons: how many the exposure control lets through the middle of the body, on a pixel of 0.4 mm.
    """

    hardening: float = 0.02
    blur_mm: float = 0.3
    scatter: float = 0.0
    body_photons: float = 100.0


@dataclass(frozen=True)
class Screen:
    """How a picture is shown: logarithm or intensity, ends of the window in percent, exponent, bits, polarity.

    spares_metal: the window is set without the metal, which then burns out.
    """

    logarithm: bool = True
    low_percent: float = 2.0
    high_percent: float = 99.5
    exponent: float = 1.0
    bits: int = 8
    bone_light: bool = True
    round_field: bool = True
    spares_metal: bool = True


def hardened(integrals: Array, coefficient: float) -> Array:
    """Return p - c p^2 for small p, levelling off at 1 / (2 c) so that more matter never looks like less."""
    if coefficient == 0:
        return integrals
    return np.asarray(-np.expm1(-2.0 * coefficient * integrals) / (2.0 * coefficient))


def counted(integrals: Array, pitch_mm: float, physics: Physics, rng: np.random.Generator) -> Array:
    """Return counted photons over those of the open beam, at least half a photon."""
    clean = np.exp(-hardened(np.asarray(integrals, dtype=float), physics.hardening))
    primary = ndimage.gaussian_filter(clean, physics.blur_mm / pitch_mm, mode="nearest", truncate=3.0)
    if physics.scatter > 0:
        primary = primary + physics.scatter * _spread(primary, SCATTER_SPREAD_MM / pitch_mm)
    size = (pitch_mm / REFERENCE_PIXEL_MM) ** 2
    behind = float(np.median(primary[primary < 0.5])) if (primary < 0.5).any() else 1.0
    photons = size * max(LEAST_OPEN_PHOTONS, physics.body_photons / behind)
    return np.asarray(np.maximum(rng.poisson(primary * photons), 0.5) / photons)


def _spread(primary: Array, sigma_px: float) -> Array:
    """Blur widely on every eighth pixel: scatter is smooth. The open beam scatters nothing."""
    rows, columns = primary.shape
    coarse = np.minimum(primary, 0.3)[::8, ::8]
    smooth = ndimage.gaussian_filter(coarse, sigma_px / 8.0, mode="nearest")
    wide = ndimage.zoom(smooth, 8, order=1, mode="nearest", grid_mode=True)
    return np.asarray(wide[:rows, :columns])


def field_mask(shape: tuple[int, int], round_field: bool) -> Mask:
    """Return the pixels of the detector that see the beam: its largest circle, or all but collimated margins of 3 %."""
    rows, columns = shape
    down, across = np.ogrid[:rows, :columns]
    down, across = down - (rows - 1) / 2.0, across - (columns - 1) / 2.0
    if round_field:
        return np.asarray(np.hypot(down, across) <= min(rows, columns) / 2.0 - 1.0)
    return np.asarray((np.abs(down) < 0.47 * rows) & (np.abs(across) < 0.47 * columns))


def shown(intensity: Array, field: Mask, screen: Screen, metal: Mask | None = None) -> Grey:
    """Return the grey levels on the screen; black outside the field, whatever the polarity.

    The window is set on the middle of the field, without the open beam, and without the ``metal`` where the screen
    spares it.
    """
    value = -np.log(intensity) if screen.logarithm else -intensity
    # a window is chosen on what the eye sees, not on single pixels of noise
    left_out = intensity > OPEN_BEAM
    if metal is not None and screen.spares_metal:
        left_out |= metal
    seen = ndimage.uniform_filter(value, 5)[_measuring_field(field, left_out)]
    low, high = np.percentile(seen[::7], [screen.low_percent, screen.high_percent])
    light = np.clip((value - low) / max(high - low, 1e-9), 0.0, 1.0) ** screen.exponent
    if not screen.bone_light:
        light = 1.0 - light
    levels = 2**screen.bits - 1
    return np.where(field, np.rint(levels * light), 0).astype(np.uint16)


def _measuring_field(field: Mask, left_out: Mask) -> Mask:
    rows, columns = field.shape
    middle = np.zeros_like(field)
    middle[round(0.15 * rows) : round(0.85 * rows), round(0.15 * columns) : round(0.85 * columns)] = True
    plain = field & middle & ~left_out
    return plain if plain.mean() > 0.05 else field


def attenuation_of(grey: Grey, field: Mask, screen: Screen) -> npt.NDArray[np.float32]:
    """Return the picture so that larger means more matter, 0 to 1; 0 outside the field."""
    light = grey.astype(np.float32) / np.float32(2**screen.bits - 1)
    return np.where(field, light if screen.bone_light else 1.0 - light, 0.0).astype(np.float32)


def retractor_shadows(
    shape: tuple[int, int], hip_px: Array, px_per_mm: float, count: int, rng: np.random.Generator
) -> Array:
    """Return the line integrals of bent metal bars that reach from the edge of the field to the wound.

    px_per_mm: pixels for a millimetre at the hip. Bars are 10 to 15 mm wide there, with soft edges of 0.5 mm, and end
    25 to 45 mm from the hip.
    """
    rows, columns = shape
    total = np.zeros(shape)
    for _ in range(count):
        angle = rng.uniform(0.0, 2.0 * np.pi)
        out = np.array([np.cos(angle), np.sin(angle)])
        side = np.array([-out[1], out[0]])
        tip = hip_px + rng.uniform(25.0, 45.0) * px_per_mm * out
        far = hip_px + 1.2 * max(rows, columns) * out + rng.uniform(-40.0, 40.0) * px_per_mm * side
        bend = 0.6 * tip + 0.4 * far + rng.uniform(-25.0, 25.0) * px_per_mm * side
        t = np.linspace(0.0, 1.0, 25)[:, None]
        curve = (1 - t) ** 2 * tip + 2 * t * (1 - t) * bend + t**2 * far
        apart = _distance_to(curve, shape) / px_per_mm
        half = rng.uniform(5.0, 7.5)
        total += rng.uniform(1.5, 5.0) / (1.0 + np.exp(np.minimum((apart - half) / 0.25, 50.0)))
    return total


def _distance_to(curve: Array, shape: tuple[int, int], step: int = 4) -> Array:
    """Distance in pixels to a polyline (n, 2) of (column, row), worked out on every fourth pixel."""
    rows, columns = (int(np.ceil(n / step)) + 1 for n in shape)
    down, across = np.meshgrid(np.arange(rows) * step, np.arange(columns) * step, indexing="ij")
    points = np.stack([across, down], axis=-1).reshape(-1, 2).astype(float)
    nearest = np.full(len(points), np.inf)
    for begin, end in pairwise(curve):
        way = end - begin
        t = np.clip((points - begin) @ way / (way @ way), 0.0, 1.0)
        nearest = np.minimum(nearest, np.linalg.norm(points - begin - t[:, None] * way, axis=1))
    coarse = nearest.reshape(rows, columns)
    at_rows, at_columns = np.arange(shape[0]) / step, np.arange(shape[1]) / step
    first_row, first_column = at_rows.astype(int), at_columns.astype(int)
    b, a = (at_rows - first_row)[:, None], at_columns - first_column
    upper, lower = (
        coarse[first_row + n][:, first_column] * (1 - a) + coarse[first_row + n][:, first_column + 1] * a
        for n in (0, 1)
    )
    return np.asarray(upper * (1 - b) + lower * b)
