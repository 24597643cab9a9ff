"""Turning a volume's axes towards the patient's, without touching a value."""

from __future__ import annotations

from itertools import permutations

import numpy as np

from cotyle.image.volume import Volume


def reoriented(volume: Volume) -> Volume:
    """Return the volume with i, j, k running as nearly as can be to the left, to the back and upwards.

    Only swaps and flips axes; the voxels are a view, the affine is exact, and every voxel stays where it was.
    """
    directions = volume.directions  # columns i, j, k
    order = max(permutations(range(3)), key=lambda p: sum(abs(directions[axis, p[axis]]) for axis in range(3)))
    flips = [directions[axis, order[axis]] < 0 for axis in range(3)]
    old_of_new = np.zeros((4, 4))  # takes new (i, j, k, 1) to old
    old_of_new[3, 3] = 1
    for new, (old, flip) in enumerate(zip(order, flips, strict=True)):
        old_of_new[old, new] = -1 if flip else 1
        old_of_new[old, 3] = volume.size[old] - 1 if flip else 0
    # Arrays count k, j, i: array axis 2 - n holds index n.
    voxels = np.transpose(volume.voxels, [2 - order[2 - axis] for axis in range(3)])
    step = [slice(None, None, -1 if flips[2 - axis] else 1) for axis in range(3)]
    return Volume(voxels[step[0], step[1], step[2]], volume.ijk_to_lps @ old_of_new)
