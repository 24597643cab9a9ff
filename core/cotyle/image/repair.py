"""Putting a faulty stack on a square, even grid. Only on request; each repair is recorded."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.image.continuity import require_neighbours
from cotyle.image.limits import require_voxels_within_limit
from cotyle.image.made_up import COPIED_MM, listed, widest_unsure_mm
from cotyle.image.series_check import SliceStack, place_word
from cotyle.image.slice_pixels import VACUUM_HU
from cotyle.image.stack_pixels import stack_affine
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array

_SAME_PLACE = 1e-3  # of a pixel


def rectified(stack: SliceStack, voxels: npt.NDArray[Any]) -> tuple[Volume, tuple[str, ...]]:
    """Return the volume of a stack, shifted square and filled where needed, and what was done, in words.

    A tilted gantry shifts each slice within its own plane, so shifting it back by as much (cubic convolution, Keys
    1981, IEEE Trans. Acoust. Speech Signal Process. 29:1153) restores the shape without touching the distances
    along the normal. Missing and uneven slices are interpolated linearly between their neighbours.
    """
    done: list[str] = []
    affine = stack_affine(stack)
    if stack.tilted:
        voxels, affine = _squared(stack, voxels, affine)
        require_one_body(stack, voxels)
        done.append("each slice shifted within its plane onto a square grid")
    if stack.gaps.resample:
        count, voxels = _even(stack, voxels)
        done.append(_interpolated(stack, count))
    return Volume(voxels, affine), tuple(done)


def require_one_body(stack: SliceStack, voxels: npt.NDArray[Any]) -> None:
    """Refuse slices that lie square and don't follow one another; see :mod:`cotyle.image.continuity`."""
    require_neighbours(voxels, stack.slices, stack.heights_mm, place_word(stack.normal))


def _squared(stack: SliceStack, voxels: npt.NDArray[Any], affine: Array) -> tuple[npt.NDArray[Any], Array]:
    """Shift each slice within its plane; the grid grows to hold them all."""
    spacing = np.array(stack.spacing_mm[:2])
    in_plane = stack.positions_lps_mm @ np.stack([stack.row, stack.column], axis=1)
    shifts = (in_plane - in_plane.min(axis=0)) / spacing  # pixels along i and j, all >= 0
    grow_i, grow_j = np.ceil(shifts.max(axis=0) - _SAME_PLACE).astype(int)
    slices, rows, columns = voxels.shape
    require_voxels_within_limit(columns + int(grow_i), rows + int(grow_j), slices)
    square = np.full((slices, rows + grow_j, columns + grow_i), VACUUM_HU, dtype=voxels.dtype)
    for k, (shift_i, shift_j) in enumerate(shifts):
        plane = shifted(voxels[k].astype(np.float32), float(shift_j), rows + grow_j)
        plane = shifted(plane.T, float(shift_i), columns + grow_i).T
        square[k] = _as(plane, voxels.dtype)
    moved = np.array(affine)
    back = (in_plane.min(axis=0) - in_plane[0]) @ np.stack([stack.row, stack.column])
    moved[:3, 3] += back
    return square, moved


def shifted(plane: npt.NDArray[np.float32], shift: float, size: int) -> npt.NDArray[np.float32]:
    """Return the plane moved by ``shift`` >= 0 pixels down its first axis into ``size`` rows.

    Cubic convolution with a = -1/2; vacuum beyond the plane's outermost rows.
    """
    whole = int(np.floor(shift))
    part = shift - whole
    out = np.full((size, plane.shape[1]), VACUUM_HU, dtype=np.float32)
    if part < _SAME_PLACE or part > 1 - _SAME_PLACE:
        start = whole + (part > 0.5)
        end = min(start + len(plane), size)
        out[start:end] = plane[: end - start]
        return out
    padded = np.pad(plane, ((2, 2), (0, 0)), mode="edge")
    t = 1 - part  # row r of the result reads the plane at r - shift = (r - whole - 1) + t
    weights = (
        -0.5 * t + t**2 - 0.5 * t**3,
        1 - 2.5 * t**2 + 1.5 * t**3,
        0.5 * t + 2 * t**2 - 1.5 * t**3,
        -0.5 * t**2 + 0.5 * t**3,
    )
    rows = len(plane) - 1  # results between the first and the last row of the plane
    mixed = sum(np.float32(w) * padded[n + 1 : n + 1 + rows] for n, w in enumerate(weights))
    end = min(whole + 1 + rows, size)
    out[whole + 1 : end] = np.asarray(mixed)[: end - whole - 1]
    return out


def _even(stack: SliceStack, voxels: npt.NDArray[Any]) -> tuple[int, npt.NDArray[Any]]:
    """Interpolate onto even distances; return how many slices are new, and all of them."""
    have = stack.distances_mm
    step = stack.spacing_mm[2]
    count = int(np.floor((have[-1] - have[0]) / step + 1e-6)) + 1
    require_voxels_within_limit(voxels.shape[2], voxels.shape[1], count)
    even = np.empty((count, *voxels.shape[1:]), dtype=voxels.dtype)
    new = 0
    for k, distance in enumerate(have[0] + step * np.arange(count)):
        below = int(np.clip(np.searchsorted(have, distance, side="right") - 1, 0, len(have) - 2))
        weight = (distance - have[below]) / (have[below + 1] - have[below])
        nearest = below + (weight > 0.5)
        if abs(distance - have[nearest]) <= COPIED_MM:
            even[k] = voxels[nearest]
            continue
        new += 1
        mix = voxels[below] * np.float32(1 - weight) + voxels[below + 1] * np.float32(weight)
        even[k] = _as(mix, voxels.dtype)
    return new, even


def _interpolated(stack: SliceStack, count: int) -> str:
    """Say how many slices were interpolated, which of them are a guess, and how good a guess."""
    text = f"{count} slice{'s' if count != 1 else ''} interpolated along the normal, {stack.spacing_mm[2]:.3f} mm apart"
    if not stack.made_up:
        return text
    guessed = sum(each.slices for each in stack.made_up)
    what = "" if guessed == count else f"{guessed} of them "
    sure = f"edges there are known to ± {widest_unsure_mm(stack.made_up):.1f} mm only"
    return f"{text}; {what}made up {listed(stack.made_up)}: {sure}"


def _as(plane: npt.NDArray[np.float32], kind: np.dtype[Any]) -> npt.NDArray[Any]:
    if kind == np.float32:
        return plane
    limits = np.iinfo(np.int16)
    return np.clip(np.rint(plane), limits.min, limits.max).astype(np.int16)
