"""Two bones never share a place: how far each surface of the hip joint may grow towards the other."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from scipy.spatial import cKDTree

from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.anatomy.shapes.surface_fit import LEAST_GAP_MM, Limit
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# Vertices farther than this from a femoral head are not part of the joint, mm beyond the head's radius.
_JOINT_MM = 15.0
# A head has gone through its socket if half of the fitted floor lies so deep within it.
_LEAST_PROTRUSION_MM = 2.0
# Bone moves as the nearest vertices of the socket do: wholly up to the first distance from them, not at all from the
# second.
_WHOLE_MM, _FADED_MM, _NEIGHBOURS = 10.0, 30.0, 12


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


def cleared_by_heads(vertices: Array, model: ShapeModel, heads: Mapping[Side, Sphere]) -> Array:
    """Return a fitted pelvis with its sockets pushed out of heads that have gone through them (protrusio).

    Where a head was seen there is no bone: what the fit has of a socket within it lies beyond it, seen from its middle,
    and the wall behind has moved along. A head that merely left its socket upwards or sideways has not pushed it.

    Parameters
    ----------
    vertices:
        Shape (n, 3), fitted pelvis in the order of ``model``, LPS mm.
    heads:
        Spheres of the heads that were seen.
    """
    cleared = np.array(vertices)
    for side, head in heads.items():
        floor = np.union1d(model.fossa_vertices[side], model.lunate_vertices[side])
        offset = vertices[floor] - head.center_lps_mm
        away = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
        push = np.maximum(head.radius_mm + LEAST_GAP_MM - away, 0.0)
        if np.median(push[np.isin(floor, model.fossa_vertices[side])]) < _LEAST_PROTRUSION_MM:
            continue
        moves = (push / away)[:, None] * offset
        bone = np.flatnonzero(model.pelvis_component == HIP_CODE[side])
        distance, nearest = cKDTree(vertices[floor]).query(vertices[bone], k=_NEIGHBOURS)
        share = np.clip((_FADED_MM - distance[:, 0]) / (_FADED_MM - _WHOLE_MM), 0.0, 1.0)
        weight = 1.0 / (distance + 1.0)
        spread = (weight[:, :, None] * moves[nearest]).sum(axis=1) / weight.sum(axis=1)[:, None]
        cleared[bone] += (share * share * (3.0 - 2.0 * share))[:, None] * spread
    return cleared


def _way_to_sphere(offset: Array, normals: Array, radius_mm: float) -> Array:
    """Way along each normal to the sphere kept free about the head; infinite where the normal passes it by."""
    kept = radius_mm + LEAST_GAP_MM
    along = np.einsum("ij,ij->i", offset, normals)
    squared = np.einsum("ij,ij->i", offset, offset)
    root = along**2 - squared + kept**2
    entry = -along - np.sqrt(np.maximum(root, 0.0))
    meets = (root > 0.0) & (along < 0.0)
    return np.where(meets, entry, np.inf)
