"""Closed surfaces turned into voxels."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkImagingStencil import vtkImageStencilToImage, vtkPolyDataToImageStencil

from cotyle.image.volume import Volume
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import to_polydata


def inside_mask(mesh: TriangleMesh, grid: Volume) -> tuple[npt.NDArray[np.bool_], tuple[slice, slice, slice]]:
    """Return which voxel centres of a grid lie inside a closed surface.

    Returns
    -------
    mask, window
        The mask covers only ``window``, slices (k, j, i) into the grid round the surface; all else is outside.
    """
    ijk = mesh.vertices_lps_mm @ grid.lps_to_ijk[:3, :3].T + grid.lps_to_ijk[:3, 3]
    low = np.clip(np.floor(ijk.min(axis=0)).astype(int), 0, np.array(grid.size) - 1)
    high = np.clip(np.ceil(ijk.max(axis=0)).astype(int) + 1, low + 1, grid.size)
    stencil = vtkPolyDataToImageStencil()
    stencil.SetInputData(to_polydata(TriangleMesh(ijk, mesh.triangles)))
    stencil.SetOutputOrigin(0.0, 0.0, 0.0)
    stencil.SetOutputSpacing(1.0, 1.0, 1.0)
    stencil.SetOutputWholeExtent(low[0], high[0] - 1, low[1], high[1] - 1, low[2], high[2] - 1)
    stencil.SetTolerance(0.0)
    image = vtkImageStencilToImage()
    image.SetInputConnection(stencil.GetOutputPort())
    image.SetInsideValue(1)
    image.SetOutsideValue(0)
    image.SetOutputScalarTypeToUnsignedChar()
    image.Update()
    output = image.GetOutput()
    ni, nj, nk = output.GetDimensions()
    mask = vtk_to_numpy(output.GetPointData().GetScalars()).reshape(nk, nj, ni).astype(bool)
    return mask, (slice(low[2], high[2]), slice(low[1], high[1]), slice(low[0], high[0]))
