"""Reading a judged stack of slices into one array."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import numpy.typing as npt

from cotyle.errors import InputError
from cotyle.image.limits import require_voxels_within_limit
from cotyle.image.memory import require_memory
from cotyle.image.series_check import SliceStack
from cotyle.image.slice_header import SliceHeader
from cotyle.image.slice_pixels import read_stored, to_hu
from cotyle.space.arrays import Array

READING_THREADS = 2
"""Reading and adding release the interpreter; more threads than this gain nothing on two cores."""

FEW_COMPRESSED = 100
"""Fewer compressed slices are decoded by one child process: starting a second takes longer than it saves."""

_WRAP_DARK_HU, _WRAP_BRIGHT_HU = -1500, 500
_WRAP_PAIRS = 10  # neighbours of one slice; noise makes none


def read_stack(stack: SliceStack) -> npt.NDArray[Any]:
    """Return the HU of a stack, shape (slices, rows, columns): int16 where it fits, else float32.

    Raises
    ------
    InputError
        ``image-too-large``, ``memory``, ``series-codec``, ``series-pixels``, ``series-pixel-bits``,
        ``series-pixel-sign``, ``series-inverted``.
    """
    first = stack.slices[0]
    require_voxels_within_limit(first.columns, first.rows, len(stack.slices))
    repaired = stack.tilted or stack.gaps.resample
    require_memory((2 if repaired else 1) * 2 * first.columns * first.rows * len(stack.slices))
    voxels: npt.NDArray[Any] = np.empty((len(stack.slices), first.rows, first.columns), dtype=np.int16)
    if not _fill(voxels, stack.slices):
        voxels = np.empty(voxels.shape, dtype=np.float32)
        _fill(voxels, stack.slices)
    if any(s.signed and s.bits_stored < 16 for s in stack.slices):  # elsewhere a wrong sign gives values that no CT has
        _refuse_wrapped(voxels)
    if first.photometric == "MONOCHROME1":
        _refuse_inverted(voxels)
    return voxels


def stack_affine(stack: SliceStack) -> Array:
    """Return ``ijk_to_lps`` of the array that :func:`read_stack` gives for an even, square stack."""
    affine = np.eye(4)
    axes = np.stack([stack.row, stack.column, stack.normal], axis=1)
    affine[:3, :3] = axes * np.array(stack.spacing_mm)
    affine[:3, 3] = stack.positions_lps_mm[0]
    return affine


def _fill(voxels: npt.NDArray[Any], slices: tuple[SliceHeader, ...]) -> bool:
    """Read all slices; False if one of them does not fit the array's type."""
    frames = slices[0].frames_in_file
    native = slices[0].pixel_offset is not None
    workers = READING_THREADS if native or (frames == 1 and len(slices) >= FEW_COMPRESSED) else 1
    bounds = np.linspace(0, len(slices), workers + 1).astype(int)

    def fill_part(n: int) -> bool:
        part = range(bounds[n], bounds[n + 1])
        stored = read_stored([slices[k] for k in part])
        return all(to_hu(pixels, slices[k], voxels[k]) for k, pixels in zip(part, stored, strict=True))

    with ThreadPoolExecutor(workers) as pool:
        return all(pool.map(fill_part, range(workers)))


def _refuse_wrapped(voxels: npt.NDArray[Any]) -> None:
    """Refuse pixels whose sign the header has wrong: then bright bone turns darker than air inside itself."""
    for plane in voxels:
        if plane.min() >= _WRAP_DARK_HU:
            continue
        dark, bright = plane < _WRAP_DARK_HU, plane > _WRAP_BRIGHT_HU
        pairs = np.count_nonzero(dark[:, 1:] & bright[:, :-1]) + np.count_nonzero(bright[:, 1:] & dark[:, :-1])
        if pairs >= _WRAP_PAIRS:
            raise InputError(
                "series-pixel-sign",
                "bone is darker than air inside itself: the header must be wrong about the pixels' sign",
                "Export the series again",
            )


def _refuse_inverted(voxels: npt.NDArray[Any]) -> None:
    """Refuse a picture that was inverted together with its header: then its border is brighter than its middle."""
    plane = voxels[len(voxels) // 2]
    border = np.concatenate([plane[0], plane[-1], plane[:, 0], plane[:, -1]])
    if np.median(border) > plane.mean():
        raise InputError(
            "series-inverted",
            "the pixels are stored inverted: their border is denser than their middle",
            "Export the series as MONOCHROME2",
        )
