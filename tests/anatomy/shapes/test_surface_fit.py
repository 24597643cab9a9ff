"""A surface let free on a scan, and bones that may not share a place."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.joint_limits import LEAST_GAP_MM, clear_of_heads, clear_of_surface
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.anatomy.shapes.edge_profiles import EdgeSearch
from cotyle.anatomy.shapes.surface_fit import SurfaceRound, free_surface, settle_surface
from cotyle.image.volume import Volume
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_files import from_polydata
from cotyle.space.shapes import Sphere
from scipy.special import ndtr
from vtkmodules.vtkFiltersCore import vtkCleanPolyData
from vtkmodules.vtkFiltersSources import vtkSphereSource

SIGMA_MM = 0.75
# reading between voxels of 1 mm adds the variance of a triangle as wide as they are
READ_SIGMA_MM = np.sqrt(SIGMA_MM**2 + 1.0 / 6.0)
CENTER = np.array([30.0, 30.0, 30.0])
ROUNDS = [
    SurfaceRound(EdgeSearch(4.0, 0.5, 2.0, 600.0, 300.0), 10.0),
    SurfaceRound(EdgeSearch(3.0, 0.5, 2.0, 600.0, 300.0), 1.0),
    SurfaceRound(EdgeSearch(1.5, 0.3, 1.2, 1800.0, 4000.0), 0.5),
]


def ball(radius_mm: float, center=CENTER) -> TriangleMesh:
    source = vtkSphereSource()
    source.SetRadius(radius_mm)
    source.SetCenter(*center)
    source.SetThetaResolution(60)
    source.SetPhiResolution(60)
    clean = vtkCleanPolyData()
    clean.SetInputConnection(source.GetOutputPort())
    clean.Update()
    return from_polydata(clean.GetOutput())


def ellipsoid_scan(radii_mm, cortex_mm: float = 2.0, sigma_mm: float = SIGMA_MM) -> Volume:
    k, j, i = np.meshgrid(np.arange(61), np.arange(61), np.arange(61), indexing="ij")
    offset = np.stack([i, j, k], axis=-1) - CENTER
    level = np.linalg.norm(offset / radii_mm, axis=-1)
    slope = np.linalg.norm(offset / np.square(radii_mm), axis=-1) / np.maximum(level, 1e-6)
    distance = (level - 1.0) / np.maximum(slope, 1e-6)  # first order, exact near the surface
    near, far = ndtr(-distance / sigma_mm), ndtr(-(distance + cortex_mm) / sigma_mm)
    return Volume((50 + 1250 * near - 1080 * far).astype(np.float32), np.eye(4))


def misfit_mm(vertices, radii_mm):
    offset = vertices - CENTER
    level = np.linalg.norm(offset / radii_mm, axis=-1)
    return (level - 1.0) * level / np.linalg.norm(offset / np.square(radii_mm), axis=-1)


def test_a_sphere_becomes_the_ellipsoid_that_the_scan_shows():
    radii = np.array([20.0, 18.0, 21.5])
    start = ball(19.5)
    followed, _ = free_surface(ellipsoid_scan(radii), start.vertices_lps_mm, start.triangles, ROUNDS)
    settled, _ = settle_surface(ellipsoid_scan(radii), followed, start.triangles, Blur(READ_SIGMA_MM, 1300.0))
    assert np.abs(misfit_mm(start.vertices_lps_mm, radii)).max() > 1.4
    assert np.percentile(np.abs(misfit_mm(settled, radii)), 95.0) < 0.12
    assert abs(np.median(misfit_mm(settled, radii))) < 0.04


def test_a_surface_stays_where_the_scan_is_not_believed():
    radii = np.array([21.0, 21.0, 21.0])
    start = ball(20.0)
    moved, _ = free_surface(
        ellipsoid_scan(radii), start.vertices_lps_mm, start.triangles, ROUNDS, trust=lambda v: np.zeros(len(v))
    )
    assert moved == pytest.approx(start.vertices_lps_mm, abs=1e-6)


def test_the_way_to_a_femoral_head_is_the_gap_that_is_left():
    limit = clear_of_heads([Sphere(CENTER, 22.0)])
    vertices = CENTER + np.array([[25.0, 0.0, 0.0], [0.0, 30.0, 0.0], [21.0, 0.0, 0.0], [90.0, 0.0, 0.0]])
    towards = -np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [1.0, 0.0, 0.0]])
    way = limit(vertices, towards)
    assert way[0] == pytest.approx(3.0 - LEAST_GAP_MM)
    assert way[1] == pytest.approx(8.0 - LEAST_GAP_MM)
    assert way[2] < 0.0  # inside the head already: only backwards
    assert np.isinf(way[3])  # far from any joint


def test_a_femur_keeps_off_the_pelvis_by_the_least_gap():
    pelvis = ball(10.0)
    limit = clear_of_surface(pelvis, Sphere(CENTER + [14.0, 0.0, 0.0], 3.0))
    way = limit(CENTER + np.array([[12.0, 0.0, 0.0]]), np.array([[-1.0, 0.0, 0.0]]))
    assert way[0] == pytest.approx(2.0 - LEAST_GAP_MM, abs=0.05)
