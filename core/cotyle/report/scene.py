"""One 3D picture by VTK, drawn off the screen. Run as its own process: ``python -m cotyle.report.scene JOB``.

Where a machine has no OpenGL, VTK ends the whole process. In a process of its own that costs the picture, not the plan;
:mod:`cotyle.report.scene_process` starts it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from cotyle.case.values import load
from cotyle.space.arrays import Array, unit
from cotyle.space.mesh import TriangleMesh


@dataclass(frozen=True, eq=False)
class Layer:
    """A surface in a picture.

    ``keep`` (n,) cuts the surface where it falls below zero. ``values`` (n,) colour it from ``low`` to ``high``;
    without them it has the one ``color``, red, green, blue from 0 to 1.
    """

    mesh: TriangleMesh
    color: tuple[float, float, float]
    opacity: float = 1.0
    keep: Array | None = None
    values: Array | None = None
    low: float = 0.0
    high: float = 1.0


@dataclass(frozen=True, eq=False)
class Camera:
    """A parallel view: the picture's middle, the direction to the viewer, up, and half the height shown in mm."""

    center_lps_mm: Array
    toward_viewer_lps: Array
    up_lps: Array
    half_height_mm: float

    def project(self, points_lps_mm: Array, width: float, height: float) -> Array:
        """Return (column, row) of points (n, 3) in a picture of that many pixels, rows downwards."""
        toward = unit(self.toward_viewer_lps)
        up = unit(self.up_lps - (self.up_lps @ toward) * toward)
        right = np.cross(up, toward)
        offset = np.asarray(points_lps_mm) - self.center_lps_mm
        scale = height / (2 * self.half_height_mm)
        return np.stack([width / 2 + scale * (offset @ right), height / 2 - scale * (offset @ up)], axis=-1)


@dataclass(frozen=True, eq=False)
class Picture:
    """What to draw and where to write it."""

    layers: tuple[Layer, ...]
    camera: Camera
    size: tuple[int, int]
    file: str
    lookup: Array
    """Colours of the values, shape (n, 3), from 0 to 1."""


@dataclass(frozen=True, eq=False)
class Job:
    """Several pictures for one process."""

    pictures: tuple[Picture, ...]


def draw(picture: Picture, folder: Path) -> None:
    """Draw one picture into the folder."""
    import vtkmodules.vtkRenderingOpenGL2  # noqa: F401  (registers the renderer)
    from vtkmodules.util.numpy_support import vtk_to_numpy
    from vtkmodules.vtkIOImage import vtkPNGWriter
    from vtkmodules.vtkRenderingCore import vtkLight, vtkRenderer, vtkRenderWindow, vtkWindowToImageFilter

    renderer = vtkRenderer()
    renderer.SetBackground(1, 1, 1)
    for layer in picture.layers:
        renderer.AddActor(_actor(layer, picture.lookup))
    window = vtkRenderWindow()
    window.SetOffScreenRendering(1)
    window.SetSize(*picture.size)
    window.SetAlphaBitPlanes(1)
    window.SetMultiSamples(0)
    renderer.SetUseDepthPeeling(1)
    renderer.SetMaximumNumberOfPeels(8)
    renderer.SetUseFXAA(True)
    camera, toward = renderer.GetActiveCamera(), unit(picture.camera.toward_viewer_lps)
    camera.ParallelProjectionOn()
    camera.SetParallelScale(picture.camera.half_height_mm)
    camera.SetFocalPoint(*picture.camera.center_lps_mm)
    camera.SetPosition(*(picture.camera.center_lps_mm + 600 * toward))
    camera.SetViewUp(*picture.camera.up_lps)
    renderer.RemoveAllLights()
    renderer.AutomaticLightCreationOff()
    for azimuth, height, strength in ((-0.55, 0.65, 0.8), (0.75, 0.1, 0.35), (0.0, -0.8, 0.15)):
        light = vtkLight()
        light.SetLightTypeToCameraLight()
        light.SetPosition(azimuth, height, 1.0)
        light.SetIntensity(strength)
        renderer.AddLight(light)
    renderer.ResetCameraClippingRange()
    window.AddRenderer(renderer)
    window.Render()
    grab = vtkWindowToImageFilter()
    grab.SetInput(window)
    grab.ReadFrontBufferOff()
    writer = vtkPNGWriter()
    writer.SetCompressionLevel(3)
    writer.WriteToMemoryOn()  # into a file it would not say where the disk is full
    writer.SetInputConnection(grab.GetOutputPort())
    writer.Write()
    (folder / picture.file).write_bytes(vtk_to_numpy(writer.GetResult()).tobytes())


def _actor(layer: Layer, lookup: Array) -> Any:
    from vtkmodules.util.numpy_support import numpy_to_vtk
    from vtkmodules.vtkCommonCore import vtkLookupTable
    from vtkmodules.vtkFiltersCore import vtkPolyDataNormals
    from vtkmodules.vtkRenderingCore import vtkActor, vtkPolyDataMapper

    from cotyle.space.mesh_files import clipped, to_polydata

    data = to_polydata(layer.mesh)
    if layer.values is not None:
        values = numpy_to_vtk(np.ascontiguousarray(layer.values), deep=True)
        values.SetName("value")
        data.GetPointData().AddArray(values)
    if layer.keep is not None:
        data = clipped(data, layer.keep)
    normals = vtkPolyDataNormals()
    normals.SetInputData(data)
    normals.SplittingOff()
    normals.ConsistencyOff()
    mapper = vtkPolyDataMapper()
    mapper.SetInputConnection(normals.GetOutputPort())
    actor = vtkActor()
    if layer.values is not None:
        table = vtkLookupTable()
        table.SetNumberOfTableValues(len(lookup))
        for index, (red, green, blue) in enumerate(lookup):
            table.SetTableValue(index, red, green, blue, 1.0)
        mapper.SetLookupTable(table)
        mapper.SetScalarModeToUsePointFieldData()
        mapper.SelectColorArray("value")
        mapper.SetScalarRange(layer.low, layer.high)
        mapper.InterpolateScalarsBeforeMappingOn()
        actor.GetProperty().SetAmbient(0.35)
        actor.GetProperty().SetDiffuse(0.7)
    else:
        mapper.ScalarVisibilityOff()
        actor.GetProperty().SetAmbient(0.1)
        actor.GetProperty().SetSpecular(0.08)
        actor.GetProperty().SetSpecularPower(12)
    actor.SetMapper(mapper)
    actor.GetProperty().SetColor(*layer.color)
    actor.GetProperty().SetOpacity(layer.opacity)
    return actor


if __name__ == "__main__":
    job_file = Path(sys.argv[1])
    for each in load(Job, job_file).pictures:
        draw(each, job_file.parent)
