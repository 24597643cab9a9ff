"""Distance to the surface of a bone on a grid, so that thousands of cups can be tried in seconds.

Near the surface the distance at each node is exact; farther off only the side is kept. Between nodes it is interpolated
(trilinear), which moves a smooth surface by a few hundredths of a millimetre and can lose a plate thinner than a cell.
Whatever is shown to anybody is measured on the surface itself, never here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
import numpy.typing as npt

from cotyle.cup.inner_surface import closest_on_triangle
from cotyle.space.arrays import Array, as_vector
from cotyle.space.lines import cross
from cotyle.space.mesh import TriangleMesh

SPACING_MM = 1.0
BAND_MM = 2.0
REACH_MM = 75.0
"""How far about a socket bone is asked for: a large cup, moved a long way, and its walls."""


@dataclass(frozen=True, eq=False)
class BoneField:
    """Signed distance in mm, negative in bone, at nodes (k, j, i) along LPS z, y, x from ``low_lps_mm``.

    It ends at ``BAND_MM`` either way; what lies beyond the grid counts as outside bone.
    """

    low_lps_mm: Array
    distance_mm: npt.NDArray[np.float32]


def bone_field(mesh: TriangleMesh, center_lps_mm: npt.ArrayLike, half_mm: float = REACH_MM) -> BoneField:
    """Return the field of a closed surface within ``half_mm`` of a point along each axis."""
    count = int(np.ceil(2.0 * half_mm / SPACING_MM)) + 1
    low = as_vector(np.asarray(center_lps_mm, dtype=float) - half_mm)
    field = np.full((count, count, count), BAND_MM, dtype=np.float32)
    steps = np.arange(count) * SPACING_MM
    x, y = np.meshgrid(low[0] + steps, low[1] + steps)
    columns = np.stack([x.ravel(), y.ravel(), np.full(count * count, low[2])], axis=1)
    lines = cross(mesh, columns, (0.0, 0.0, 1.0))
    _near(field, low, mesh.corners_lps_mm, mesh.triangle_normals)
    _signed(field.reshape(count, -1), lines.starts, lines.depths_mm, lines.enters)
    field.setflags(write=False)
    return BoneField(low, field)


@numba.njit(cache=True, nogil=True)
def _near(field, low, corners, normals):  # type: ignore[no-untyped-def]
    """Write the exact distance to the nearest triangle wherever it is less than the band."""
    first, last = np.empty(3, dtype=np.int64), np.empty(3, dtype=np.int64)
    point = np.empty(3)
    for t in range(len(corners)):
        for axis in range(3):
            a, b, c = corners[t, 0, axis], corners[t, 1, axis], corners[t, 2, axis]
            size = field.shape[2 - axis]
            first[axis] = max(int(np.ceil((min(a, b, c) - BAND_MM - low[axis]) / SPACING_MM)), 0)
            last[axis] = min(int(np.floor((max(a, b, c) + BAND_MM - low[axis]) / SPACING_MM)), size - 1)
        for k in range(first[2], last[2] + 1):
            for j in range(first[1], last[1] + 1):
                for i in range(first[0], last[0] + 1):
                    point[0] = low[0] + i * SPACING_MM
                    point[1] = low[1] + j * SPACING_MM
                    point[2] = low[2] + k * SPACING_MM
                    away = 0.0
                    for axis in range(3):
                        away += (point[axis] - corners[t, 0, axis]) * normals[t, axis]
                    if abs(away) >= field[k, j, i]:
                        continue
                    spot = closest_on_triangle(point, corners[t, 0], corners[t, 1], corners[t, 2])
                    distance = np.sqrt(
                        (point[0] - spot[0]) ** 2 + (point[1] - spot[1]) ** 2 + (point[2] - spot[2]) ** 2
                    )
                    if distance < field[k, j, i]:
                        field[k, j, i] = distance


@numba.njit(cache=True, nogil=True)
def _signed(field, starts, depths, enters):  # type: ignore[no-untyped-def]
    for column in range(field.shape[1]):
        index, level = starts[column], 0
        for k in range(field.shape[0]):
            while index < starts[column + 1] and depths[index] < k * SPACING_MM:
                level += 1 if enters[index] else -1
                index += 1
            if level > 0:
                field[k, column] = -field[k, column]


@numba.njit(cache=True)
def distance_at(field, low, x, y, z):  # type: ignore[no-untyped-def]
    """Signed distance at a point, mm; the band beyond the grid."""
    u, v, w = (x - low[0]) / SPACING_MM, (y - low[1]) / SPACING_MM, (z - low[2]) / SPACING_MM
    i, j, k = int(np.floor(u)), int(np.floor(v)), int(np.floor(w))
    if i < 0 or j < 0 or k < 0 or i > field.shape[2] - 2 or j > field.shape[1] - 2 or k > field.shape[0] - 2:
        return BAND_MM
    u, v, w = u - i, v - j, w - k
    low_row = (field[k, j, i] * (1 - u) + field[k, j, i + 1] * u) * (1 - v) + (
        field[k, j + 1, i] * (1 - u) + field[k, j + 1, i + 1] * u
    ) * v
    high_row = (field[k + 1, j, i] * (1 - u) + field[k + 1, j, i + 1] * u) * (1 - v) + (
        field[k + 1, j + 1, i] * (1 - u) + field[k + 1, j + 1, i + 1] * u
    ) * v
    return low_row * (1 - w) + high_row * w


@numba.njit(cache=True)
def next_surface_mm(field, low, point, direction, start, reach):  # type: ignore[no-untyped-def]
    """Way along a line from ``start`` to where it next passes the surface, infinite beyond ``reach``; mm."""
    way = start
    here = distance_at(
        field, low, point[0] + way * direction[0], point[1] + way * direction[1], point[2] + way * direction[2]
    )
    while way < reach:
        step = max(0.9 * abs(here), 0.3)
        after = way + step
        there = distance_at(
            field,
            low,
            point[0] + after * direction[0],
            point[1] + after * direction[1],
            point[2] + after * direction[2],
        )
        if (here < 0.0) != (there < 0.0):
            return way + step * abs(here) / (abs(here) + abs(there))
        way, here = after, there
    return np.inf
