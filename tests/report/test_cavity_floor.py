import numpy as np
import pytest
from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.wall import WallMap, hemisphere_mesh
from cotyle.report.cavity_floor import bone_outside, floor_in_bone
from cotyle.space.mesh import TriangleMesh

CORNERS = np.array([[x, y, z] for x in (0.0, 100.0) for y in (-50.0, 50.0) for z in (-50.0, 50.0)])
SIDES = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
BLOCK = TriangleMesh(CORNERS, np.array([t for a, b, c, d in SIDES for t in ((a, b, c), (a, c, d))]))


def map_at(center_x):
    mesh = hemisphere_mesh((center_x, 0, 0), (1, 0, 0), 25.0, 24, 96)
    return WallMap(mesh, 100.0 - mesh.vertices_lps_mm[:, 0])


def test_only_the_cap_in_the_bone_is_left_with_its_own_values():
    """A half-ball of radius 25 whose centre stands 10 mm before a flat face keeps a cap of area 2 pi r h, h = 15."""
    kept = floor_in_bone(BLOCK, map_at(-10.0))
    assert kept.mesh.vertices_lps_mm[:, 0].min() == pytest.approx(0, abs=0.05)
    assert kept.mesh.area_mm2 == pytest.approx(2 * np.pi * 25 * 15, rel=0.01)
    np.testing.assert_allclose(kept.thickness_mm, 100.0 - kept.mesh.vertices_lps_mm[:, 0], atol=0.05)


def test_a_floor_wholly_in_bone_stays_and_one_wholly_outside_is_empty():
    inside = map_at(30.0)
    assert floor_in_bone(BLOCK, inside).mesh.area_mm2 == pytest.approx(inside.mesh.area_mm2)
    gone = floor_in_bone(BLOCK, map_at(-60.0))
    assert len(gone.mesh.triangles) == 0
    assert len(gone.thickness_mm) == 0


def test_the_bone_around_a_cavity_has_a_hole_where_the_cavity_meets_its_surface():
    """A ball of radius 26 sunk into another of radius 40, centres 40 mm apart: the cap gone has the area 2 pi R h."""
    ball = whole_ball(40.0)
    cavity = Cavity((step_along(52.0, (40.0, 0, 0), (-1.0, 0, 0), 30.0),))
    left = bone_outside(ball, cavity)
    assert cavity.signed_distance_mm(left.vertices_lps_mm).min() > -0.2
    height = 26.0**2 / (2 * 40.0)
    assert ball.area_mm2 - left.area_mm2 == pytest.approx(2 * np.pi * 40 * height, rel=0.02)


def whole_ball(radius):
    halves = [hemisphere_mesh((0, 0, 0), (sign, 0, 0), radius, 48, 192) for sign in (1, -1)]
    vertices = np.concatenate([half.vertices_lps_mm for half in halves])
    count = len(halves[0].vertices_lps_mm)
    return TriangleMesh(vertices, np.concatenate([halves[0].triangles, halves[1].triangles + count]))
