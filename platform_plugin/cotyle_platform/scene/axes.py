"""The one conversion between the core's axes (LPS) and the scene's (RAS): left and posterior change their signs.

It is a half turn about the superior axis, no mirror: it is its own inverse, and surfaces keep their outside.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from cotyle.space.arrays import Array, read_only
from cotyle.space.mesh import TriangleMesh
from vtkmodules.vtkCommonMath import vtkMatrix4x4

FLIP: Array = read_only(np.diag([-1.0, -1.0, 1.0, 1.0]))


def points_to_ras(points_lps_mm: npt.ArrayLike) -> Array:
    """Return scene coordinates of points or directions (3,) or (n, 3)."""
    return np.asarray(np.asarray(points_lps_mm, dtype=float) @ FLIP[:3, :3])


def points_to_lps(points_ras_mm: npt.ArrayLike) -> Array:
    """Return LPS coordinates of scene points or directions (3,) or (n, 3)."""
    return np.asarray(np.asarray(points_ras_mm, dtype=float) @ FLIP[:3, :3])


def place_to_ras(to_lps: npt.ArrayLike) -> Array:
    """Return the 4x4 that takes to the scene what the given 4x4 takes to LPS: a grid, a plane, a part's own axes."""
    return np.asarray(FLIP @ np.asarray(to_lps, dtype=float))


def place_to_lps(to_ras: npt.ArrayLike) -> Array:
    """Return the 4x4 that takes to LPS what the given 4x4 takes to the scene."""
    return np.asarray(FLIP @ np.asarray(to_ras, dtype=float))


def motion_to_ras(motion_lps: npt.ArrayLike) -> Array:
    """Return a motion of LPS space (4x4) as one of the scene's."""
    return np.asarray(FLIP @ np.asarray(motion_lps, dtype=float) @ FLIP)


def mesh_to_ras(mesh: TriangleMesh) -> TriangleMesh:
    """Return a surface with vertices in scene coordinates, only to be handed to the platform."""
    return mesh.transformed(FLIP)


def to_vtk(matrix: npt.ArrayLike) -> vtkMatrix4x4:
    """Return a 4x4 as the platform's matrix."""
    made = vtkMatrix4x4()
    made.DeepCopy(np.asarray(matrix, dtype=float).ravel().tolist())
    return made


def from_vtk(matrix: Any) -> Array:
    """Return the platform's matrix as a 4x4 array."""
    return np.array([[matrix.GetElement(row, column) for column in range(4)] for row in range(4)])
