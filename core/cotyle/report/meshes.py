"""Surfaces for other programs: STL in LPS millimetres, and the cavity with the wall behind it as VTP."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import vtkStringArray
from vtkmodules.vtkIOXML import vtkXMLPolyDataReader, vtkXMLPolyDataWriter

from cotyle.case.stages import PlannedCup
from cotyle.cup.component import Cup
from cotyle.cup.wall import WallMap, hemisphere_mesh
from cotyle.errors import InputError
from cotyle.files import write_text_atomically
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import STL_HEADER, from_polydata, stl_bytes, to_polydata, write_stl

THICKNESS_ARRAY = "wall_thickness_mm"
_PATCH_RINGS, _PATCH_ALONG = 3, 8


def write_meshes(folder: Path, planned: PlannedCup) -> None:
    """Write each bone, the cup's shell and the cavity's floor."""
    for name, mesh in planned.anatomy.surfaces.items():
        write_stl(mesh, folder / f"{name}.stl")
    write_stl(cup_shell(planned.cup), folder / "cup.stl")
    assert planned.wall.map is not None
    _write_cavity(planned.wall.map, folder / "cavity.vtp")


def cup_shell(cup: Cup, rings: int = 32, per_ring: int = 128) -> TriangleMesh:
    """Return the closed surface of the generic shell: outer and inner hemisphere and the rim between them."""
    inner_radius = cup.liner_outer_diameter_mm / 2
    inward = -cup.opening_axis_lps
    outer = hemisphere_mesh(cup.center_lps_mm, inward, cup.radius_mm, rings, per_ring)
    inner = hemisphere_mesh(cup.center_lps_mm, inward, inner_radius, rings, per_ring)
    count = len(outer.vertices_lps_mm)
    here = count - per_ring + np.arange(per_ring)
    beside = count - per_ring + (np.arange(per_ring) + 1) % per_ring
    rim = np.concatenate(
        [
            np.stack([here, here + count, beside], axis=1),
            np.stack([beside, here + count, beside + count], axis=1),
        ]
    )
    vertices = np.concatenate([outer.vertices_lps_mm, inner.vertices_lps_mm])
    triangles = np.concatenate([outer.triangles, inner.triangles[:, ::-1] + count, rim])
    return TriangleMesh(vertices, triangles.astype(np.int32))


def cavity_stl(file: Path) -> bytes:
    """Return the cavity's floor of a case as STL, without the wall's thickness.

    Raises
    ------
    InputError
        ``file-damaged``.
    """
    reader = vtkXMLPolyDataReader()
    reader.SetFileName(str(file))
    reader.Update()
    mesh = from_polydata(reader.GetOutput())
    if len(mesh.triangles) == 0:
        raise InputError("file-damaged", f"{file.name} holds no surface", "Plan the case again")
    return stl_bytes(mesh)


def dashed_dome(cup: Cup, rings: int = 24, per_ring: int = 96) -> TriangleMesh:
    """Return the outside of a cup as patches with as much room between them, like a chess board.

    Cut anywhere it shows dashes, so that no slice takes it for the planned cup, whatever its colour.
    """
    whole = hemisphere_mesh(cup.center_lps_mm, -cup.opening_axis_lps, cup.radius_mm, rings, per_ring)
    ring = np.concatenate([np.zeros(per_ring, dtype=int), np.repeat(np.arange(1, rings), 2 * per_ring)])
    along = np.tile(np.arange(per_ring), 2 * rings - 1)
    kept = (ring // _PATCH_RINGS + along // _PATCH_ALONG) % 2 == 0
    return TriangleMesh(whole.vertices_lps_mm, whole.triangles[kept])


def _write_cavity(wall_map: WallMap, path: Path) -> None:
    data = to_polydata(wall_map.mesh)
    thickness = numpy_to_vtk(np.ascontiguousarray(wall_map.thickness_mm), deep=True)
    thickness.SetName(THICKNESS_ARRAY)
    data.GetPointData().SetScalars(thickness)
    note = vtkStringArray()
    note.SetName("note")
    note.InsertNextValue(STL_HEADER)
    data.GetFieldData().AddArray(note)
    writer = vtkXMLPolyDataWriter()
    writer.SetInputData(data)
    writer.SetDataModeToBinary()  # as text: VTK hands over no string that holds other bytes
    writer.WriteToOutputStringOn()  # into a file it would not say where the disk is full
    writer.Write()
    write_text_atomically(path, writer.GetOutputString())
