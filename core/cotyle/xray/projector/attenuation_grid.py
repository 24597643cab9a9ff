"""What each voxel of a scan attenuates: the scan's own 16-bit numbers, and a table from number to mu.

A CT stands as it is, without a second copy: its numbers are HU and the table is the curve's. Parts of it (bone alone,
one bone by a mask) and coarser copies take the same form, so that every projector reads them alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.xray.attenuation import LOWEST_HU, AttenuationCurve, attenuation_curve
from cotyle.xray.projector.threads import in_threads

_MOST = -LOWEST_HU - 1
_ENTRIES = -2 * LOWEST_HU


@dataclass(frozen=True, eq=False)
class AttenuationGrid:
    """Numbers on a grid and the mu that each stands for.

    Parameters
    ----------
    volume:
        int16; in a coarser copy the numbers are not HU.
    mu_of_number:
        float32, shape (65536,): 1/mm for each number from -32768; the first is 0 (air).
    mu_of_water:
        1/mm; what rounding to 8 bits is measured by. 0 if the curve knows no water.
    """

    volume: Volume
    mu_of_number: npt.NDArray[np.float32]
    mu_of_water: float


def attenuation_grid(
    volume: Volume,
    curve: AttenuationCurve | None = None,
    bone_above_hu: float | None = None,
    within: npt.NDArray[np.bool_] | None = None,
) -> AttenuationGrid:
    """Return what a CT attenuates, all of it or a part.

    Parameters
    ----------
    volume:
        HU; rounded to 16-bit integers if it holds others.
    curve:
        HU to mu; :func:`~cotyle.xray.attenuation.attenuation_curve` by default.
    bone_above_hu:
        If given, all below counts nothing.
    within:
        If given, shape of the voxels: all where it is False counts nothing. The rest is copied, cut to its box.

    Raises
    ------
    InputError
        ``projector-mask`` if the mask has another shape or is empty.
    """
    known = attenuation_curve() if curve is None else curve
    table = known.table
    if bone_above_hu is not None:
        table[: int(np.ceil(bone_above_hu)) - LOWEST_HU] = 0.0
    table[0] = 0.0
    if within is not None:
        volume = _kept(volume, within)
    return AttenuationGrid(volume.with_voxels(as_int16(volume.voxels)), table, float(known(0.0)))


def coarser(grid: AttenuationGrid, voxel_mm: float) -> AttenuationGrid:
    """Return the mean mu over blocks of whole voxels about ``voxel_mm`` wide.

    A block that sticks out at the far end is filled up with air, so that what a ray adds up stays.
    """
    volume = grid.volume
    factors = np.clip(np.rint(voxel_mm / volume.spacing_mm), 1, volume.size).astype(int)
    if (factors == 1).all():
        return grid
    memory, steps = in_memory(volume.voxels)
    counts = np.array(volume.size)
    mean = np.zeros((-(-counts // factors))[::-1], dtype=np.float32)
    in_threads(_add_mean_mu, memory, steps, counts, grid.mu_of_number, factors, mean)
    per_number = max(float(mean.max()), 1e-9) / (_ENTRIES - 1)
    numbers = (np.rint(mean / per_number) + LOWEST_HU).astype(np.int16)
    scale = np.diag([*factors.astype(float), 1.0])
    scale[:3, 3] = (factors - 1) / 2.0
    table = (np.arange(_ENTRIES) * per_number).astype(np.float32)
    return AttenuationGrid(Volume(numbers, volume.ijk_to_lps @ scale), table, grid.mu_of_water)


def as_int16(voxels: npt.NDArray[Any]) -> npt.NDArray[np.int16]:
    """Return 16-bit integers as they are, other numbers (or a flipped order in memory) rounded and clipped to them."""
    if voxels.dtype == np.int16 and min(voxels.strides) > 0:
        return voxels
    rounded = voxels if np.issubdtype(voxels.dtype, np.integer) else np.rint(voxels)
    return np.ascontiguousarray(np.clip(rounded, LOWEST_HU, _MOST), dtype=np.int16)


def in_memory(voxels: npt.NDArray[np.int16]) -> tuple[npt.NDArray[np.int16], npt.NDArray[np.int64]]:
    """Return the stretch of memory that voxels lie in, and its steps along i, j, k.

    So one compiled loop serves every order of axes, and parts of a larger array.
    """
    k_step, j_step, i_step = (step // voxels.itemsize for step in voxels.strides)
    last = sum((count - 1) * step for count, step in zip(voxels.shape, voxels.strides, strict=True))
    shape, strides = (last // voxels.itemsize + 1,), (voxels.itemsize,)
    memory = np.lib.stride_tricks.as_strided(voxels, shape=shape, strides=strides, writeable=False)
    return memory, np.array([i_step, j_step, k_step], dtype=np.int64)


def _kept(volume: Volume, within: npt.NDArray[np.bool_]) -> Volume:
    """Return the box round a mask with a border, air outside the mask."""
    if within.shape != volume.voxels.shape or not within.any():
        raise InputError(
            "projector-mask",
            f"the mask must have the scan's shape {volume.voxels.shape} and hold something, got {within.shape}",
        )
    used = [np.flatnonzero(within.any(axis=others)) for others in ((1, 2), (0, 2), (0, 1))]
    low, high = ([int(each[end]) for each in used[::-1]] for end in (0, -1))
    low, high = [n - 1 for n in low], [n + 2 for n in high]
    part = volume.cropped(low, high)
    mask = Volume(within, volume.ijk_to_lps).cropped(low, high)
    return part.with_voxels(np.where(mask.voxels, as_int16(part.voxels), np.int16(LOWEST_HU)))


@numba.njit(cache=True, nogil=True)
def _add_mean_mu(memory, steps, counts, mu_of_number, factors, means, start, stride):  # type: ignore[no-untyped-def]
    fi, fj, fk = factors[0], factors[1], factors[2]
    share = np.float32(1.0 / (fi * fj * fk))
    for block in range(start, means.shape[0], stride):
        for k in range(block * fk, min((block + 1) * fk, counts[2])):
            for j in range(counts[1]):
                at = k * steps[2] + j * steps[1]
                for i in range(counts[0]):
                    means[block, j // fj, i // fi] += share * mu_of_number[np.int64(memory[at]) + 32768]
                    at += steps[0]
