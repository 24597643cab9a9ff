"""Triangle surfaces in LPS millimetres."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from cotyle.errors import InputError
from cotyle.space.arrays import Array, BoolArray, IntArray, as_points


@dataclass(frozen=True, eq=False)
class TriangleMesh:
    """A surface of triangles; a closed one encloses a solid and its normals point out of it.

    Parameters
    ----------
    vertices_lps_mm:
        Shape (n, 3), LPS mm.
    triangles:
        Shape (m, 3), indices into the vertices, counter-clockwise seen from outside.

    Raises
    ------
    InputError
        ``mesh-index`` if a triangle names a vertex that is not there.
    """

    vertices_lps_mm: Array
    triangles: IntArray

    def __post_init__(self) -> None:
        vertices = as_points(self.vertices_lps_mm, "vertices")
        triangles = np.array(self.triangles, dtype=np.int32)
        if triangles.ndim != 2 or triangles.shape[1] != 3:
            raise InputError("mesh-index", f"triangles must have shape (m, 3), got {triangles.shape}")
        if len(triangles) and (triangles.min() < 0 or triangles.max() >= len(vertices)):
            raise InputError("mesh-index", "a triangle names a vertex that is not there")
        triangles.setflags(write=False)
        object.__setattr__(self, "vertices_lps_mm", vertices)
        object.__setattr__(self, "triangles", triangles)

    @cached_property
    def corners_lps_mm(self) -> Array:
        """Corners of each triangle, shape (m, 3 corners, 3)."""
        return self.vertices_lps_mm[self.triangles]

    @cached_property
    def centroids_lps_mm(self) -> Array:
        """Middle of each triangle, shape (m, 3)."""
        return self.corners_lps_mm.mean(axis=1)

    @cached_property
    def _area_vectors(self) -> Array:
        a, b, c = np.moveaxis(self.corners_lps_mm, 1, 0)
        return 0.5 * np.cross(b - a, c - a)

    @cached_property
    def triangle_areas_mm2(self) -> Array:
        """Area of each triangle, shape (m,)."""
        return np.linalg.norm(self._area_vectors, axis=1)

    @cached_property
    def triangle_normals(self) -> Array:
        """Outward unit normal of each triangle, shape (m, 3); zero where a triangle has no area."""
        return self._area_vectors / np.maximum(self.triangle_areas_mm2, 1e-300)[:, None]

    @cached_property
    def vertex_normals(self) -> Array:
        """Area-weighted outward unit normal of each vertex, shape (n, 3)."""
        return vertex_normals(self.vertices_lps_mm, self.triangles)

    @cached_property
    def vertex_tree(self) -> cKDTree:
        """Search tree of the vertices."""
        return cKDTree(self.vertices_lps_mm)

    @property
    def area_mm2(self) -> float:
        """Area of the whole surface."""
        return float(self.triangle_areas_mm2.sum())

    @property
    def volume_mm3(self) -> float:
        """Enclosed volume of a closed surface (divergence theorem); negative if it is inside out."""
        middle = self.vertices_lps_mm.mean(axis=0)
        return float(np.einsum("ij,ij->", self.corners_lps_mm[:, 0] - middle, self._area_vectors) / 3.0)

    @property
    def bounds_lps_mm(self) -> tuple[Array, Array]:
        """Lower and upper corner of the bounding box."""
        return self.vertices_lps_mm.min(axis=0), self.vertices_lps_mm.max(axis=0)

    @cached_property
    def is_closed(self) -> bool:
        """Whether each edge is shared by two triangles that run it in opposite directions."""
        edges = np.concatenate([self.triangles[:, [0, 1]], self.triangles[:, [1, 2]], self.triangles[:, [2, 0]]])
        forward = edges[:, 0].astype(np.int64) * len(self.vertices_lps_mm) + edges[:, 1]
        backward = edges[:, 1].astype(np.int64) * len(self.vertices_lps_mm) + edges[:, 0]
        return len(np.unique(forward)) == len(forward) and bool(np.isin(forward, backward).all())

    def with_vertices(self, vertices_lps_mm: npt.ArrayLike) -> TriangleMesh:
        """Return the same triangles on moved vertices."""
        return TriangleMesh(as_points(vertices_lps_mm), self.triangles)

    def transformed(self, matrix: npt.ArrayLike) -> TriangleMesh:
        """Apply a 4x4 affine; a mirroring one turns the triangles, so that normals stay outward."""
        affine = np.asarray(matrix, dtype=float)
        moved = self.vertices_lps_mm @ affine[:3, :3].T + affine[:3, 3]
        flipped = np.linalg.det(affine[:3, :3]) < 0
        return TriangleMesh(moved, self.triangles[:, ::-1] if flipped else self.triangles)

    def part(self, triangle_mask: BoolArray) -> TriangleMesh:
        """Return the triangles of a mask of shape (m,), without unused vertices."""
        triangles = self.triangles[triangle_mask]
        used, renumbered = np.unique(triangles, return_inverse=True)
        return TriangleMesh(self.vertices_lps_mm[used], renumbered.reshape(-1, 3).astype(np.int32))


def vertex_normals(vertices_lps_mm: Array, triangles: IntArray) -> Array:
    """Return area-weighted unit normals of vertices, shape (n, 3)."""
    corners = vertices_lps_mm[triangles]
    area_vectors = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = np.empty_like(vertices_lps_mm)
    for axis in range(3):
        weights = np.repeat(area_vectors[:, axis], 3)
        normals[:, axis] = np.bincount(triangles.ravel(), weights=weights, minlength=len(vertices_lps_mm))
    return np.asarray(normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300))


def merged(meshes: Iterable[TriangleMesh]) -> TriangleMesh:
    """Return several surfaces as one, without joining their vertices."""
    parts = list(meshes)
    offsets = np.cumsum([0] + [len(part.vertices_lps_mm) for part in parts[:-1]])
    return TriangleMesh(
        np.concatenate([part.vertices_lps_mm for part in parts]),
        np.concatenate([part.triangles + offset for part, offset in zip(parts, offsets, strict=True)]),
    )
