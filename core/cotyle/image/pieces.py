"""Pieces of a bone in a label map: what hangs together by faces of voxels."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from cotyle.space.arrays import BoolArray


def largest_piece(mask: BoolArray) -> BoolArray:
    """Return the piece of a mask (any shape) with the most voxels, of equals the first in memory."""
    pieces, sizes = _pieces(mask)
    return np.asarray(pieces == 1 + int(np.argmax(sizes))) if len(sizes) else np.zeros_like(mask, dtype=bool)


def without_small_pieces(mask: BoolArray, least_voxels: int) -> BoolArray:
    """Return a mask without its pieces of fewer than so many voxels."""
    pieces, sizes = _pieces(mask)
    return np.concatenate([[False], sizes >= least_voxels])[pieces]


def _pieces(mask: BoolArray) -> tuple[np.ndarray, np.ndarray]:
    """Return the number of its piece for each voxel, from 1, and the voxels of each piece."""
    pieces, count = ndimage.label(mask)
    return pieces, np.bincount(pieces.ravel(), minlength=count + 1)[1:]
