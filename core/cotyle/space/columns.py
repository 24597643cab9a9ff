"""A bundle of parallel lines through a closed surface: where each goes in and comes out.

Bone under a reamer is measured along the reamer's direction. Crossing a whole bundle of lines at once, exactly,
serves thickness, depth and removed volume alike, without voxels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.space.arrays import Array, BoolArray, IntArray, any_perpendicular, as_vector, unit
from cotyle.space.lines import Crossings, cross
from cotyle.space.mesh import TriangleMesh


@dataclass(frozen=True, eq=False)
class Columns:
    """Parallel lines on a square grid, and their crossings with a surface.

    Line ``c`` runs through ``origin + offsets_mm[c] @ (u, v)`` along ``direction``; depths count in mm along it from
    the origin's plane. It stands for ``pitch_mm ** 2`` of the cross-section.
    """

    origin_lps_mm: Array
    direction_lps: Array
    u_lps: Array
    v_lps: Array
    pitch_mm: float
    offsets_mm: Array
    crossings: Crossings

    @property
    def count(self) -> int:
        """Number of lines."""
        return len(self.offsets_mm)

    @property
    def starts(self) -> IntArray:
        """Where each line's crossings begin in ``depths_mm``, and the end of the last, shape (count + 1,)."""
        return self.crossings.starts

    @property
    def depths_mm(self) -> Array:
        """Depths of all crossings, line after line, ascending within each."""
        return self.crossings.depths_mm

    @property
    def enters(self) -> BoolArray:
        """Whether a line goes into the solid at each crossing."""
        return self.crossings.enters

    def intervals_mm(self, line: int) -> Array:
        """Return the stretches of a line inside the solid, shape (n, 2), mm along the direction."""
        return self.crossings.intervals_mm(line)


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
        Radius of the bundle.
    u_lps:
        Direction of the grid's first axis; its part at right angles to the direction is taken.
    """
    origin, direction = as_vector(origin_lps_mm, "origin"), unit(direction_lps)
    helper = any_perpendicular(direction) if u_lps is None else np.asarray(u_lps, dtype=float)
    u = unit(helper - (helper @ direction) * direction)
    v = unit(np.cross(direction, u))
    half = int(radius_mm / pitch_mm)
    steps = np.arange(-half, half + 1) * pitch_mm
    grid = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1).reshape(-1, 2)
    offsets = grid[np.hypot(grid[:, 0], grid[:, 1]) <= radius_mm]
    points = origin + offsets @ np.stack([u, v])
    return Columns(origin, direction, u, v, pitch_mm, offsets, cross(mesh, points, direction))
