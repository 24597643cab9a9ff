"""Attenuation laid out for fast projection along one axis of the grid.

Only what attenuates is kept: the box that holds all voxels with mu above zero, with one layer round it. Planes of the
main axis come first, so that each is one stretch of memory. A cell holds a voxel and its neighbours, so that one load
or two give all that an interpolation needs:

================ ============================================== ================ ==================================
precision        cell (32 bits)                                 loads a sample   quantisation of mu
================ ============================================== ================ ==================================
``ACCURATE``     two 16-bit voxels, next to each other           2                1 / 65,535 of the largest mu
``FAST``         four 8-bit voxels, a square                     1                water on a whole number (64)
================ ============================================== ================ ==================================

Denser voxels than 255 / 64 of water (about 2,100 HU: metal) are clamped in ``FAST``. Blocks of cells that hold nothing
are counted in a summed-area table for each layer of blocks, so that the projector can pass over them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numba
import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.xray.attenuation import LOWEST_HU, AttenuationCurve, attenuation_curve
from cotyle.xray.projector.reference import as_int16

BLOCK = 8
"""Edge of a block of the occupancy table, cells."""

_WATER_LEVEL, _MOST_8_BIT, _MOST_16_BIT = 64, 255, 65535


class Precision(StrEnum):
    """How finely mu is kept."""

    ACCURATE = "accurate"
    FAST = "fast"


@dataclass(frozen=True, eq=False)
class PackedVolume:
    """Mu on a grid, ready to be projected along one axis.

    Parameters
    ----------
    cells:
        uint32, shape (planes, rows + 2, columns + 2): a border of copies lies round each plane.
    occupancy:
        int32, shape (blocks of planes, blocks of rows + 1, blocks of columns + 1): number of blocks with content before
        each corner, layer by layer.
    axes:
        Which of the volume's axes (0: i, 1: j, 2: k) planes, rows and columns follow.
    lps_to_cell:
        4x4: LPS mm to (plane, row, column), 0 at the first voxel's centre.
    mu_per_level:
        1/mm for one level of a voxel's value.
    """

    cells: npt.NDArray[np.uint32]
    occupancy: npt.NDArray[np.int32]
    axes: tuple[int, int, int]
    lps_to_cell: Array
    mu_per_level: float
    precision: Precision

    @property
    def bytes_used(self) -> int:
        """Memory of cells and occupancy."""
        return self.cells.nbytes + self.occupancy.nbytes


def pack_volume(
    volume: Volume,
    main_axis: int,
    curve: AttenuationCurve | None = None,
    precision: Precision = Precision.ACCURATE,
    bone_above_hu: float | None = None,
) -> PackedVolume:
    """Pack a CT for rays that follow one axis of its grid the most.

    Parameters
    ----------
    volume:
        HU; rounded to 16-bit integers if it holds others.
    main_axis:
        0, 1 or 2 for i, j or k; :func:`cotyle.xray.projector.fast.main_axis` tells that of a C-arm.
    curve:
        HU to mu; :func:`~cotyle.xray.attenuation.attenuation_curve` by default. A curve with ``air_below_hu`` lets the
        air round the body be left out.
    bone_above_hu:
        If given, all below counts nothing: for registration on bone.

    Raises
    ------
    InputError
        ``projector-empty`` if nothing attenuates.
    """
    known = attenuation_curve() if curve is None else curve
    table = known.table.copy()
    if bone_above_hu is not None:
        table[: int(np.ceil(bone_above_hu)) - LOWEST_HU] = 0.0
    voxels = as_int16(volume.voxels)
    levels, mu_per_level = _levels(table, voxels, known, precision)
    # views of the array with planes first: axes i, j, k are the array's 2, 1, 0
    rows_axis, columns_axis = (axis for axis in (2, 1, 0) if axis != main_axis)
    turned = voxels.transpose(2 - main_axis, 2 - rows_axis, 2 - columns_axis)
    low, high = _content(turned, levels)
    if (high <= low).any():
        raise InputError("projector-empty", "nothing in the volume attenuates X-rays", "Check its densities")
    low, high = np.maximum(low - 1, 0), np.minimum(high + 1, turned.shape)
    part = turned[low[0] : high[0], low[1] : high[1], low[2] : high[2]]
    cells, filled = _packed(part, levels, precision is Precision.FAST)
    to_cell = volume.lps_to_ijk[[main_axis, rows_axis, columns_axis, 3]].copy()
    to_cell[:3, 3] -= low
    return PackedVolume(cells, _summed(filled), (main_axis, rows_axis, columns_axis), to_cell, mu_per_level, precision)


def _levels(
    table: npt.NDArray[np.float32], voxels: npt.NDArray[np.int16], curve: AttenuationCurve, precision: Precision
) -> tuple[npt.NDArray[np.uint16], float]:
    """Level for each HU from ``LOWEST_HU``, and the mu of one level."""
    if precision is Precision.FAST:
        mu_per_level = float(curve(0.0)) / _WATER_LEVEL
        most = _MOST_8_BIT
    else:
        mu_per_level = float(table[int(voxels.max()) - LOWEST_HU]) / _MOST_16_BIT
        most = _MOST_16_BIT
    if mu_per_level <= 0.0:
        return np.zeros(len(table), dtype=np.uint16), 1.0
    return np.clip(np.rint(table / mu_per_level), 0, most).astype(np.uint16), mu_per_level


@numba.njit(parallel=True, cache=True)
def _content(voxels, levels):  # type: ignore[no-untyped-def]
    """First and one past the last index with a level above zero, by axis."""
    planes, rows, columns = voxels.shape
    row_used = np.zeros((planes, rows), dtype=np.bool_)
    column_used = np.zeros((planes, columns), dtype=np.bool_)
    for plane in numba.prange(planes):
        for row in range(rows):
            used = False
            for column in range(columns):
                if levels[np.int64(voxels[plane, row, column]) + 32768] > 0:
                    used = True
                    column_used[plane, column] = True
            row_used[plane, row] = used
    low, high = np.array([planes, rows, columns]), np.zeros(3, dtype=np.int64)
    for plane in range(planes):
        for row in range(rows):
            if row_used[plane, row]:
                low[0], high[0] = min(low[0], plane), max(high[0], plane + 1)
                low[1], high[1] = min(low[1], row), max(high[1], row + 1)
        for column in range(columns):
            if column_used[plane, column]:
                low[2], high[2] = min(low[2], column), max(high[2], column + 1)
    return low, high


@numba.njit(parallel=True, cache=True)
def _packed(voxels, levels, squares):  # type: ignore[no-untyped-def]
    """Cells with a border of copies, and which blocks hold anything that a sample in them may see."""
    planes, rows, columns = voxels.shape
    cells = np.zeros((planes, rows + 2, columns + 2), dtype=np.uint32)
    blocks = ((planes + BLOCK - 1) // BLOCK, (rows + 2 + BLOCK - 1) // BLOCK, (columns + 2 + BLOCK - 1) // BLOCK)
    filled = np.zeros(blocks, dtype=np.bool_)
    for layer in numba.prange(blocks[0]):
        line = np.zeros((2, columns + 3), dtype=np.uint32)
        for plane in range(layer * BLOCK, min((layer + 1) * BLOCK, planes)):
            _read_line(voxels, levels, plane, 0, line[1])
            for row in range(rows + 2):
                line[0] = line[1]
                _read_line(voxels, levels, plane, min(row, rows - 1), line[1])
                for column in range(columns + 2):
                    if squares:
                        cell = line[0, column] | (line[0, column + 1] << 8)
                        cell |= (line[1, column] << 16) | (line[1, column + 1] << 24)
                    else:
                        cell = line[0, column] | (line[0, column + 1] << 16)
                    cells[plane, row, column] = cell
                    if cell:
                        filled[layer, row // BLOCK, column // BLOCK] = True
    return cells, filled


@numba.njit(cache=True)
def _read_line(voxels, levels, plane, row, line):  # type: ignore[no-untyped-def]
    """Levels of one row with a copy of the first before it and two of the last behind it."""
    columns = voxels.shape[2]
    for column in range(columns):
        line[column + 1] = levels[np.int64(voxels[plane, row, column]) + 32768]
    line[0], line[columns + 1], line[columns + 2] = line[1], line[columns], line[columns]


def _summed(filled: npt.NDArray[np.bool_]) -> npt.NDArray[np.int32]:
    layers, rows, columns = filled.shape
    sums = np.zeros((layers, rows + 1, columns + 1), dtype=np.int32)
    sums[:, 1:, 1:] = filled.cumsum(axis=1).cumsum(axis=2)
    return sums
