"""Small cubes of space, each known to lie wholly within a solid, wholly outside it, or on its surface.

A surface that is closed parts space; within one cube that no triangle touches nothing changes. So most questions of
whether a point lies inside are answered by its cube, and only those near the surface by a line: the answers are those
of :func:`cotyle.space.lines.inside`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, BoolArray, as_vector
from cotyle.space.lines import cross, inside
from cotyle.space.mesh import TriangleMesh

CELL_MM = 1.0
_OUTSIDE, _WITHIN, _ON_SURFACE = 0, 1, 2
# A triangle touches a cube if it comes this near: far above rounding.
_NEAR_MM = 1e-6


@dataclass(frozen=True, eq=False)
class SolidCells:
    """Cubes about a place of a closed surface; beyond them, and where the surface is not closed, lines answer.

    ``states`` has the shape (k, j, i), along LPS z, y, x from ``low_lps_mm``.
    """

    mesh: TriangleMesh
    low_lps_mm: Array
    states: npt.NDArray[np.uint8]

    def inside(self, points_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike = (0.0, 0.0, 1.0)) -> BoolArray:
        """Return whether points (n, 3) lie in the solid; points near its surface are asked along the direction."""
        points = np.ascontiguousarray(points_lps_mm, dtype=np.float64)
        states = _states_at(self.states, self.low_lps_mm, points)
        found = states == _WITHIN
        near = np.flatnonzero(states == _ON_SURFACE)
        if len(near):
            found[near] = inside(self.mesh, points[near], direction_lps)
        return found


def solid_cells(mesh: TriangleMesh, center_lps_mm: npt.ArrayLike, half_mm: float) -> SolidCells:
    """Sort the cubes within ``half_mm`` of a point along each axis."""
    count = int(np.ceil(2.0 * half_mm / CELL_MM))
    low = as_vector(np.asarray(center_lps_mm, dtype=float) - half_mm)
    states = np.full((count, count, count), _ON_SURFACE, dtype=np.uint8)
    if mesh.is_closed:
        middle = (np.arange(count) + 0.5) * CELL_MM
        x, y = np.meshgrid(low[0] + middle, low[1] + middle)
        columns = np.stack([x.ravel(), y.ravel(), np.full(count * count, low[2])], axis=1)
        lines = cross(mesh, columns, (0.0, 0.0, 1.0))
        _fill(states.reshape(count, -1), lines.starts, lines.depths_mm, lines.enters)
        _mark_surface(states, low, mesh.corners_lps_mm, mesh.triangle_normals)
    states.setflags(write=False)
    return SolidCells(mesh, low, states)


@numba.njit(cache=True, nogil=True)
def _fill(states, starts, depths, enters):  # type: ignore[no-untyped-def]
    for column in range(states.shape[1]):
        index, level = starts[column], 0
        for k in range(states.shape[0]):
            while index < starts[column + 1] and depths[index] < (k + 0.5) * CELL_MM:
                level += 1 if enters[index] else -1
                index += 1
            states[k, column] = _WITHIN if level > 0 else _OUTSIDE


@numba.njit(cache=True, nogil=True)
def _mark_surface(states, low, corners, normals):  # type: ignore[no-untyped-def]
    """Mark the cubes within a triangle's box that its plane passes."""
    first, last = np.empty(3, dtype=np.int64), np.empty(3, dtype=np.int64)
    half = 0.5 * CELL_MM
    for t in range(len(corners)):
        for axis in range(3):
            a, b, c = corners[t, 0, axis], corners[t, 1, axis], corners[t, 2, axis]
            size = states.shape[2 - axis]
            first[axis] = max(int(np.floor((min(a, b, c) - _NEAR_MM - low[axis]) / CELL_MM)), 0)
            last[axis] = min(int(np.floor((max(a, b, c) + _NEAR_MM - low[axis]) / CELL_MM)), size - 1)
        n = normals[t]
        reach = half * (abs(n[0]) + abs(n[1]) + abs(n[2])) + _NEAR_MM
        for k in range(first[2], last[2] + 1):
            for j in range(first[1], last[1] + 1):
                for i in range(first[0], last[0] + 1):
                    away = (
                        (low[0] + i * CELL_MM + half - corners[t, 0, 0]) * n[0]
                        + (low[1] + j * CELL_MM + half - corners[t, 0, 1]) * n[1]
                        + (low[2] + k * CELL_MM + half - corners[t, 0, 2]) * n[2]
                    )
                    if abs(away) <= reach:
                        states[k, j, i] = _ON_SURFACE


@numba.njit(cache=True, nogil=True)
def _states_at(states, low, points):  # type: ignore[no-untyped-def]
    found = np.empty(len(points), dtype=np.uint8)
    nk, nj, ni = states.shape
    for n in range(len(points)):
        i = int(np.floor((points[n, 0] - low[0]) / CELL_MM))
        j = int(np.floor((points[n, 1] - low[1]) / CELL_MM))
        k = int(np.floor((points[n, 2] - low[2]) / CELL_MM))
        within = 0 <= i < ni and 0 <= j < nj and 0 <= k < nk
        found[n] = states[k, j, i] if within else _ON_SURFACE
    return found
