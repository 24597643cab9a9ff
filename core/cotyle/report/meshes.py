"""Surfaces for other programs: STL in LPS millimetres, and the cavity with the wall behind it as VTP."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import vtkStringArray
from vtkmodules.vtkIOXML import vtkXMLPolyDataReader, vtkXMLPolyDataWriter

from cotyle.case.stages import PlannedCup
from cotyle.cup.component import Cup
from cotyle.cup.wall import WallMap, hemisphere_mesh
from cotyle.errors import InputError
from cotyle.files import atomic_path
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import STL_HEADER, from_polydata, to_polydata, write_stl

THICKNESS_ARRAY = "wall_thickness_mm"
_PATCH_RINGS, _PATCH_ALONG = 3, 8


def write_meshes(folder: Path, planned: PlannedCup) -> None:
    """Write each bone, the cup's shell and the cavity's floor."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, mesh in planned.anatomy.surfaces.items():
        _write_stl(mesh, folder / f"{name}.stl")
    _write_stl(cup_shell(planned.cup), folder / "cup.stl")
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
    with TemporaryDirectory() as folder:
        path = Path(folder) / "cavity.stl"
        write_stl(mesh, path)
        return path.read_bytes()


def dashed_dome(cup: Cup, rings: int = 24, per_ring: int = 96) -> TriangleMesh:
    """Return the outside of a cup as patches with as much room between them, like a chess board.

    Cut anywhere it shows dashes, so that no slice takes it for the planned cup, whatever its colour.
    """
    whole = hemisphere_mesh(cup.center_lps_mm, -cup.opening_axis_lps, cup.radius_mm, rings, per_ring)
    ring = np.concatenate([np.zeros(per_ring, dtype=int), np.repeat(np.arange(1, rings), 2 * per_ring)])
    along = np.tile(np.arange(per_ring), 2 * rings - 1)
    kept = (ring // _PATCH_RINGS + along // _PATCH_ALONG) % 2 == 0
    return TriangleMesh(whole.vertices_lps_mm, whole.triangles[kept])


def _write_stl(mesh: TriangleMesh, path: Path) -> None:
    with atomic_path(path) as temporary:
        write_stl(mesh, temporary)


def _write_cavity(wall_map: WallMap, path: Path) -> None:
    data = to_polydata(wall_map.mesh)
    thickness = numpy_to_vtk(np.ascontiguousarray(wall_map.thickness_mm), deep=True)
    thickness.SetName(THICKNESS_ARRAY)
    data.GetPointData().SetScalars(thickness)
    note = vtkStringArray()
    note.SetName("note")
    note.InsertNextValue(STL_HEADER)
    data.GetFieldData().AddArray(note)
    with atomic_path(path) as temporary:
        writer = vtkXMLPolyDataWriter()
        writer.SetFileName(str(temporary))
        writer.SetInputData(data)
        writer.SetDataModeToAppended()
        if writer.Write() != 1:
            raise InputError(
                "output-unwritable", f"cannot write {path.name}", "Check the folder's rights and free space"
            )
