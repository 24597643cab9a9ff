"""Two bones never share a place: how far each surface of the hip joint may grow towards the other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from cotyle.anatomy.surface_fit import LEAST_GAP_MM, Limit
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# Vertices farther than this from a femoral head are not part of the joint, mm beyond the head's radius.
_JOINT_MM = 15.0
# So far medial of its fitted socket a head has gone through it, if that is most of its way.
_LEAST_PROTRUSION_MM, _MEDIAL_SHARE = 4.0, 0.6
# The bone moves with it wholly up to the first distance from the socket's surface, and not at all from the second.
_WHOLE_MM, _FADED_MM = 8.0, 32.0


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


def moved_with_heads(
    vertices: Array, hip_bones: Mapping[Side, BoolArray], sockets: Mapping[Side, Sphere], heads: Mapping[Side, Sphere]
) -> Array:
    """Return a fitted pelvis with its sockets moved to heads that have gone through them into the pelvis (protrusio).

    A head that lies medial of its fitted socket lies where the fit has bone: then the socket has moved with it, and
    the wall behind it too. A head that left its socket upwards or sideways has not taken it along.

    Parameters
    ----------
    vertices:
        Shape (n, 3), fitted pelvis, LPS mm.
    hip_bones:
        Masks (n,) of the vertices of each hip bone.
    sockets, heads:
        Spheres of the fitted sockets, and of the heads that were seen.
    """
    moved = np.array(vertices)
    across = sockets[Side.LEFT].center_lps_mm - sockets[Side.RIGHT].center_lps_mm
    for side, head in heads.items():
        socket = sockets[side]
        way = head.center_lps_mm - socket.center_lps_mm
        medial_mm = float(-side.lateral_sign * (way @ across) / np.linalg.norm(across))
        if medial_mm < max(_LEAST_PROTRUSION_MM, _MEDIAL_SHARE * float(np.linalg.norm(way))):
            continue
        distance = np.linalg.norm(vertices - socket.center_lps_mm, axis=1) - socket.radius_mm
        share = np.clip((_FADED_MM - distance) / (_FADED_MM - _WHOLE_MM), 0.0, 1.0)
        share = share * share * (3.0 - 2.0 * share) * hip_bones[side]
        moved += share[:, None] * way
    return moved


def _way_to_sphere(offset: Array, normals: Array, radius_mm: float) -> Array:
    """Way along each normal to the sphere kept free about the head; infinite where the normal passes it by."""
    kept = radius_mm + LEAST_GAP_MM
    along = np.einsum("ij,ij->i", offset, normals)
    squared = np.einsum("ij,ij->i", offset, offset)
    root = along**2 - squared + kept**2
    entry = -along - np.sqrt(np.maximum(root, 0.0))
    meets = (root > 0.0) & (along < 0.0)
    return np.where(meets, entry, np.inf)
