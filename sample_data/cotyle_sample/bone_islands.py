"""Islands of bone in the soft parts beside a hip, as after an injury or an operation. They bear no label."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, unit
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.spatial import cKDTree

_SHELL_MM = 1.2
_CLOSE_MM = 80.0


@dataclass(frozen=True)
class BoneIsland:
    """One island: where it lies from the middle of the socket, its size and its densities.

    lateral, anterior, superior: direction (any length). half_axes_mm: along lateral, anterior, superior. gap_mm: it
    lies as near to the socket's centre as leaves this much between it and every bone. Densities are common practice,
    no source.
    """

    side: Side
    direction: tuple[float, float, float] = (0.75, 0.6, 0.3)
    half_axes_mm: tuple[float, float, float] = (5.0, 6.0, 11.0)
    gap_mm: float = 2.5
    shell_hu: float = 850.0
    core_hu: float = 260.0


def lay_islands(
    hu: npt.NDArray[np.float32],
    grid: Volume,
    islands: Sequence[BoneIsland],
    joints: Mapping[Side, Sphere],
    bones: Mapping[str, TriangleMesh],
) -> None:
    """Write islands into HU values of an axis-aligned grid in place."""
    for island in islands:
        joint = joints[island.side]
        axes = np.array(island.half_axes_mm)
        center = _place(island, joint, bones)
        part = grid.around(center[None, :], float(axes.max()) + 2.0)
        first = np.round(grid.to_ijk(part.ijk_to_lps[:3, 3])).astype(int)
        i, j, k = part.size
        window = np.s_[first[2] : first[2] + k, first[1] : first[1] + j, first[0] : first[0] + i]
        x, y, z = (
            part.ijk_to_lps[a, 3] + np.arange(n) * grid.spacing_mm[a] - center[a] for a, n in enumerate((i, j, k))
        )
        offsets = np.stack(np.broadcast_arrays(x[None, None, :], y[None, :, None], z[:, None, None]), axis=-1)
        level = _level(offsets, axes)
        edge = float(grid.spacing_mm.mean())
        box = hu[window]
        core = np.clip(0.5 - (level + _SHELL_MM) / edge, 0.0, 1.0)
        bone = island.shell_hu + (island.core_hu - island.shell_hu) * core
        box += ((bone - box) * np.clip(0.5 - level / edge, 0.0, 1.0)).astype(np.float32)


def _level(offsets: Array, axes: Array) -> Array:
    """Bumpy ellipsoid, negative inside, mm."""
    bumps = (
        0.12 * np.sin(0.7 * offsets[..., 0] + 1.0) * np.sin(0.6 * offsets[..., 1]) * np.sin(0.5 * offsets[..., 2] + 0.5)
    )
    radius = np.sqrt(((offsets / axes) ** 2).sum(axis=-1)) + bumps
    return np.asarray((radius - 1.0) * axes.min())


def _place(island: BoneIsland, joint: Sphere, bones: Mapping[str, TriangleMesh]) -> Array:
    """Nearest place along the direction where the whole island keeps its gap to every bone."""
    lateral, anterior, superior = island.direction
    way = unit(np.array([island.side.lateral_sign * lateral, -anterior, superior]))
    vertices = np.concatenate([mesh.vertices_lps_mm for mesh in bones.values()])
    near = vertices[np.linalg.norm(vertices - joint.center_lps_mm, axis=1) < _CLOSE_MM]
    axes = np.array(island.half_axes_mm)
    turns = np.random.default_rng(0).standard_normal((400, 3))
    surface = turns / np.linalg.norm(turns, axis=1, keepdims=True) * axes * 1.1
    tree = cKDTree(near)
    for distance in np.arange(joint.radius_mm + 4.0, _CLOSE_MM, 0.5):
        center = joint.center_lps_mm + distance * way
        if tree.query(surface + center)[0].min() > island.gap_mm:
            return np.asarray(center)
    raise ValueError("there is no room for the island of bone")
