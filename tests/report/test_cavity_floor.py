import numpy as np
import pytest
from cotyle.cup.wall import WallMap, hemisphere_mesh
from cotyle.report.cavity_floor import floor_in_bone
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
