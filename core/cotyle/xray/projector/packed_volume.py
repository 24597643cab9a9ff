"""Attenuation laid out for fast projection along one axis of the grid.

Only what attenuates is kept: the box that holds all voxels with mu above zero, with one layer round it. Planes of the
main axis come first, so that each is one stretch of memory. A cell takes 16 bits:

================ ================================ =========================== ====================================
precision        cell                             loads of 32 bits a sample   quantisation of mu
================ ================================ =========================== ====================================
``ACCURATE``     a voxel                          2 (this row and the next)   1 / 65,535 of the largest mu
``FAST``         a voxel and the one a row below  1                           water on a whole number (64 of 255)
================ ================================ =========================== ====================================

A load of 32 bits takes a cell and its neighbour in the row: two voxels or a square of four. Denser voxels than 255 / 64
of water (about 2,100 HU: metal) are clamped in ``FAST``. Blocks of cells that hold nothing are counted in a summed-area
table for each layer of blocks, so that the projector can pass over them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numba
import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.xray.attenuation import LOWEST_HU
from cotyle.xray.projector.attenuation_grid import AttenuationGrid, in_memory
from cotyle.xray.projector.threads import in_threads

BLOCK = 8
"""Edge of a block of the occupancy table, cells."""

Levels = npt.NDArray[np.uint16]

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
        uint16, shape (planes, rows + 2, columns + 2): a border of copies lies round each plane.
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

    cells: npt.NDArray[np.uint16]
    occupancy: npt.NDArray[np.int32]
    axes: tuple[int, int, int]
    lps_to_cell: Array
    mu_per_level: float
    precision: Precision

    @property
    def bytes_used(self) -> int:
        """Memory of cells and occupancy."""
        return self.cells.nbytes + self.occupancy.nbytes


def pack(grid: AttenuationGrid, main_axis: int, precision: Precision = Precision.ACCURATE) -> PackedVolume:
    """Pack a grid for rays that follow one of its axes (0, 1 or 2 for i, j or k) the most.

    Raises
    ------
    InputError
        ``projector-empty`` if nothing attenuates.
    """
    volume = grid.volume
    levels, mu_per_level = _levels(grid, precision)
    # views of the array with planes first: axes i, j, k are the array's 2, 1, 0
    rows_axis, columns_axis = (axis for axis in (2, 1, 0) if axis != main_axis)
    memory, steps = in_memory(volume.voxels)
    low, high = _content(memory, steps, np.array(volume.size), levels)
    if (high <= low).any():
        raise InputError("projector-empty", "nothing in the volume attenuates X-rays", "Check its densities")
    low, high = np.maximum(low - 1, 0), np.minimum(high + 1, volume.size)
    axes = [main_axis, rows_axis, columns_axis]
    start, counts = int(low @ steps), (high - low)[axes]
    planes, rows, columns = (int(n) for n in counts)
    cells = np.empty((planes, rows + 2, columns + 2), dtype=np.uint16)
    filled = np.zeros([-(-n // BLOCK) for n in cells.shape], dtype=np.bool_)
    in_threads(_fill, memory[start:], steps[axes], levels, precision is Precision.FAST, cells, filled)
    to_cell = volume.lps_to_ijk[[*axes, 3]].copy()
    to_cell[:3, 3] -= low[axes]
    return PackedVolume(cells, _summed(filled), (main_axis, rows_axis, columns_axis), to_cell, mu_per_level, precision)


def _levels(grid: AttenuationGrid, precision: Precision) -> tuple[Levels, float]:
    """Level for each number from ``LOWEST_HU``, and the mu of one level."""
    table = grid.mu_of_number
    largest = float(table[: int(grid.volume.voxels.max()) - LOWEST_HU + 1].max())
    most = _MOST_16_BIT if precision is Precision.ACCURATE else _MOST_8_BIT
    per_level = largest / most
    if precision is Precision.FAST and grid.mu_of_water > 0.0:
        per_level = grid.mu_of_water / _WATER_LEVEL
    if per_level <= 0.0:
        return np.zeros(len(table), dtype=np.uint16), 1.0
    return np.clip(np.rint(table / per_level), 0, most).astype(np.uint16), per_level


def _content(
    memory: npt.NDArray[np.int16], steps: npt.NDArray[np.int64], counts: npt.NDArray[np.int64], levels: Levels
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First and one past the last i, j, k with a level above zero."""
    ends = np.empty((counts[2], 4), dtype=np.int64)
    in_threads(_ends, memory, steps, counts, levels, ends)
    used = np.flatnonzero(ends[:, 1])
    if not len(used):
        return np.zeros(3, dtype=np.int64), np.zeros(3, dtype=np.int64)
    low, high = ends[used].min(axis=0), ends[used].max(axis=0)
    return np.array([low[0], low[2], used[0]]), np.array([high[1], high[3], used[-1] + 1])


@numba.njit(cache=True, nogil=True)
def _ends(memory, steps, counts, levels, ends, start, stride):  # type: ignore[no-untyped-def]
    """For every slice k, the first and one past the last i, and the same of j, with a level above zero."""
    columns, rows = counts[0], counts[1]
    for plane in range(start, counts[2], stride):
        row_low, row_high, column_low, column_high = rows, 0, columns, 0
        for row in range(rows):
            at = plane * steps[2] + row * steps[1]
            first = 0
            while first < columns and levels[np.int64(memory[at + first * steps[0]]) + 32768] == 0:
                first += 1
            if first == columns:
                continue
            last = columns - 1
            while last >= column_high and levels[np.int64(memory[at + last * steps[0]]) + 32768] == 0:
                last -= 1
            row_low, row_high = min(row_low, row), row + 1
            column_low, column_high = min(column_low, first), max(column_high, last + 1)
        ends[plane, 0], ends[plane, 1], ends[plane, 2], ends[plane, 3] = column_low, column_high, row_low, row_high


@numba.njit(cache=True, nogil=True)
def _fill(memory, steps, levels, squares, cells, filled, start, stride):  # type: ignore[no-untyped-def]
    """Fill layers of cells, with a border of copies, and tell which blocks hold anything that a sample may see."""
    planes, padded_rows, padded_columns = cells.shape
    lines = np.zeros((2, BLOCK, padded_columns), dtype=np.uint16)
    for layer in range(start, filled.shape[0], stride):
        first, last = layer * BLOCK, min((layer + 1) * BLOCK, planes)
        now = 0
        _read_lines(memory, steps, levels, first, last, 0, lines[1])
        for row in range(padded_rows):
            # the line read last becomes this row's, and the next is read; at the ends it stays
            now = 1 - now
            _read_lines(memory, steps, levels, first, last, min(row, padded_rows - 3), lines[1 - now])
            for plane in range(first, last):
                for column in range(padded_columns):
                    cell = lines[now, plane - first, column]
                    if squares:
                        cell |= lines[1 - now, plane - first, column] << 8
                    cells[plane, row, column] = cell
                for block in range(filled.shape[2]):
                    held = np.uint16(0)
                    for column in range(block * BLOCK, min((block + 1) * BLOCK, padded_columns)):
                        held |= cells[plane, row, column]
                    if held:
                        filled[layer, row // BLOCK, block] = True


@numba.njit(cache=True)
def _read_lines(memory, steps, levels, first, last, row, lines):  # type: ignore[no-untyped-def]
    """Levels of one row of several planes, a copy of the first before it and of the last behind it."""
    columns = lines.shape[1] - 2
    start = first * steps[0] + row * steps[1]
    if steps[0] < steps[2]:
        # neighbours in memory are those of the next plane
        for column in range(columns):
            for plane in range(last - first):
                at = start + plane * steps[0] + column * steps[2]
                lines[plane, column + 1] = levels[np.int64(memory[at]) + 32768]
    else:
        for plane in range(last - first):
            for column in range(columns):
                at = start + plane * steps[0] + column * steps[2]
                lines[plane, column + 1] = levels[np.int64(memory[at]) + 32768]
    for plane in range(last - first):
        lines[plane, 0], lines[plane, columns + 1] = lines[plane, 1], lines[plane, columns]


def _summed(filled: npt.NDArray[np.bool_]) -> npt.NDArray[np.int32]:
    layers, rows, columns = filled.shape
    sums = np.zeros((layers, rows + 1, columns + 1), dtype=np.int32)
    sums[:, 1:, 1:] = filled.cumsum(axis=1).cumsum(axis=2)
    return sums
