"""Bone that bridges a sacroiliac joint: the plates on both sides are gone in patches and trabeculae run across."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume
from cotyle.space.mesh import TriangleMesh
from scipy.ndimage import gaussian_filter

from cotyle_sample.distances import surface_distance

BRIDGED_SHARE = 0.7
BRIDGE_HU = 340.0
_PATCH_MM = 9.0
_ACROSS_MM = 5.5
_PLATE_MM = 2.6


def lay_bridge(
    hu: npt.NDArray[np.float32],
    grid: Volume,
    hip_bone: TriangleMesh,
    sacrum: TriangleMesh,
    texture: npt.NDArray[np.float32],
    seed: int,
) -> None:
    """Fill patches of the joint with bone, in place; labels stay split by the two surfaces.

    The bridge takes the gap where both surfaces lie within 5.5 mm of each other, in patches of some 9 mm that cover
    70 % of the joint; within them the plates to a depth of 2.6 mm turn into the same trabecular bone. Voxels of the
    gap keep label 0: the gap itself belongs to neither bone.
    """
    hip, other = (surface_distance(mesh, grid, _ACROSS_MM) for mesh in (hip_bone, sacrum))
    if hip is None or other is None:
        return
    low = [max(a.start, b.start) for a, b in zip(hip.window, other.window, strict=True)]
    high = [min(a.stop, b.stop) for a, b in zip(hip.window, other.window, strict=True)]
    if any(end <= start for start, end in zip(low, high, strict=True)):
        return
    window = tuple(slice(start, end) for start, end in zip(low, high, strict=True))
    to_hip, to_sacrum = (
        each.distance_mm[
            tuple(slice(w.start - o.start, w.stop - o.start) for w, o in zip(window, each.window, strict=True))
        ]
        for each in (hip, other)
    )
    joint = (to_hip + to_sacrum < _ACROSS_MM) & (np.minimum(to_hip, to_sacrum) > -_PLATE_MM)
    joint &= np.maximum(to_hip, to_sacrum) < _ACROSS_MM
    rng = np.random.default_rng([seed, 9, low[0]])
    patches = gaussian_filter(
        rng.standard_normal(joint.shape).astype(np.float32), _PATCH_MM / grid.spacing_mm[::-1] / 2
    )
    if not joint.any():
        return
    bridged = joint & (patches > np.quantile(patches[joint], 1.0 - BRIDGED_SHARE))
    k, j, i = np.nonzero(bridged)
    grain = texture[k % texture.shape[0], j % texture.shape[1], i % texture.shape[2]]
    hu[window][bridged] = BRIDGE_HU + 60.0 * grain
