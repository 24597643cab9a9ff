"""Reading a volume between its voxels."""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

from cotyle.image.volume import Volume

AIR_HU = -1000.0


# Fewer points than this are read by one thread: handing them out would cost more than reading them, and far more on a
# machine whose cores are busy.
_WORTH_SHARING = 20_000


def sample(volume: Volume, points_lps_mm: npt.ArrayLike, outside: float = AIR_HU) -> npt.NDArray[np.float32]:
    """Return trilinear values at LPS points of any shape (..., 3); ``outside`` beyond the outermost centres
    and where a coordinate is not a number.
    """
    points = np.asarray(points_lps_mm, dtype=np.float64)
    flat = np.ascontiguousarray(points.reshape(-1, 3))
    read = _read_all if len(flat) < _WORTH_SHARING else _read_shared
    return np.asarray(read(volume.voxels, volume.lps_to_ijk, flat, np.float32(outside))).reshape(points.shape[:-1])


@numba.njit(cache=True)
def value_at(voxels, lps_to_ijk, x, y, z, outside):  # type: ignore[no-untyped-def]
    """Trilinear value at one place, for compiled loops; ``outside`` is a 32-bit float."""
    nk, nj, ni = voxels.shape
    fi = lps_to_ijk[0, 0] * x + lps_to_ijk[0, 1] * y + lps_to_ijk[0, 2] * z + lps_to_ijk[0, 3]
    fj = lps_to_ijk[1, 0] * x + lps_to_ijk[1, 1] * y + lps_to_ijk[1, 2] * z + lps_to_ijk[1, 3]
    fk = lps_to_ijk[2, 0] * x + lps_to_ijk[2, 1] * y + lps_to_ijk[2, 2] * z + lps_to_ijk[2, 3]
    # asked this way round a place that is not a number lies outside, too
    if not (fi >= 0 and fj >= 0 and fk >= 0 and fi <= ni - 1 and fj <= nj - 1 and fk <= nk - 1):
        return outside
    i, j, k = min(int(fi), max(ni - 2, 0)), min(int(fj), max(nj - 2, 0)), min(int(fk), max(nk - 2, 0))
    i1, j1, k1 = min(i + 1, ni - 1), min(j + 1, nj - 1), min(k + 1, nk - 1)
    a, b, c = fi - i, fj - j, fk - k
    low = (voxels[k, j, i] * (1 - a) + voxels[k, j, i1] * a) * (1 - b) + (
        voxels[k, j1, i] * (1 - a) + voxels[k, j1, i1] * a
    ) * b
    high = (voxels[k1, j, i] * (1 - a) + voxels[k1, j, i1] * a) * (1 - b) + (
        voxels[k1, j1, i] * (1 - a) + voxels[k1, j1, i1] * a
    ) * b
    return np.float32(low * (1 - c) + high * c)


@numba.njit(cache=True, nogil=True)
def _read_all(voxels, lps_to_ijk, points, outside):  # type: ignore[no-untyped-def]
    values = np.empty(len(points), dtype=np.float32)
    for n in range(len(points)):
        values[n] = value_at(voxels, lps_to_ijk, points[n, 0], points[n, 1], points[n, 2], outside)
    return values


@numba.njit(parallel=True, cache=True)
def _read_shared(voxels, lps_to_ijk, points, outside):  # type: ignore[no-untyped-def]
    values = np.empty(len(points), dtype=np.float32)
    for n in numba.prange(len(points)):
        values[n] = value_at(voxels, lps_to_ijk, points[n, 0], points[n, 1], points[n, 2], outside)
    return values
