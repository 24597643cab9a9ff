"""Surfaces: volume, area, normals and closedness against closed forms."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.mesh import TriangleMesh, merged
from cotyle.space.rotations import rigid_matrix
from hypothesis import given, settings

from tests.space.solids import box, cap, sphere
from tests.space.strategies import points, rotations

# 2/3 pi r^3 and 2 pi r^2 + pi r^2 for hemispheres of these diameters
HEMISPHERES = [(48, 28952.92, 3619.11), (52, 36811.09, 4247.43), (56, 45976.16, 4926.02)]
# cap of r 26: pi h^2 (3 r - h) / 3 and 2 pi r h
CAPS_R26 = [(5.0, 1911.136, 816.814), (13.0, 11503.465, 2123.717), (20.0, 24294.983, 3267.256)]


@pytest.mark.parametrize(("diameter", "volume", "curved_area"), HEMISPHERES)
def test_a_hemisphere_has_its_volume_and_area(diameter, volume, curved_area):
    radius = diameter / 2
    mesh = cap(radius, radius)
    assert mesh.is_closed
    assert mesh.volume_mm3 == pytest.approx(volume, rel=1e-3)
    assert mesh.area_mm2 == pytest.approx(curved_area + np.pi * radius**2, rel=1e-3)


@pytest.mark.parametrize(("height", "volume", "curved_area"), CAPS_R26)
def test_a_cap_of_a_26_mm_sphere_has_its_volume_and_area(height, volume, curved_area):
    mesh = cap(26.0, height)
    base = np.pi * (2 * 26.0 * height - height**2)
    assert mesh.volume_mm3 == pytest.approx(volume, rel=1e-3)
    assert mesh.area_mm2 == pytest.approx(curved_area + base, rel=1e-3)


def test_a_box_is_exact_and_its_normals_point_out():
    mesh = box([10.0, 20.0, 30.0], center=[100.0, -50.0, 7.0])
    assert mesh.is_closed
    assert mesh.volume_mm3 == pytest.approx(6000.0, rel=1e-12)
    assert mesh.area_mm2 == pytest.approx(2200.0, rel=1e-12)
    outward = mesh.corners_lps_mm.mean(axis=1) - [100.0, -50.0, 7.0]
    assert ((outward * mesh.triangle_normals).sum(axis=1) > 0).all()
    low, high = mesh.bounds_lps_mm
    np.testing.assert_allclose(high - low, [10.0, 20.0, 30.0])


def test_vertex_normals_of_a_sphere_point_away_from_its_center():
    mesh = sphere(26.0, [1.0, 2.0, 3.0])
    outward = (mesh.vertices_lps_mm - [1.0, 2.0, 3.0]) / 26.0
    assert ((mesh.vertex_normals * outward).sum(axis=1) > 0.999).all()


@settings(max_examples=25, deadline=None)
@given(rotations, points)
def test_moving_a_surface_keeps_its_volume_and_area(rotation, shift):
    mesh = cap(26.0, 13.0, steps=20)
    moved = mesh.transformed(rigid_matrix(rotation, shift))
    assert moved.volume_mm3 == pytest.approx(mesh.volume_mm3, rel=1e-9)
    assert moved.area_mm2 == pytest.approx(mesh.area_mm2, rel=1e-9)


def test_a_mirrored_surface_still_has_its_normals_outside():
    mirrored = cap(26.0, 13.0).transformed(np.diag([-1.0, 1.0, 1.0, 1.0]))
    assert mirrored.is_closed
    assert mirrored.volume_mm3 == pytest.approx(11503.465, rel=1e-3)


def test_a_surface_turned_inside_out_has_a_negative_volume():
    mesh = box([1.0, 1.0, 1.0])
    assert TriangleMesh(mesh.vertices_lps_mm, mesh.triangles[:, ::-1]).volume_mm3 == pytest.approx(-1.0)


def test_a_hole_is_noticed():
    mesh = box([1.0, 1.0, 1.0])
    assert not TriangleMesh(mesh.vertices_lps_mm, mesh.triangles[1:]).is_closed


def test_one_triangle_turned_the_wrong_way_is_noticed():
    mesh = box([1.0, 1.0, 1.0])
    turned = np.array(mesh.triangles)
    turned[0] = turned[0][::-1]
    assert not TriangleMesh(mesh.vertices_lps_mm, turned).is_closed


def test_a_part_keeps_only_the_vertices_it_uses():
    mesh = merged([box([1.0, 1.0, 1.0]), sphere(5.0, [50.0, 0.0, 0.0], steps=20)])
    assert mesh.volume_mm3 == pytest.approx(1.0 + sphere(5.0, steps=20).volume_mm3)
    first = mesh.part(np.arange(len(mesh.triangles)) < 12)
    assert len(first.vertices_lps_mm) == 8
    assert first.volume_mm3 == pytest.approx(1.0)


@pytest.mark.parametrize("triangles", [[[0, 1, 3]], [[0, -1, 2]], [[0, 1]]])
def test_a_triangle_without_its_vertex_is_refused(triangles):
    with pytest.raises(InputError) as caught:
        TriangleMesh(np.zeros((3, 3)), np.array(triangles))
    assert caught.value.code == "mesh-index"


def test_a_surface_is_locked():
    mesh = box([1.0, 1.0, 1.0])
    with pytest.raises(ValueError, match="read-only"):
        mesh.vertices_lps_mm[0, 0] = 9.0
    with pytest.raises(ValueError, match="read-only"):
        mesh.triangles[0, 0] = 1
