"""A bundle of parallel lines through a closed surface: where each goes in and comes out.

Bone under a reamer is measured along the reamer's direction. Crossing a whole bundle of lines at once, exactly,
serves thickness, depth and removed volume alike, without voxels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, IntArray, any_perpendicular, as_vector, unit
from cotyle.space.mesh import TriangleMesh

# Lines are moved off the grid by an irrational share of the pitch, so that none runs along an edge of a triangle.
_OFF_GRID = (0.00271828182845, 0.00314159265358)


@dataclass(frozen=True, eq=False)
class Columns:
    """Parallel lines and their crossings with a surface.

    Line ``c`` runs through ``origin + offsets_mm[c] @ (u, v)`` along ``direction``; its crossings are
    ``depths_mm[starts[c]:starts[c + 1]]``, ascending, in mm along the direction from the origin's plane, and
    ``enters`` tells for each whether the line goes into the solid there.
    """

    origin_lps_mm: Array
    direction_lps: Array
    u_lps: Array
    v_lps: Array
    pitch_mm: float
    offsets_mm: Array
    starts: IntArray
    depths_mm: Array
    enters: npt.NDArray[np.bool_]

    @property
    def count(self) -> int:
        """Number of lines."""
        return len(self.offsets_mm)

    def intervals_mm(self, line: int) -> Array:
        """Return the stretches of a line inside the solid, shape (n, 2), mm along the direction."""
        return _intervals(self.depths_mm, self.enters, self.starts[line], self.starts[line + 1])


def bundle_through(
    mesh: TriangleMesh,
    origin_lps_mm: npt.ArrayLike,
    direction_lps: npt.ArrayLike,
    radius_mm: float,
    pitch_mm: float,
    u_lps: npt.ArrayLike | None = None,
) -> Columns:
    """Cross a round bundle of lines, ``pitch_mm`` apart on a square grid, with a closed surface.

    Parameters
    ----------
    mesh:
        Closed surface with outward triangles.
    origin_lps_mm, direction_lps:
        The middle line.
    radius_mm:
        Radius of the bundle. A line stands for ``pitch_mm ** 2`` of its cross-section.
    u_lps:
        Direction of the grid's first axis; its part at right angles to the direction is taken.
    """
    origin, direction = as_vector(origin_lps_mm, "origin"), unit(direction_lps)
    helper = any_perpendicular(direction) if u_lps is None else np.asarray(u_lps, dtype=float)
    u = unit(helper - (helper @ direction) * direction)
    v = unit(np.cross(direction, u))
    half = int(np.ceil(radius_mm / pitch_mm)) + 1
    steps = np.arange(-half, half + 1)
    grid = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2) + np.array(_OFF_GRID)
    inside = np.hypot(grid[:, 0], grid[:, 1]) * pitch_mm <= radius_mm
    line_of_node = np.full(len(grid), -1, dtype=np.int32)
    line_of_node[inside] = np.arange(int(inside.sum()), dtype=np.int32)
    local = (mesh.vertices_lps_mm - origin) @ np.stack([u, v, direction]).T
    local[:, :2] = local[:, :2] / pitch_mm - np.array(_OFF_GRID) + half
    starts, depths, enters = _cross(
        local, np.asarray(mesh.triangles), line_of_node.reshape(2 * half + 1, -1), int(inside.sum())
    )
    return Columns(origin, direction, u, v, pitch_mm, grid[inside] * pitch_mm, starts, depths, enters)


@numba.njit(cache=True)
def _covered_nodes(a, b, c, last):  # type: ignore[no-untyped-def]
    first_u = max(int(np.ceil(min(a[0], b[0], c[0]))), 0)
    last_u = min(int(np.floor(max(a[0], b[0], c[0]))), last)
    first_v = max(int(np.ceil(min(a[1], b[1], c[1]))), 0)
    last_v = min(int(np.floor(max(a[1], b[1], c[1]))), last)
    return first_u, last_u, first_v, last_v


@numba.njit(cache=True)
def _depth_at(a, b, c, doubled_area, u, v):  # type: ignore[no-untyped-def]
    """Depth of the triangle at a node, or NaN where the node is not on it."""
    weight_a = ((b[0] - u) * (c[1] - v) - (c[0] - u) * (b[1] - v)) / doubled_area
    weight_b = ((c[0] - u) * (a[1] - v) - (a[0] - u) * (c[1] - v)) / doubled_area
    weight_c = 1.0 - weight_a - weight_b
    if weight_a < 0.0 or weight_b < 0.0 or weight_c < 0.0:
        return np.nan
    return weight_a * a[2] + weight_b * b[2] + weight_c * c[2]


@numba.njit(cache=True)
def _cross(local, triangles, line_of_node, lines):  # type: ignore[no-untyped-def]
    last = line_of_node.shape[0] - 1
    counts = np.zeros(lines + 1, dtype=np.int32)
    depths = np.empty(0)
    enters = np.empty(0, dtype=np.bool_)
    cursor = np.zeros(lines, dtype=np.int32)
    for filling in range(2):
        for t in range(len(triangles)):
            a, b, c = local[triangles[t, 0]], local[triangles[t, 1]], local[triangles[t, 2]]
            doubled_area = (b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])
            if doubled_area == 0.0:
                continue
            first_u, last_u, first_v, last_v = _covered_nodes(a, b, c, last)
            for u in range(first_u, last_u + 1):
                for v in range(first_v, last_v + 1):
                    line = line_of_node[u, v]
                    if line < 0:
                        continue
                    depth = _depth_at(a, b, c, doubled_area, u, v)
                    if np.isnan(depth):
                        continue
                    if filling == 0:
                        counts[line + 1] += 1
                    else:
                        depths[cursor[line]] = depth
                        enters[cursor[line]] = doubled_area < 0.0
                        cursor[line] += 1
        if filling == 0:
            starts = np.cumsum(counts).astype(np.int32)
            cursor[:] = starts[:-1]
            depths = np.empty(starts[-1])
            enters = np.empty(starts[-1], dtype=np.bool_)
    for line in range(lines):
        order = np.argsort(depths[starts[line] : starts[line + 1]])
        depths[starts[line] : starts[line + 1]] = depths[starts[line] : starts[line + 1]][order]
        enters[starts[line] : starts[line + 1]] = enters[starts[line] : starts[line + 1]][order]
    return starts, depths, enters


@numba.njit(cache=True)
def _intervals(depths, enters, first, end):  # type: ignore[no-untyped-def]
    found = np.empty((end - first, 2))
    count = 0
    level = 0
    for index in range(first, end):
        if enters[index]:
            if level == 0:
                found[count, 0] = depths[index]
            level += 1
        elif level > 0:
            level -= 1
            if level == 0:
                found[count, 1] = depths[index]
                count += 1
    return found[:count]
