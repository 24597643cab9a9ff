"""Noise of a low dose: rays that cross the body the long way, from hip to hip, lose most of their photons.

Each axial slice is projected in parallel beams; the noise of a ray grows with the root of what it lost (Poisson), noise
alone is reconstructed by filtered backprojection and added. It runs in streaks along the longest way.
"""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt
from cotyle.space.arrays import Array

from cotyle_sample.streaks import WATER_PER_MM

ANGLES = 120
_STEP = 2  # the noise is laid in pixels twice as wide and interpolated
_MIDDLE_MM = 60.0


def add_starved_noise(hu: npt.NDArray[np.float32], spacing_mm: Array, size_hu: float, rng: np.random.Generator) -> None:
    """Add the noise to HU values (k, j, i) in place.

    ``size_hu`` is its standard deviation within 60 mm of the body's middle, in the tenth of the slices with the
    longest ways.
    """
    nk, nj, ni = hu.shape
    pixel_mm = float(spacing_mm[0]) * _STEP
    bins = int(np.ceil(np.hypot((nj + 1) // _STEP, (ni + 1) // _STEP))) + 4
    frequency = np.abs(np.fft.rfftfreq(2 * bins))
    window = frequency * np.cos(np.pi * np.clip(frequency, 0, 0.5)) ** 2
    noise = np.zeros((nk, (nj + 1) // _STEP, (ni + 1) // _STEP), dtype=np.float32)
    longest = np.zeros(nk)
    for k in range(nk):
        water = np.clip(hu[k, :: 2 * _STEP, :: 2 * _STEP] / 1000.0 + 1.0, 0.0, 3.0).astype(np.float32)
        ways = np.zeros((ANGLES, bins // 2 + 2), dtype=np.float32)
        _project(water, ways, 2.0 * pixel_mm)
        ways = np.repeat(ways, 2, axis=1)[:, :bins]
        longest[k] = ways.max()
        rays = np.exp(0.5 * WATER_PER_MM * ways) * rng.standard_normal(ways.shape)
        filtered = np.fft.irfft(np.fft.rfft(rays, 2 * bins, axis=1) * window, axis=1)[:, :bins]
        _backproject(noise[k], np.ascontiguousarray(filtered, dtype=np.float32))
    _, j, i = np.meshgrid([0], *(np.arange(n) - 0.5 * n for n in noise.shape[1:]), indexing="ij")
    middle = np.hypot(j, i)[0] * pixel_mm < _MIDDLE_MM
    chosen = np.argsort(longest)[-max(nk // 10, 1) :]
    noise *= np.float32(size_hu / noise[chosen][:, middle].std())
    _add(hu, noise)


@numba.njit(cache=True, fastmath=True)
def _project(water, ways, pixel_mm):  # type: ignore[no-untyped-def]
    nj, ni = water.shape
    middle = 0.5 * ways.shape[1]
    for a in range(ways.shape[0]):
        cosine, sine = np.cos(np.pi * a / ways.shape[0]), np.sin(np.pi * a / ways.shape[0])
        for j in range(nj):
            for i in range(ni):
                if water[j, i] > 0.05:
                    s = (i - 0.5 * ni) * cosine + (j - 0.5 * nj) * sine + middle
                    n = int(s)
                    ways[a, n] += water[j, i] * (1.0 - (s - n)) * pixel_mm
                    ways[a, n + 1] += water[j, i] * (s - n) * pixel_mm


@numba.njit(parallel=True, cache=True, fastmath=True)
def _backproject(noise, filtered):  # type: ignore[no-untyped-def]
    nj, ni = noise.shape
    count, bins = filtered.shape
    cosines, sines = np.empty(count, dtype=np.float32), np.empty(count, dtype=np.float32)
    for a in range(count):
        cosines[a], sines[a] = np.cos(np.pi * a / count), np.sin(np.pi * a / count)
    for j in numba.prange(nj):
        for a in range(count):
            first = np.float32(-0.5 * ni * cosines[a] + (j - 0.5 * nj) * sines[a] + 0.5 * bins)
            for i in range(ni):
                s = first + i * cosines[a]
                n = int(s)
                if 0 <= n < bins - 1:
                    noise[j, i] += filtered[a, n] * (n + 1 - s) + filtered[a, n + 1] * (s - n)


@numba.njit(parallel=True, cache=True, fastmath=True)
def _add(hu, noise):  # type: ignore[no-untyped-def]
    nk, nj, ni = hu.shape
    mj, mi = noise.shape[1:]
    for k in numba.prange(nk):
        for j in range(nj):
            y = min(max((j - 0.5) / 2.0, 0.0), mj - 1.001)
            b = y - int(y)
            for i in range(ni):
                if hu[k, j, i] < -800.0:
                    continue
                x = min(max((i - 0.5) / 2.0, 0.0), mi - 1.001)
                a = x - int(x)
                n, m = int(y), int(x)
                hu[k, j, i] += (1 - b) * ((1 - a) * noise[k, n, m] + a * noise[k, n, m + 1]) + b * (
                    (1 - a) * noise[k, n + 1, m] + a * noise[k, n + 1, m + 1]
                )
