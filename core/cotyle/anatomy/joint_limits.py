"""Two bones never share a place: how far each surface of the hip joint may grow towards the other."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from cotyle.anatomy.surface_fit import Limit
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.shapes import Sphere

# Least gap kept between two surfaces, mm; below what a scan of 0.8 mm voxels can show.
LEAST_GAP_MM = 0.3
# Vertices farther than this from a femoral head are not part of the joint, mm beyond the head's radius.
_JOINT_MM = 15.0


def clear_of_heads(heads: Iterable[Sphere]) -> Limit:
    """Return a limit that keeps a pelvis out of the femoral heads' spheres."""
    spheres = list(heads)

    def limit(vertices: Array, normals: Array) -> Array:
        farthest = np.full(len(vertices), np.inf)
        for sphere in spheres:
            offset = vertices - sphere.center_lps_mm
            near = np.linalg.norm(offset, axis=1) < sphere.radius_mm + _JOINT_MM
            farthest[near] = np.minimum(farthest[near], _way_to_sphere(offset[near], normals[near], sphere.radius_mm))
        return farthest

    return limit


def clear_of_surface(mesh: TriangleMesh, joint: Sphere) -> Limit:
    """Return a limit that keeps a femur out of a pelvis near the sphere of its head."""
    query = MeshQuery(mesh)

    def limit(vertices: Array, normals: Array) -> Array:
        farthest = np.full(len(vertices), np.inf)
        near = np.linalg.norm(vertices - joint.center_lps_mm, axis=1) < joint.radius_mm + _JOINT_MM
        farthest[near] = query.signed_distance(vertices[near]) - LEAST_GAP_MM
        return farthest

    return limit


def _way_to_sphere(offset: Array, normals: Array, radius_mm: float) -> Array:
    """Way along each normal to the sphere kept free about the head; infinite where the normal passes it by."""
    kept = radius_mm + LEAST_GAP_MM
    along = np.einsum("ij,ij->i", offset, normals)
    squared = np.einsum("ij,ij->i", offset, offset)
    root = along**2 - squared + kept**2
    entry = -along - np.sqrt(np.maximum(root, 0.0))
    meets = (root > 0.0) & (along < 0.0)
    return np.where(meets, entry, np.inf)
