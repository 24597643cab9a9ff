"""Lines from any points through a closed surface, exactly, thousands at a time; parallel ones fastest.

:mod:`cotyle.space.columns` crosses a regular bundle; here each line starts where the question is put: at a point of
the cup's shell, of the inner surface of the pelvis, or at the pole of the cavity.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, BoolArray, IntArray, any_perpendicular, unit
from cotyle.space.mesh import TriangleMesh

# Cells are as large as leaves a line to each, within these bounds.
_CELLS_MM = (1.0, 8.0)
# Boxes of triangles are wider by more than rounding, so that the edges alone tell what meets a line.
_BOX_MM = 1e-9
# A line passes a triangle by if it keeps clear of the ball about it by this: more than it is moved aside.
_CLEAR_MM = 1e-5
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
    local, points, binned = _laid_out(mesh, points_lps_mm, direction_lps)
    return Crossings(*_cross_points(local, mesh.triangles, points, *binned))


def cross_each(mesh: TriangleMesh, points_lps_mm: npt.ArrayLike, directions_lps: npt.ArrayLike) -> Crossings:
    """Cross lines through points (n, 3), each along its own unit direction (n, 3), with a closed surface.

    As sure at edges as :func:`cross`; slower, since every line meets the whole surface anew.
    """
    points, directions = np.asarray(points_lps_mm, dtype=float), np.asarray(directions_lps, dtype=float)
    axes = np.empty((len(points), 3, 3))
    for row, direction in zip(axes, directions, strict=True):
        row[0] = any_perpendicular(direction)
        row[2] = unit(direction)
        row[1] = np.cross(row[2], row[0])
    reaches = np.linalg.norm(mesh.corners_lps_mm - mesh.centroids_lps_mm[:, None], axis=2).max(axis=1)
    triangles, aside = mesh.triangles, np.array(_ASIDE_MM)
    return Crossings(*_cross_each(mesh.vertices_lps_mm, triangles, mesh.centroids_lps_mm, reaches, points, axes, aside))


def inside(
    mesh: TriangleMesh, points_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike = (0.0, 0.0, 1.0)
) -> BoolArray:
    """Return whether points (n, 3) lie in the solid, by crossings of lines along a direction, shape (n,)."""
    local, points, binned = _laid_out(mesh, points_lps_mm, direction_lps)
    return np.asarray(_inside_points(local, mesh.triangles, points, *binned))


def _laid_out(mesh: TriangleMesh, points_lps_mm: npt.ArrayLike, direction_lps: npt.ArrayLike) -> tuple[Any, Any, Any]:
    """Return vertices and points with the direction as third axis, and the triangles in cells across it."""
    direction = unit(direction_lps)
    u = any_perpendicular(direction)
    axes = np.stack([u, np.cross(direction, u), direction])
    points = np.atleast_2d(np.asarray(points_lps_mm, dtype=float)) @ axes.T + np.array(_ASIDE_MM)
    local = mesh.vertices_lps_mm @ axes.T
    # column by column: several times as fast as over the rows of both
    low = np.array([points[:, axis].min() for axis in (0, 1)])
    high = np.array([points[:, axis].max() for axis in (0, 1)])
    cell_mm = float(np.clip(np.sqrt(np.prod(high - low) / len(points)), *_CELLS_MM))
    cells = np.maximum(np.ceil((high - low) / cell_mm).astype(np.int64), 1)
    return local, points, (low, cell_mm, cells, *_bin(local, mesh.triangles, low, high, cell_mm, cells))


@numba.njit(cache=True)
def _cell(value, low, cell_mm, count):  # type: ignore[no-untyped-def]
    return min(max(int((value - low) / cell_mm), 0), count - 1)


@numba.njit(cache=True, nogil=True)
def _bin(local, triangles, low, high, cell_mm, cells):  # type: ignore[no-untyped-def]
    """List for each cell of a square grid the triangles whose bounding box touches it, and those boxes."""
    starts = np.zeros(cells[0] * cells[1] + 1, dtype=np.int64)
    near = np.empty(len(triangles), dtype=np.int32)
    boxes = np.empty((len(triangles), 4))
    edges = np.empty((len(triangles), 3, 5))
    spans = np.empty((len(triangles), 4), dtype=np.int64)
    count = 0
    for t in range(len(triangles)):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        least_u = min(local[a, 0], local[b, 0], local[c, 0])
        most_u = max(local[a, 0], local[b, 0], local[c, 0])
        least_v = min(local[a, 1], local[b, 1], local[c, 1])
        most_v = max(local[a, 1], local[b, 1], local[c, 1])
        if most_u < low[0] or least_u > high[0] or most_v < low[1] or least_v > high[1]:
            continue
        near[count] = t
        _edge(local, a, b, edges[count, 0])
        _edge(local, b, c, edges[count, 1])
        _edge(local, c, a, edges[count, 2])
        boxes[count] = least_u - _BOX_MM, most_u + _BOX_MM, least_v - _BOX_MM, most_v + _BOX_MM
        spans[count, 0], spans[count, 1] = (
            _cell(least_u, low[0], cell_mm, cells[0]),
            _cell(most_u, low[0], cell_mm, cells[0]),
        )
        spans[count, 2], spans[count, 3] = (
            _cell(least_v, low[1], cell_mm, cells[1]),
            _cell(most_v, low[1], cell_mm, cells[1]),
        )
        for cu in range(spans[count, 0], spans[count, 1] + 1):
            for cv in range(spans[count, 2], spans[count, 3] + 1):
                starts[cu * cells[1] + cv + 1] += 1
        count += 1
    starts = np.cumsum(starts)
    cursor = starts[:-1].copy()
    listed, listed_boxes = np.empty(starts[-1], dtype=np.int32), np.empty((starts[-1], 4))
    for n in range(count):
        for cu in range(spans[n, 0], spans[n, 1] + 1):
            for cv in range(spans[n, 2], spans[n, 3] + 1):
                cell = cu * cells[1] + cv
                listed[cursor[cell]] = n
                listed_boxes[cursor[cell]] = boxes[n]
                cursor[cell] += 1
    return starts, listed, listed_boxes, near[:count], edges[:count]


@numba.njit(cache=True)
def _edge(local, p, q, edge):  # type: ignore[no-untyped-def]
    """Write the edge p to q: always begun at the lower number, so that both of its triangles judge it alike."""
    _edge_between(local, p, q, p < q, edge)


@numba.njit(cache=True)
def _edge_between(local, p, q, forward, edge):  # type: ignore[no-untyped-def]
    a, b = (p, q) if forward else (q, p)
    edge[0], edge[1] = local[a, 0], local[a, 1]
    edge[2], edge[3] = local[b, 0] - local[a, 0], local[b, 1] - local[a, 1]
    edge[4] = 1.0 if forward else 0.0


@numba.njit(cache=True)
def _left_of(edge, u, v):  # type: ignore[no-untyped-def]
    """Whether (u, v) lies left of an edge; the two triangles of one edge get opposite answers, always."""
    left = edge[2] * (v - edge[1]) - edge[3] * (u - edge[0]) >= 0.0
    return left == (edge[4] == 1.0)


@numba.njit(cache=True)
def _depth(a, b, c, u, v):  # type: ignore[no-untyped-def]
    """Depth of a triangle's plane at (u, v)."""
    area = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
    weight_b = ((u - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (v - a[1])) / area
    weight_c = ((b[0] - a[0]) * (v - a[1]) - (u - a[0]) * (b[1] - a[1])) / area
    return a[2] + weight_b * (b[2] - a[2]) + weight_c * (c[2] - a[2])


@numba.njit(cache=True)
def _met(local, triangle, edges, u, v):  # type: ignore[no-untyped-def]
    """Whether a line meets a triangle, whether it leaves the solid there, and where (third coordinate)."""
    leaves = _left_of(edges[0], u, v)
    if _left_of(edges[1], u, v) != leaves or _left_of(edges[2], u, v) != leaves:
        return False, False, 0.0
    depth = _depth(local[triangle[0]], local[triangle[1]], local[triangle[2]], u, v)
    return np.isfinite(depth), leaves, depth


@numba.njit(cache=True)
def _beside(box, u, v):  # type: ignore[no-untyped-def]
    return u < box[0] or u > box[1] or v < box[2] or v > box[3]


@numba.njit(cache=True, nogil=True)
def _cross_points(local, triangles, points, low, cell_mm, cells, cell_starts, listed, boxes, near, edges):  # type: ignore[no-untyped-def]
    starts = np.zeros(len(points) + 1, dtype=np.int32)
    depths = np.empty(8 * len(points) + 64)
    enters = np.empty(8 * len(points) + 64, dtype=np.bool_)
    used = 0
    for n in range(len(points)):
        u, v = points[n, 0], points[n, 1]
        cell = _cell(u, low[0], cell_mm, cells[0]) * cells[1] + _cell(v, low[1], cell_mm, cells[1])
        first = used
        for index in range(cell_starts[cell], cell_starts[cell + 1]):
            if _beside(boxes[index], u, v):
                continue
            n_near = listed[index]
            met, leaves, depth = _met(local, triangles[near[n_near]], edges[n_near], u, v)
            if not met:
                continue
            if used == len(depths):
                depths = np.concatenate((depths, np.empty(len(depths))))
                enters = np.concatenate((enters, np.empty(len(enters), dtype=np.bool_)))
            _put(depths, enters, first, used, depth - points[n, 2], not leaves)
            used += 1
        starts[n + 1] = used
    return starts, depths[:used].copy(), enters[:used].copy()


@numba.njit(cache=True)
def _put(depths, enters, first, used, depth, enter):  # type: ignore[no-untyped-def]
    """Put a crossing in its place among those of its line before it; they are few."""
    place = used
    while place > first and depths[place - 1] > depth:
        depths[place], enters[place] = depths[place - 1], enters[place - 1]
        place -= 1
    depths[place], enters[place] = depth, enter


@numba.njit(cache=True, nogil=True)
def _cross_each(vertices, triangles, centroids, reaches, points, axes, aside):  # type: ignore[no-untyped-def]
    starts = np.zeros(len(points) + 1, dtype=np.int32)
    depths = np.empty(8 * len(points) + 64)
    enters = np.empty(8 * len(points) + 64, dtype=np.bool_)
    local, edges, corners = np.empty((3, 3)), np.empty((3, 5)), np.arange(3)
    used = 0
    for n in range(len(points)):
        first = used
        for t in range(len(triangles)):
            if _passes_by(centroids[t], reaches[t], points[n], axes[n, 2]):
                continue
            for corner in range(3):
                _to_line(vertices[triangles[t, corner]], points[n], axes[n], local[corner])
            for corner in range(3):
                beside = (corner + 1) % 3
                _edge_between(local, corner, beside, triangles[t, corner] < triangles[t, beside], edges[corner])
            met, leaves, depth = _met(local, corners, edges, aside[0], aside[1])
            if not met:
                continue
            if used == len(depths):
                depths = np.concatenate((depths, np.empty(len(depths))))
                enters = np.concatenate((enters, np.empty(len(enters), dtype=np.bool_)))
            _put(depths, enters, first, used, depth, not leaves)
            used += 1
        starts[n + 1] = used
    return starts, depths[:used].copy(), enters[:used].copy()


@numba.njit(cache=True)
def _passes_by(center, reach, point, direction):  # type: ignore[no-untyped-def]
    """Whether a line keeps clear of a ball."""
    x, y, z = center[0] - point[0], center[1] - point[1], center[2] - point[2]
    along = x * direction[0] + y * direction[1] + z * direction[2]
    clear = reach + _CLEAR_MM
    return x * x + y * y + z * z - along * along > clear * clear


@numba.njit(cache=True)
def _to_line(vertex, point, axes, local):  # type: ignore[no-untyped-def]
    """Write a vertex in a line's own axes, the same for every triangle that has it."""
    x, y, z = vertex[0] - point[0], vertex[1] - point[1], vertex[2] - point[2]
    for axis in range(3):
        local[axis] = axes[axis, 0] * x + axes[axis, 1] * y + axes[axis, 2] * z


@numba.njit(cache=True, nogil=True)
def _inside_points(local, triangles, points, low, cell_mm, cells, cell_starts, listed, boxes, near, edges):  # type: ignore[no-untyped-def]
    found = np.zeros(len(points), dtype=np.bool_)
    for n in range(len(points)):
        u, v = points[n, 0], points[n, 1]
        cell = _cell(u, low[0], cell_mm, cells[0]) * cells[1] + _cell(v, low[1], cell_mm, cells[1])
        level = 0
        for index in range(cell_starts[cell], cell_starts[cell + 1]):
            if _beside(boxes[index], u, v):
                continue
            n_near = listed[index]
            met, leaves, depth = _met(local, triangles[near[n_near]], edges[n_near], u, v)
            if met and depth - points[n, 2] < 0.0:
                level += -1 if leaves else 1
        found[n] = level > 0
    return found


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
