"""Closed surfaces turned into voxels."""

import numpy as np
import pytest
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.mesh_files import from_polydata
from cotyle.space.rotations import rotation_matrix
from vtkmodules.vtkFiltersSources import vtkSphereSource


def ball(radius_mm: float, center=(0.0, 0.0, 0.0)):
    source = vtkSphereSource()
    source.SetRadius(radius_mm)
    source.SetCenter(*center)
    source.SetThetaResolution(96)
    source.SetPhiResolution(96)
    source.Update()
    return from_polydata(source.GetOutput())


@pytest.mark.parametrize("turn_deg", [0.0, 27.0])
def test_the_voxels_of_a_ball_hold_its_volume_on_any_grid(turn_deg):
    affine = np.eye(4)
    affine[:3, :3] = rotation_matrix((1.0, 1.0, 0.3), turn_deg) * [0.8, 0.8, 1.0]
    affine[:3, 3] = -affine[:3, :3] @ [40, 40, 30]
    grid = Volume(np.zeros((61, 81, 81), dtype=np.uint8), affine)
    mask, _ = inside_mask(ball(20.0), grid)
    assert mask.sum() * grid.voxel_volume_mm3 == pytest.approx(4.0 / 3.0 * np.pi * 20.0**3, rel=0.005)


def test_each_voxel_is_inside_exactly_if_its_centre_is():
    grid = Volume(np.zeros((41, 41, 41), dtype=np.uint8), np.eye(4))
    center = np.array([20.3, 19.8, 20.1])
    mask, window = inside_mask(ball(12.0, center), grid)
    full = np.zeros((41, 41, 41), dtype=bool)
    full[window] = mask
    k, j, i = np.meshgrid(np.arange(41), np.arange(41), np.arange(41), indexing="ij")
    distance = np.linalg.norm(np.stack([i, j, k], axis=-1) - center, axis=-1)
    clear = np.abs(distance - 12.0) > 0.05  # the mesh is a polyhedron
    assert (full == (distance < 12.0))[clear].all()


def test_a_surface_that_leaves_the_grid_is_cut_at_its_edge():
    grid = Volume(np.zeros((20, 20, 20), dtype=np.uint8), np.eye(4))
    mask, window = inside_mask(ball(8.0, (0.0, 10.0, 10.0)), grid)
    assert window[2].start == 0
    assert mask.sum() == pytest.approx(0.5 * 4.0 / 3.0 * np.pi * 8.0**3, rel=0.08)
