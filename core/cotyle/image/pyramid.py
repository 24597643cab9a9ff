"""Smaller copies of a volume, each voxel the mean of a block, for searches that need not see every detail."""

from __future__ import annotations

from itertools import product
from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from cotyle.image.sampling import sample
from cotyle.image.volume import Volume


def block_mean(volume: Volume, target_mm: float) -> Volume:
    """Return the volume averaged over blocks of whole voxels about ``target_mm`` wide, float32.

    Voxels left over at the far ends, too few for a block, are dropped.
    """
    factors = np.clip(np.round(target_mm / volume.spacing_mm), 1, volume.size).astype(int)
    scale = np.diag([*factors.astype(float), 1.0])
    scale[:3, 3] = (factors - 1) / 2.0
    return Volume(_block_mean(volume.voxels, *(int(f) for f in factors)), volume.ijk_to_lps @ scale)


def upright(volume: Volume, spacing_mm: float, outside: float) -> Volume:
    """Resample on an even grid along left, posterior and superior that covers the whole volume, float32."""
    corners = volume.to_lps(np.array(list(product(*[(0, n - 1) for n in volume.size]))))
    low, high = corners.min(axis=0), corners.max(axis=0)
    ni, nj, nk = (np.floor((high - low) / spacing_mm).astype(int) + 1).tolist()
    affine = np.diag([spacing_mm, spacing_mm, spacing_mm, 1.0])
    affine[:3, 3] = low
    k, j, i = np.meshgrid(np.arange(nk), np.arange(nj), np.arange(ni), indexing="ij")
    points = low + spacing_mm * np.stack([i, j, k], axis=-1)
    return Volume(sample(volume, points, outside), affine)


@numba.njit(parallel=True, cache=True)
def _block_mean(voxels: npt.NDArray[Any], fi: int, fj: int, fk: int) -> npt.NDArray[np.float32]:
    nk, nj, ni = voxels.shape[0] // fk, voxels.shape[1] // fj, voxels.shape[2] // fi
    means = np.empty((nk, nj, ni), dtype=np.float32)
    for k in numba.prange(nk):
        row = np.empty(ni, dtype=np.float64)
        for j in range(nj):
            row[:] = 0.0
            for dk in range(fk):
                for dj in range(fj):
                    line = voxels[k * fk + dk, j * fj + dj]
                    for i in range(ni):
                        for di in range(fi):
                            row[i] += line[i * fi + di]
            for i in range(ni):
                means[k, j, i] = row[i] / (fi * fj * fk)
    return means
