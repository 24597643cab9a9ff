"""Exact lengths of ray inside a hemisphere, to put a cup or a reamer into a simulated picture without voxels."""

from __future__ import annotations

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
        lengths[row] = _half_ball_chord(carm.source_lps_mm, carm.ray(pixels), rim)
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


def _half_ball_chord(source: Array, rays: Array, rim: Circle) -> Array:
    to_center = rim.center_lps_mm - source
    nearest = rays @ to_center
    apart = nearest[:, None] * rays - to_center
    half = np.sqrt(np.maximum(rim.radius_mm**2 - np.einsum("ij,ij->i", apart, apart), 0.0))
    enter, leave = nearest - half, nearest + half
    # the rim's plane is met where t (ray . axis) = to_center . axis; the solid is where it is below that
    slope, level = rays @ rim.normal_lps, float(to_center @ rim.normal_lps)
    with np.errstate(divide="ignore", invalid="ignore"):
        plane = level / slope
    enter = np.where(slope < 0, np.maximum(enter, plane), enter)
    leave = np.where(slope > 0, np.minimum(leave, plane), leave)
    outside = (slope == 0) & (level < 0)
    return np.where(outside, 0.0, np.maximum(leave - np.maximum(enter, 0.0), 0.0))
