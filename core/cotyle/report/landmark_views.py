"""Where to look from to see a landmark on its bone in 3D."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.on_bone import bone_of
from cotyle.image.labels import hip_bone
from cotyle.report.scene import Camera
from cotyle.space.arrays import Array, as_vector, unit
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

_NEAR_HALF_MM = 75.0
_AT_THE_LOWER_END = ("coccyx_tip", "ischial_tuberosity", "symphysis")
_MARGIN = 1.1


def pelvis_camera(surfaces: Mapping[str, TriangleMesh]) -> Camera:
    """Return a look at hip bones and sacrum from in front, as wide as they are."""
    corners = [corner for name, mesh in surfaces.items() if not name.endswith("femur") for corner in mesh.bounds_lps_mm]
    low, high = np.min(corners, axis=0), np.max(corners, axis=0)
    half = _MARGIN * 0.5 * max(high[2] - low[2], high[0] - low[0])
    return Camera(0.5 * (low + high), SCANNER.anterior, SCANNER.superior, float(half))


def place_to_look(name: str, carried: Mapping[str, Array], surfaces: Mapping[str, TriangleMesh]) -> Array:
    """Return where to look for a landmark that was not found, (3,) LPS mm: no place for it, only for the eye.

    It is where the fitted shape carries it, or else the middle or the lower end of its bone; of one that lies on no
    bone, of the hip bones of its side.

    Parameters
    ----------
    carried:
        Points that the fitted shape carries, by name.
    surfaces:
        By bone; those that there are.
    """
    if name in carried:
        return as_vector(carried[name], name)
    bone = bone_of(name)
    sides = [side for side in Side if name.endswith(f"_{side}")] or list(Side)
    wanted = [hip_bone(side) for side in sides] if bone is None else [bone]
    meshes = [surfaces[each] for each in wanted if each in surfaces] or list(surfaces.values())
    vertices = np.concatenate([mesh.vertices_lps_mm for mesh in meshes])
    if name.startswith(_AT_THE_LOWER_END):
        return as_vector(vertices[np.argmin(vertices @ SCANNER.superior)])
    return as_vector(0.5 * (vertices.min(axis=0) + vertices.max(axis=0)))


def mark_camera(name: str, point_lps_mm: npt.ArrayLike, surfaces: Mapping[str, TriangleMesh]) -> Camera:
    """Return a look at a landmark from where its bone faces, from in front where it lies on none."""
    point, bone = as_vector(point_lps_mm, name), bone_of(name)
    toward = SCANNER.anterior
    if bone is not None and bone in surfaces:
        mesh = surfaces[bone]
        nearest = int(np.argmin(np.linalg.norm(mesh.vertices_lps_mm - point, axis=1)))
        outward = mesh.vertex_normals[nearest]
        # seen from straight above or below, nobody knows where he is
        level = outward - (outward @ SCANNER.superior) * SCANNER.superior
        toward = unit(level + 0.5 * (outward - level)) if np.linalg.norm(level) > 0.2 else SCANNER.anterior
    return Camera(point, toward, SCANNER.superior, _NEAR_HALF_MM)
