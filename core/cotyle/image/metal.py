"""Metal in a CT: where it is, and how near to it densities stop being believable."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import numpy.typing as npt
import SimpleITK as sitk

from cotyle.image.sampling import sample
from cotyle.image.sitk_bridge import from_sitk, to_sitk
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

# Denser than any bone, below the 3071 HU at which 12-bit scanners clip; common practice, no source.
METAL_FROM_HU = 2200
# Smaller specks are calcifications or noise.
LEAST_METAL_MM3 = 100.0
# Densities count for nothing up to the first distance from metal and fully from the second, mm.
BLIND_MM, CLEAR_MM = 2.0, 5.0


@dataclass(frozen=True, eq=False)
class Metal:
    """Metal in a scan.

    ``mask`` (uint8, 1 is metal), ``numbers`` (uint16, number of the connected piece, 0 is none, 1 the largest) and
    ``distance`` (mm to it, negative inside) cover the metal with a margin only; beyond them everything is farther than
    ``CLEAR_MM``.
    """

    mask: Volume
    numbers: Volume
    distance: Volume
    volume_ml: float
    pieces: int

    def piece_at(self, points_lps_mm: Array) -> npt.NDArray[np.int64]:
        """Return for points (n, 3) the number of the piece of metal they lie in, 0 for none."""
        ijk = np.round(self.numbers.to_ijk(points_lps_mm)).astype(int)
        inside = ((ijk >= 0) & (ijk < self.numbers.size)).all(axis=1)
        found = np.zeros(len(ijk), dtype=np.int64)
        i, j, k = ijk[inside].T
        found[inside] = self.numbers.voxels[k, j, i]
        return found

    def belief(self, points_lps_mm: Array) -> Array:
        """Return for points (n, 3) how far densities there are to be believed, 0 to 1."""
        away = sample(self.distance, points_lps_mm, outside=CLEAR_MM)
        return np.clip((away.astype(np.float64) - BLIND_MM) / (CLEAR_MM - BLIND_MM), 0.0, 1.0)


def find_metal(volume: Volume) -> Metal | None:
    """Return the metal in a scan, or None if there is none to speak of."""
    low, high = _bounds_above(volume.voxels, METAL_FROM_HU)
    if high[0] < 0:
        return None
    margin = np.ceil((CLEAR_MM + 2.0) / volume.spacing_mm).astype(int)
    part = volume.cropped(low[::-1] - margin, high[::-1] + 1 + margin)
    bright = to_sitk(part.with_voxels((part.voxels > METAL_FROM_HU).astype(np.uint8)))
    pieces = sitk.RelabelComponent(
        sitk.ConnectedComponent(bright, True), minimumObjectSize=int(np.ceil(LEAST_METAL_MM3 / volume.voxel_volume_mm3))
    )
    mask = sitk.Cast(pieces > 0, sitk.sitkUInt8)
    voxels = sitk.GetArrayViewFromImage(mask)
    count = int(voxels.sum())
    if count == 0:
        return None
    distance = sitk.SignedMaurerDistanceMap(mask, squaredDistance=False, useImageSpacing=True, insideIsPositive=False)
    return Metal(
        from_sitk(mask),
        from_sitk(sitk.Cast(pieces, sitk.sitkUInt16)),
        from_sitk(distance),
        count * volume.voxel_volume_mm3 / 1000.0,
        int(sitk.GetArrayViewFromImage(pieces).max()),
    )


def without_metal(volume: Volume, metal: Metal, filling_hu: float = 0.0) -> Volume:
    """Return a copy in which the metal and its blind surroundings have one soft density."""
    voxels = volume.voxels.copy()
    low = np.round(volume.to_ijk(metal.mask.to_lps((0, 0, 0)))).astype(int)
    i, j, k = metal.mask.size
    window = voxels[low[2] : low[2] + k, low[1] : low[1] + j, low[0] : low[0] + i]
    window[metal.distance.voxels < BLIND_MM] = filling_hu
    return volume.with_voxels(voxels)


def _bounds_above(voxels: npt.NDArray[Any], threshold: float) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Lowest and highest (k, j, i) of voxels above a threshold; the highest is -1 where there is none."""
    highest = _slice_maxima(voxels)
    low, high = np.zeros(3, dtype=int), np.full(3, -1)
    if highest.max() <= threshold:
        return low, high
    slices = np.flatnonzero(highest > threshold)
    bright = voxels[slices[0] : slices[-1] + 1] > threshold
    low[0], high[0] = slices[0], slices[-1]
    for axis, others in ((1, (0, 2)), (2, (0, 1))):
        filled = np.flatnonzero(bright.any(axis=others))
        low[axis], high[axis] = filled[0], filled[-1]
    return low, high


@numba.njit(parallel=True, cache=True)
def _slice_maxima(voxels):  # type: ignore[no-untyped-def]
    highest = np.empty(voxels.shape[0])
    for k in numba.prange(voxels.shape[0]):
        highest[k] = voxels[k].max()
    return highest
