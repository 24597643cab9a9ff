"""A sacrum of a shape that the model doesn't hold: the bone that is left once the hip bones are taken away.

Such a sacrum shows edges alike on its inside and its outside, and a surface that starts a centimetre off follows now
the one, now the other. So what is left is first filled, and model and surface are fitted to that solid, which has one
edge only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage

from cotyle.anatomy.segmentation.pelvis_parts import MIDDLE, NEAR, part_of_shape
from cotyle.anatomy.shapes.edge_profiles import EdgeSearch
from cotyle.anatomy.shapes.shape_fit import FitRound, ShapeFit, fit_shape
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE, SACRUM
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.anatomy.shapes.surface_fit import SurfaceRound, free_surface
from cotyle.image.pieces import largest_piece
from cotyle.image.pyramid import block_mean
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray, IntArray
from cotyle.space.mesh import TriangleMesh

_SPACING_MM = 1.6
# Cancellous bone of an adult sacrum lies above this, muscle below (common practice, no source).
_BONE_HU = 140.0
_AROUND_MM = 10.0
# The grid goes on beyond, so that the search for edges sees both sides of each.
_MARGIN_MM = 30.0
# Bridges of at most twice this many voxels, to a vertebra or a hip bone, are cut; hip bones are taken away with a
# margin as wide.
_BRIDGE_VOXELS = 3
# Volume of the solid against that of the model's sacrum, beyond which it is something else.
_LEAST_SIZE, _MOST_SIZE = 0.4, 2.5
# Densities with which the solid poses as a scan; any step does.
_INSIDE_HU, _OUTSIDE_HU = 450.0, 0.0

_FREE = ((16.0, 300.0), (10.0, 60.0), (6.0, 20.0), (3.0, 3.0))


def solid_between(volume: Volume, hip_bones: Sequence[TriangleMesh]) -> Volume | None:
    """Return the largest piece of bone beside both hip bones as a solid, or None if there is none.

    Parameters
    ----------
    volume:
        CT in HU.
    hip_bones:
        Closed surfaces, about where the hip bones are.

    Returns
    -------
    Volume
        ``_INSIDE_HU`` in the solid, ``_OUTSIDE_HU`` elsewhere, [k, j, i] in voxels of 1.6 mm, at the height and within
        the breadth of the hip bones.
    """
    points = np.concatenate([mesh.vertices_lps_mm for mesh in hip_bones])
    grid = block_mean(volume.around(points, _MARGIN_MM), _SPACING_MM)
    bone = ndimage.gaussian_filter(grid.voxels, 0.6) > _BONE_HU
    taken = np.zeros_like(bone)
    for mesh in hip_bones:
        mask, window = inside_mask(mesh, grid)
        taken[window] |= mask
    # before hip bones go, whose margin would open it; slice by slice, because the scan may end in the middle of it
    filled = np.stack([ndimage.binary_fill_holes(level) for level in bone | taken])
    solid = _largest_solid(filled & _near(grid, points) & ~ndimage.binary_dilation(taken, iterations=_BRIDGE_VOXELS))
    if not solid.any():
        return None
    return grid.with_voxels(np.where(solid, _INSIDE_HU, _OUTSIDE_HU).astype(np.float32))


def _near(grid: Volume, points_lps_mm: Array) -> BoolArray:
    """The voxels within 10 mm of the box that holds the points."""
    ijk = grid.to_ijk(points_lps_mm)
    around = _AROUND_MM / grid.spacing_mm
    low, high = ijk.min(axis=0) - around, ijk.max(axis=0) + around
    within = [(np.arange(n) >= a) & (np.arange(n) <= b) for n, a, b in zip(grid.size, low, high, strict=True)]
    return np.asarray(within[2][:, None, None] & within[1][:, None] & within[0])


def _largest_solid(mask: BoolArray) -> BoolArray:
    """The largest piece once thin bridges are cut, at its full thickness again."""
    largest = largest_piece(np.asarray(ndimage.binary_erosion(mask, iterations=_BRIDGE_VOXELS)))
    return np.asarray(ndimage.binary_dilation(largest, iterations=_BRIDGE_VOXELS) & mask)


def find_lost_sacrum(
    volume: Volume, model: ShapeModel, pelvis_lps_mm: Array, whole: ShapeFit
) -> tuple[ShapeFit, Volume] | None:
    """Return the model's sacrum where the bone between the hip bones is, and that bone; None if it may be none.

    Parameters
    ----------
    volume:
        CT in HU.
    model:
        The shape model.
    pelvis_lps_mm:
        Vertices (n, 3) in the order of ``model`` whose hip bones lie about right.
    whole:
        The fit of the whole pelvis, which gives direction, size and modes to start from.
    """
    solid = solid_between(volume, [model.part(pelvis_lps_mm, code) for code in HIP_CODE.values()])
    if solid is None:
        return None
    rows, shape = part_of_shape(model, SACRUM)
    placed = TriangleMesh(shape.vertices(whole.weights_sd, whole.pose), shape.triangles)
    inside = np.argwhere(solid.voxels > _OUTSIDE_HU)
    size = len(inside) * solid.voxel_volume_mm3 / placed.volume_mm3
    if not _LEAST_SIZE < size < _MOST_SIZE:
        return None
    shift = solid.to_lps(inside[:, ::-1]).mean(axis=0) - placed.vertices_lps_mm.mean(axis=0)
    pose = replace(whole.pose, translation_mm=whole.pose.translation_mm + shift)
    modes = len(whole.weights_sd)
    rounds = (
        [FitRound(MIDDLE, 0, 0.0, free_scale=False)] * 4
        + [FitRound(MIDDLE, modes, 0.02)] * 4
        + [FitRound(NEAR, modes, 0.008)] * 4
    )
    return fit_shape(solid, shape, replace(whole, pose=pose, step_hu=whole.step_hu[rows]), rounds), solid


def follow_solid(solid: Volume, vertices_lps_mm: Array, triangles: IntArray) -> Array:
    """Return the sacrum's vertices (n, 3) LPS mm on the surface of the solid."""
    rounds = [SurfaceRound(EdgeSearch(reach, 0.5, 2.0, 600.0, 350.0), stiffness) for reach, stiffness in _FREE]
    followed, _ = free_surface(solid, vertices_lps_mm, triangles, rounds)
    return followed
