"""A surface as points close enough together that nothing of it is far from one."""

from __future__ import annotations

import numpy as np

from cotyle.space.arrays import Array, IntArray
from cotyle.space.mesh import TriangleMesh


def surface_points(mesh: TriangleMesh, spacing_mm: float) -> Array:
    """Return points (n, 3): every vertex, and a lattice in each triangle whose steps are no longer than the spacing."""
    corners = mesh.corners_lps_mm
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    steps = np.maximum(np.ceil(longest / spacing_mm).astype(int), 1)
    parts = [mesh.vertices_lps_mm[np.unique(mesh.triangles)]]
    for count in np.unique(steps[steps > 1]):
        shares = _lattice(int(count))
        parts.append(np.einsum("sc,tcx->tsx", shares, corners[steps == count]).reshape(-1, 3))
    return np.concatenate(parts)


def open_vertices(mesh: TriangleMesh) -> IntArray:
    """Return the numbers of the vertices on open edges, those of one triangle alone."""
    edges = np.sort(np.concatenate([mesh.triangles[:, pair] for pair in ([0, 1], [1, 2], [2, 0])]), axis=1)
    alone, count = np.unique(edges, axis=0, return_counts=True)
    return np.unique(alone[count == 1]).astype(np.int32)


def _lattice(count: int) -> Array:
    """Shares (n, 3) of a triangle's corners at the points of a lattice, its corners left out."""
    i, j = np.meshgrid(np.arange(count + 1), np.arange(count + 1), indexing="ij")
    i, j = i[i + j <= count], j[i + j <= count]
    shares = np.stack([i, j, count - i - j], axis=1) / count
    return np.asarray(shares[shares.max(axis=1) < 1.0])
