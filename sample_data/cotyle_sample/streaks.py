"""Streaks of metal in CT: what beam hardening and starved detectors do to the reconstruction.

Each axial slice with metal is projected in parallel beams; the error of each ray grows with the square of the metal
it crossed (beam hardening; De Man and others, IEEE Trans Nucl Sci 1999;46:691, cited from memory) and its noise with
the exponential of it; the errors alone are reconstructed by filtered backprojection and added to the slice.
"""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt
from cotyle.space.arrays import Array

ANGLES = 180
HARDENING_PER_MM = 0.0016
WATER_PER_MM = 0.02
NOISE_MM = 0.6


def add_streaks(
    hu: npt.NDArray[np.float32],
    metal_hu: npt.NDArray[np.float32],
    spacing_mm: Array,
    rng: np.random.Generator,
    strength: float = 1.0,
) -> None:
    """Add streaks to HU values (k, j, i) in place; ``metal_hu`` is 0 where there is no metal.

    A ray through two pieces of metal errs by more than the sum of the two: that makes the dark band between them. No
    ray loses more than it met.
    """
    _, nj, ni = hu.shape
    step = 2
    half_j, half_i = (nj + 1) // step, (ni + 1) // step
    bins = int(np.ceil(np.hypot(half_j, half_i))) + 4
    frequency = np.abs(np.fft.rfftfreq(2 * bins))
    window = frequency * np.cos(np.pi * np.clip(frequency, 0, 0.5)) ** 2
    pixel = float(spacing_mm[0]) * step
    for k in np.flatnonzero(metal_hu.any(axis=(1, 2))):
        coarse = np.zeros((half_j, half_i), dtype=np.float32)
        part = metal_hu[k][: half_j * step, : half_i * step]
        padded = np.zeros((half_j * step, half_i * step), dtype=np.float32)
        padded[: part.shape[0], : part.shape[1]] = part
        coarse[:] = padded.reshape(half_j, step, half_i, step).mean(axis=(1, 3)) / 1000.0
        rays = np.zeros((ANGLES, bins), dtype=np.float32)
        _project(coarse, rays, pixel)
        starved = NOISE_MM * np.minimum(np.exp(0.5 * WATER_PER_MM * rays) - 1.0, 60.0)
        lost = np.minimum(HARDENING_PER_MM * rays**2, rays)
        error = strength * (-lost + starved * rng.standard_normal(rays.shape))
        filtered = np.fft.irfft(np.fft.rfft(error, 2 * bins, axis=1) * window, axis=1)[:, :bins].astype(np.float32)
        _backproject(hu[k], metal_hu[k], filtered, step, np.float32(1000.0 * np.pi / (ANGLES * pixel)))


@numba.njit(cache=True, fastmath=True)
def _project(coarse, rays, pixel):  # type: ignore[no-untyped-def]
    nj, ni = coarse.shape
    middle = 0.5 * rays.shape[1]
    for j in range(nj):
        for i in range(ni):
            if coarse[j, i] > 0:
                for a in range(rays.shape[0]):
                    angle = np.pi * a / rays.shape[0]
                    s = (i - 0.5 * ni) * np.cos(angle) + (j - 0.5 * nj) * np.sin(angle) + middle
                    n = int(s)
                    rays[a, n] += coarse[j, i] * (1.0 - (s - n)) * pixel
                    rays[a, n + 1] += coarse[j, i] * (s - n) * pixel


@numba.njit(parallel=True, cache=True, fastmath=True)
def _backproject(hu, metal, filtered, step, scale):  # type: ignore[no-untyped-def]
    nj, ni = hu.shape
    count, bins = filtered.shape
    half_i, half_j = (ni + 1) // step, (nj + 1) // step
    cosines, sines = np.empty(count, dtype=np.float32), np.empty(count, dtype=np.float32)
    for a in range(count):
        cosines[a], sines[a] = np.cos(np.pi * a / count), np.sin(np.pi * a / count)
    for j in numba.prange(nj):
        y = (j + 0.5) / step - 0.5 - 0.5 * half_j
        for i in range(ni):
            if hu[j, i] < -900.0 or metal[j, i] > 0:
                continue
            x = (i + 0.5) / step - 0.5 - 0.5 * half_i
            total = np.float32(0.0)
            for a in range(count):
                s = x * cosines[a] + y * sines[a] + 0.5 * bins
                n = int(s)
                if 0 <= n < bins - 1:
                    total += filtered[a, n] * (n + 1 - s) + filtered[a, n + 1] * (s - n)
            hu[j, i] += scale * total
