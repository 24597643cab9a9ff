"""Metal in a CT: where it is, and how near to it densities stop being believable."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import numpy.typing as npt
import SimpleITK as sitk
from scipy.ndimage import find_objects

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
# Darker than fat, and yet no gas: so dark a voxel in a slice with metal lies in a band whose rays the metal starved.
STARVED_BELOW_HU = -250.0
# With this share of such voxels about it a place tells nothing.
STARVED_SHARE = 0.3
_STARVED_BLOCK = 4


@dataclass(frozen=True, eq=False)
class Metal:
    """Metal in a scan.

    ``mask`` (uint8, 1 is metal), ``numbers`` (uint16, number of the connected piece, 0 is none, 1 the largest) and
    ``distance`` (mm to it, negative inside) cover the metal with a margin only; beyond them everything is farther than
    ``CLEAR_MM``. ``starved`` (float32): share of voxels in the slices with metal, by blocks of a few, that are darker
    than any tissue.
    """

    mask: Volume
    numbers: Volume
    distance: Volume
    starved: Volume
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
        """Return for points (n, 3) how far densities there are to be believed, 0 to 1.

        Not at all within the metal's own blur and in bands that it starved of rays.
        """
        away = sample(self.distance, points_lps_mm, outside=CLEAR_MM).astype(np.float64)
        starved = sample(self.starved, points_lps_mm, outside=0.0).astype(np.float64)
        clear_of_blur = np.clip((away - BLIND_MM) / (CLEAR_MM - BLIND_MM), 0.0, 1.0)
        return np.asarray(clear_of_blur * np.clip(1.0 - starved / STARVED_SHARE, 0.0, 1.0))


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
    numbers = from_sitk(sitk.Cast(pieces, sitk.sitkUInt16))
    return Metal(
        from_sitk(mask),
        numbers,
        _distance_to(numbers, margin),
        _starved_share(volume, part),
        count * volume.voxel_volume_mm3 / 1000.0,
        int(numbers.voxels.max()),
    )


def without_metal(volume: Volume, metal: Metal, filling_hu: float = 0.0) -> Volume:
    """Return a copy in which the metal and its blind surroundings have one soft density."""
    voxels = volume.voxels.copy()
    low = np.round(volume.to_ijk(metal.mask.to_lps((0, 0, 0)))).astype(int)
    i, j, k = metal.mask.size
    window = voxels[low[2] : low[2] + k, low[1] : low[1] + j, low[0] : low[0] + i]
    window[metal.distance.voxels < BLIND_MM] = filling_hu
    return volume.with_voxels(voxels)


def _distance_to(numbers: Volume, margin: npt.NDArray[np.integer]) -> Volume:
    """Signed distance to the nearest piece, mm, right up to ``margin`` voxels (i, j, k); piece by piece, since pieces
    may lie far apart.
    """
    distance = np.full(numbers.voxels.shape, CLEAR_MM + 2.0, dtype=np.float32)
    for number, window in enumerate(find_objects(numbers.voxels), start=1):
        wide = tuple(
            slice(max(part.start - more, 0), part.stop + more) for part, more in zip(window, margin[::-1], strict=True)
        )
        mask = Volume((numbers.voxels[wide] == number).astype(np.uint8), numbers.ijk_to_lps)
        found = sitk.SignedMaurerDistanceMap(
            to_sitk(mask), squaredDistance=False, useImageSpacing=True, insideIsPositive=False
        )
        np.minimum(distance[wide], sitk.GetArrayViewFromImage(found), out=distance[wide])
    return numbers.with_voxels(distance)


def _starved_share(volume: Volume, part: Volume) -> Volume:
    """Share of too dark voxels by blocks within the slices of a part of the volume."""
    first = round(float(volume.to_ijk(part.to_lps((0, 0, 0)))[2]))
    slices = volume.voxels[first : first + part.size[2]]
    block = _STARVED_BLOCK
    nk, nj, ni = slices.shape[0], slices.shape[1] // block, slices.shape[2] // block
    share = np.zeros((nk, nj, ni), dtype=np.float32)
    for j in range(block):
        for i in range(block):
            share += slices[:, j : nj * block : block, i : ni * block : block] < STARVED_BELOW_HU
    share /= block**2
    coarse = np.diag([block, block, 1.0, 1.0])
    coarse[:3, 3] = 0.5 * (block - 1), 0.5 * (block - 1), first
    return Volume(share, volume.ijk_to_lps @ coarse)


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
