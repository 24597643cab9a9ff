"""Exact lengths of ray inside a hemisphere, to put a cup or a reamer into a simulated picture without voxels."""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.shapes import Circle
from cotyle.xray.carm import CArm


def hemisphere_chords_mm(carm: CArm, rim: Circle) -> npt.NDArray[np.float32]:
    """Return the length in mm of the ray to each pixel inside a solid hemisphere, shape (rows, columns).

    The solid is given by its rim, whose normal points out of the mouth: the half ball on the other side.
    """
    columns, rows = carm.size
    lengths = np.zeros((rows, columns), dtype=np.float32)
    # a row at a time keeps the rays of a large detector out of memory
    for row in range(rows):
        pixels = np.column_stack([np.arange(columns), np.full(columns, row)])
        lengths[row] = chords_in_half_ball_mm(carm.source_lps_mm, carm.ray(pixels), rim)
    return lengths


def shell_chords_mm(carm: CArm, rim: Circle, thickness_mm: float) -> npt.NDArray[np.float32]:
    """Return the length in mm of each ray in a hemispherical shell with this outer rim, shape (rows, columns).

    Raises
    ------
    InputError
        ``shell`` unless 0 < thickness < outer radius.
    """
    if not 0.0 < thickness_mm < rim.radius_mm:
        raise InputError("shell", f"a shell of {thickness_mm} mm does not fit a radius of {rim.radius_mm} mm")
    inner = Circle(rim.center_lps_mm, rim.normal_lps, rim.radius_mm - thickness_mm)
    return hemisphere_chords_mm(carm, rim) - hemisphere_chords_mm(carm, inner)


def chords_in_half_ball_mm(source: Array, rays: Array, rim: Circle) -> Array:
    """Return the length in mm inside a solid hemisphere of rays (n, 3), unit vectors from the source, shape (n,)."""
    return np.asarray(_chords(rays, rim.center_lps_mm - source, np.array(rim.normal_lps), rim.radius_mm))


@numba.njit(cache=True, error_model="numpy")
def _chords(rays, to_center, axis, radius):  # type: ignore[no-untyped-def]
    chords = np.zeros(len(rays))
    far = to_center[0] ** 2 + to_center[1] ** 2 + to_center[2] ** 2
    # the rim's plane is met where t (ray . axis) = to_center . axis; the solid is where it is below that
    level = to_center[0] * axis[0] + to_center[1] * axis[1] + to_center[2] * axis[2]
    for n in range(len(rays)):
        x, y, z = rays[n, 0], rays[n, 1], rays[n, 2]
        nearest = x * to_center[0] + y * to_center[1] + z * to_center[2]
        half_squared = radius**2 - (far - nearest**2)
        if half_squared <= 0.0:
            continue
        half = np.sqrt(half_squared)
        enter, leave = max(nearest - half, 0.0), nearest + half
        slope = x * axis[0] + y * axis[1] + z * axis[2]
        if slope < 0.0:
            enter = max(enter, level / slope)
        elif slope > 0.0:
            leave = min(leave, level / slope)
        elif level < 0.0:
            continue
        chords[n] = max(leave - enter, 0.0)
    return chords
