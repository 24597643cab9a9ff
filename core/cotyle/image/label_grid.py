"""Bringing a label map onto the grid of a CT, or saying that it belongs to another."""

from __future__ import annotations

from itertools import product

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

SAME_GRID_VOXELS = 0.1
"""Grids whose voxel centres agree within this share of a voxel are the same; headers are rounded."""


def onto_grid(labels: Volume, ct: Volume, name: str) -> Volume:
    """Return uint8 labels on the grid of the CT.

    A label map on the same lattice of voxels (also flipped, with swapped axes, or cropped) is taken over voxel by
    voxel. One on another lattice is read at the nearest voxel if it covers the CT.

    Raises
    ------
    InputError
        ``labels-geometry``.
    """
    on_lattice = _on_lattice(labels, ct)
    if on_lattice is not None:
        return _pasted(labels, ct, on_lattice, name)
    short_mm = _uncovered_mm(labels, ct)
    if short_mm > float(labels.spacing_mm.max()):
        raise _mismatch(labels, ct, name, f"it ends {short_mm:.0f} mm short of the CT")
    return _nearest(labels, ct)


def _on_lattice(labels: Volume, ct: Volume) -> npt.NDArray[np.int64] | None:
    """Return the whole-numbered 4x4 matrix from label indices to CT indices; None if there is none."""
    matrix = ct.lps_to_ijk @ labels.ijk_to_lps
    whole = np.round(matrix)
    if not (np.abs(whole[:3, :3]).sum(axis=0) == 1).all() or not (np.abs(whole[:3, :3]).sum(axis=1) == 1).all():
        return None
    off = np.abs(_corner_indices(labels.size) @ (matrix - whole).T).max()
    return whole.astype(np.int64) if off <= SAME_GRID_VOXELS else None


def _corner_indices(size: tuple[int, int, int]) -> Array:
    return np.array([[*corner, 1.0] for corner in product(*((0, n - 1) for n in size))])


def _pasted(labels: Volume, ct: Volume, matrix: npt.NDArray[np.int64], name: str) -> Volume:
    """Take labels over voxel by voxel; refuse if any labelled voxel lies outside the CT."""
    order = [int(np.abs(matrix[axis, :3]).argmax()) for axis in range(3)]  # label axis that runs along CT axis
    voxels = np.transpose(labels.voxels, [2 - order[2 - axis] for axis in range(3)])
    flips = [matrix[axis, order[axis]] < 0 for axis in range(3)]
    voxels = voxels[tuple(slice(None, None, -1 if flips[2 - axis] else 1) for axis in range(3))]
    ends = _corner_indices(labels.size).astype(np.int64) @ matrix.T
    low = ends[:, :3].min(axis=0)
    out = np.zeros(ct.voxels.shape, dtype=np.uint8)
    inside, source = [], []
    for axis in (2, 1, 0):
        start, end = max(low[axis], 0), min(low[axis] + voxels.shape[2 - axis], ct.size[axis])
        if end <= start:
            raise _mismatch(labels, ct, name, "the two do not overlap")
        inside.append(slice(int(start), int(end)))
        source.append(slice(int(start - low[axis]), int(end - low[axis])))
    part = voxels[tuple(source)]
    lost = int(np.count_nonzero(labels.voxels)) - int(np.count_nonzero(part))
    if lost:
        raise _mismatch(labels, ct, name, f"{lost} labelled voxels lie outside the CT")
    out[tuple(inside)] = part
    return ct.with_voxels(out)


def _uncovered_mm(labels: Volume, ct: Volume) -> float:
    """Return how far the CT's outermost voxel centres lie beyond the label map's outer faces."""
    centers = ct.to_lps(_corner_indices(ct.size)[:, :3])
    ijk = labels.to_ijk(centers)
    beyond = np.maximum(np.maximum(-0.5 - ijk, ijk - (np.array(labels.size) - 0.5)), 0.0)
    return float((beyond * labels.spacing_mm).max())


def _nearest(labels: Volume, ct: Volume) -> Volume:
    """Read the label map at the voxel nearest to each voxel centre of the CT, slice by slice."""
    matrix = labels.lps_to_ijk @ ct.ijk_to_lps
    columns, rows, slices = ct.size
    j, i = np.mgrid[:rows, :columns]
    plane = np.stack([i, j], axis=-1) @ matrix[:3, :2].T + matrix[:3, 3]
    last = np.array(labels.size) - 1
    out = np.empty(ct.voxels.shape, dtype=np.uint8)
    for k in range(slices):
        near = np.rint(plane + k * matrix[:3, 2]).astype(np.int64)
        outside = ((near < 0) | (near > last)).any(axis=-1)
        near = np.clip(near, 0, last)
        out[k] = np.where(outside, 0, labels.voxels[near[..., 2], near[..., 1], near[..., 0]])
    return ct.with_voxels(out)


def _mismatch(labels: Volume, ct: Volume, name: str, why: str) -> InputError:
    return InputError(
        "labels-geometry",
        f"{name} belongs to another geometry: {why} (label map {_grid_words(labels)}, CT {_grid_words(ct)})",
        "Give the label map of this CT",
    )


def _grid_words(volume: Volume) -> str:
    size = " x ".join(map(str, volume.size))
    spacing = " x ".join(f"{s:.3g}" for s in volume.spacing_mm)
    return f"{size} voxels of {spacing} mm"
