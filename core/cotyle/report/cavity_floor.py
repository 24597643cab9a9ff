"""What there is to look at once a cavity is cut: the part of its floor that lies in bone, and the bone around it."""

from __future__ import annotations

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy

from cotyle.cup.cavity import Cavity
from cotyle.cup.wall import WallMap
from cotyle.space.arrays import Array, read_only
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import clipped, from_polydata, to_polydata
from cotyle.space.mesh_queries import MeshQuery


def floor_in_bone(bone: TriangleMesh, wall_map: WallMap) -> WallMap:
    """Return the map without the part of the floor that lies outside a closed bone; empty where all of it does."""
    depth = -MeshQuery(bone).signed_distance(wall_map.mesh.vertices_lps_mm)
    mesh, thickness = _kept(wall_map.mesh, depth, wall_map.thickness_mm)
    return WallMap(mesh, thickness)


def bone_outside(bone: TriangleMesh, cavity: Cavity) -> TriangleMesh:
    """Return the surface of a bone without what lies in a cavity; open where the cavity meets it."""
    return _kept(bone, cavity.signed_distance_mm(bone.vertices_lps_mm), np.zeros(len(bone.vertices_lps_mm)))[0]


def _kept(mesh: TriangleMesh, keep: Array, values: Array) -> tuple[TriangleMesh, Array]:
    """Return a surface where ``keep`` (n,) is not below zero, cut between its vertices, and the values there."""
    data = to_polydata(mesh)
    carried = numpy_to_vtk(np.ascontiguousarray(values), deep=True)
    carried.SetName("values")
    data.GetPointData().AddArray(carried)
    kept = clipped(data, keep)
    if kept.GetNumberOfPolys() == 0:
        return TriangleMesh(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32)), read_only(np.empty(0))
    return from_polydata(kept), read_only(vtk_to_numpy(kept.GetPointData().GetArray("values")).astype(float))
