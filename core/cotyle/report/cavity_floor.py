"""The part of a cavity's floor that lies in bone, with the wall behind it: what there is to look at."""

from __future__ import annotations

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
from vtkmodules.vtkFiltersCore import vtkClipPolyData

from cotyle.cup.wall import WallMap
from cotyle.space.arrays import read_only
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import from_polydata, to_polydata
from cotyle.space.mesh_queries import MeshQuery


def floor_in_bone(bone: TriangleMesh, wall_map: WallMap) -> WallMap:
    """Return the map without the part of the floor that lies outside a closed bone; empty where all of it does."""
    data = to_polydata(wall_map.mesh)
    thickness = numpy_to_vtk(np.ascontiguousarray(wall_map.thickness_mm), deep=True)
    thickness.SetName("thickness")
    data.GetPointData().AddArray(thickness)
    depth = numpy_to_vtk(-MeshQuery(bone).signed_distance(wall_map.mesh.vertices_lps_mm), deep=True)
    depth.SetName("depth")
    data.GetPointData().SetScalars(depth)
    clip = vtkClipPolyData()
    clip.SetInputData(data)
    clip.SetValue(0.0)
    clip.Update()
    kept = clip.GetOutput()
    if kept.GetNumberOfPolys() == 0:
        return WallMap(TriangleMesh(np.empty((0, 3)), np.empty((0, 3), dtype=np.int32)), read_only(np.empty(0)))
    values = vtk_to_numpy(kept.GetPointData().GetArray("thickness")).astype(float)
    return WallMap(from_polydata(kept), read_only(values))
