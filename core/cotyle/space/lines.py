"""Parallel lines from any points through a closed surface, exactly, thousands at a time.

:mod:`cotyle.space.columns` crosses a regular bundle; here each line starts where the question is put: at a point of
the cup's shell, of the inner surface of the pelvis, or at the pole of the cavity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, BoolArray, IntArray, any_perpendicular, unit
from cotyle.space.mesh import TriangleMesh

_CELL_MM = 2.0
# Lines are moved aside by less than anyone can measure, so that none runs exactly through an edge or a corner.
_ASIDE_MM = (2.71828182845e-7, 3.14159265358e-7, 0.0)


@dataclass(frozen=True, eq=False)
class Crossings:
    """Where lines meet a surface.

    Those of line ``n`` are ``depths_mm[starts[n]:starts[n + 1]]``, ascending, in mm from its point along the direction
    (negative behind it); ``enters`` tells whether the line goes into the solid there.
    """

    starts: IntArray
    depths_mm: Array
    enters: BoolArray

    def intervals_mm(self, line: int, bridged_gap_mm: float = 0.0) -> Array:
        """Return the stretches of a line inside the solid, shape (n, 2); gaps below the limit are bridged."""
        part = slice(self.starts[line], self.starts[line + 1])
        return _intervals(self.depths_mm[part], self.enters[part], bridged_gap_mm)

    def inside(self) -> BoolArray:
        """Return for each line whether its point lies in the solid, shape (n,)."""
        return np.asarray(_inside(self.starts, self.depths_mm, self.enters))

    def next_entry_mm(self) -> Array:
        """Return for each line the way ahead to the next entry into the solid, infinite if there is none."""
        return np.asarray(_next_entry(self.starts, self.depths_mm, self.enters))


def cross(mesh: TriangleMesh, points_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike) -> Crossings:
    """Cross the lines through points (n, 3) along one direction with a closed surface.

    An edge is judged the same way from both of its triangles, and lines are moved aside by less than 0.000001 mm, so
    that one through an edge or a corner is neither lost nor counted twice.
    """
    direction = unit(direction_lps)
    u = any_perpendicular(direction)
    axes = np.stack([u, np.cross(direction, u), direction])
    points = np.atleast_2d(np.asarray(points_lps_mm, dtype=float)) @ axes.T + np.array(_ASIDE_MM)
    local = mesh.vertices_lps_mm @ axes.T
    low, high = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    corners = local[mesh.triangles][:, :, :2]
    near = ((corners.max(axis=1) >= low) & (corners.min(axis=1) <= high)).all(axis=1)
    triangles = np.ascontiguousarray(mesh.triangles[near])
    cells = np.maximum(np.ceil((high - low) / _CELL_MM).astype(np.int64), 1)
    cell_starts, cell_triangles = _bin(local, triangles, low, cells)
    return Crossings(*_cross_points(local, triangles, points, low, cells, cell_starts, cell_triangles))


def inside(
    mesh: TriangleMesh, points_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike = (0.0, 0.0, 1.0)
) -> BoolArray:
    """Return whether points (n, 3) lie in the solid, by crossings of lines along a direction, shape (n,)."""
    return cross(mesh, points_lps_mm, direction_lps).inside()


@numba.njit(cache=True)
def _cell(value, low, count):  # type: ignore[no-untyped-def]
    return min(max(int((value - low) / _CELL_MM), 0), count - 1)


@numba.njit(cache=True)
def _bin(local, triangles, low, cells):  # type: ignore[no-untyped-def]
    """List for each cell of a square grid the triangles whose bounding box touches it."""
    starts = np.zeros(cells[0] * cells[1] + 1, dtype=np.int64)
    listed = np.empty(0, dtype=np.int32)
    cursor = starts
    for filling in range(2):
        for t in range(len(triangles)):
            a, b, c = local[triangles[t, 0]], local[triangles[t, 1]], local[triangles[t, 2]]
            first_u = _cell(min(a[0], b[0], c[0]), low[0], cells[0])
            last_u = _cell(max(a[0], b[0], c[0]), low[0], cells[0])
            first_v = _cell(min(a[1], b[1], c[1]), low[1], cells[1])
            last_v = _cell(max(a[1], b[1], c[1]), low[1], cells[1])
            for cu in range(first_u, last_u + 1):
                for cv in range(first_v, last_v + 1):
                    cell = cu * cells[1] + cv
                    if filling == 0:
                        starts[cell + 1] += 1
                    else:
                        listed[cursor[cell]] = t
                        cursor[cell] += 1
        if filling == 0:
            starts = np.cumsum(starts)
            cursor = starts[:-1].copy()
            listed = np.empty(starts[-1], dtype=np.int32)
    return starts, listed


@numba.njit(cache=True)
def _left_of(local, p, q, u, v):  # type: ignore[no-untyped-def]
    """Whether (u, v) lies left of the edge p to q; both triangles of an edge get opposite answers, always."""
    if p < q:
        a, b = local[p], local[q]
        return (b[0] - a[0]) * (v - a[1]) - (b[1] - a[1]) * (u - a[0]) >= 0.0
    a, b = local[q], local[p]
    return not ((b[0] - a[0]) * (v - a[1]) - (b[1] - a[1]) * (u - a[0]) >= 0.0)


@numba.njit(cache=True)
def _depth(a, b, c, u, v):  # type: ignore[no-untyped-def]
    """Depth of a triangle's plane at (u, v)."""
    area = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
    weight_b = ((u - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (v - a[1])) / area
    weight_c = ((b[0] - a[0]) * (v - a[1]) - (u - a[0]) * (b[1] - a[1])) / area
    return a[2] + weight_b * (b[2] - a[2]) + weight_c * (c[2] - a[2])


@numba.njit(cache=True)
def _cross_points(local, triangles, points, low, cells, cell_starts, listed):  # type: ignore[no-untyped-def]
    starts = np.zeros(len(points) + 1, dtype=np.int32)
    depths = np.empty(8 * len(points) + 64)
    enters = np.empty(8 * len(points) + 64, dtype=np.bool_)
    used = 0
    for n in range(len(points)):
        u, v = points[n, 0], points[n, 1]
        cell = _cell(u, low[0], cells[0]) * cells[1] + _cell(v, low[1], cells[1])
        first = used
        for index in range(cell_starts[cell], cell_starts[cell + 1]):
            i, j, k = triangles[listed[index], 0], triangles[listed[index], 1], triangles[listed[index], 2]
            side = _left_of(local, i, j, u, v)
            if _left_of(local, j, k, u, v) != side or _left_of(local, k, i, u, v) != side:
                continue
            depth = _depth(local[i], local[j], local[k], u, v)
            if not np.isfinite(depth):
                continue
            if used == len(depths):
                depths = np.concatenate((depths, np.empty(len(depths))))
                enters = np.concatenate((enters, np.empty(len(enters), dtype=np.bool_)))
            depths[used], enters[used] = depth - points[n, 2], not side
            used += 1
        order = np.argsort(depths[first:used])
        depths[first:used] = depths[first:used][order]
        enters[first:used] = enters[first:used][order]
        starts[n + 1] = used
    return starts, depths[:used].copy(), enters[:used].copy()


@numba.njit(cache=True)
def _intervals(depths, enters, bridged):  # type: ignore[no-untyped-def]
    found = np.empty((len(depths), 2))
    count, level = 0, 0
    for index in range(len(depths)):
        if enters[index]:
            if level == 0:
                if count > 0 and depths[index] - found[count - 1, 1] < bridged:
                    count -= 1
                else:
                    found[count, 0] = depths[index]
            level += 1
        elif level > 0:
            level -= 1
            if level == 0:
                found[count, 1] = depths[index]
                count += 1
    return found[:count]


@numba.njit(cache=True)
def _inside(starts, depths, enters):  # type: ignore[no-untyped-def]
    found = np.zeros(len(starts) - 1, dtype=np.bool_)
    for n in range(len(found)):
        level = 0
        for index in range(starts[n], starts[n + 1]):
            if depths[index] < 0.0:
                level += 1 if enters[index] else -1
        found[n] = level > 0
    return found


@numba.njit(cache=True)
def _next_entry(starts, depths, enters):  # type: ignore[no-untyped-def]
    found = np.full(len(starts) - 1, np.inf)
    for n in range(len(found)):
        for index in range(starts[n], starts[n + 1]):
            if depths[index] > 1e-6 and enters[index]:
                found[n] = depths[index]
                break
    return found
