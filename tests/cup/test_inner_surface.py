from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.cup.inner_surface import (
    InnerSurface,
    distances_from_points,
    inner_surface,
    least_distance_to_floor,
)
from cotyle.errors import InputError
from cotyle.space.mesh import TriangleMesh
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side
from cup_solids import box, join, model_hip, socket_block, sphere
from hypothesis import given, settings
from hypothesis import strategies as st

MEDIAL = np.array([-1.0, 0, 0])


def whole(mesh: TriangleMesh) -> InnerSurface:
    return InnerSurface(mesh.corners_lps_mm, mesh.triangle_normals)


def test_only_the_back_of_a_block_is_its_inner_surface():
    surface = inner_surface(socket_block(24, 30), [0, 0, 0], MEDIAL)
    assert surface.corners_lps_mm[..., 0] == pytest.approx(-30)


def test_a_face_that_looks_across_a_fossa_at_the_same_bone_is_not_inner():
    bone = join(box([-4, -40, -40], [0, 40, 40]), box([-20, -40, -40], [-12, 40, 40]))
    surface = inner_surface(bone, [25, 0, 0], MEDIAL)
    assert surface.corners_lps_mm[..., 0] == pytest.approx(-20)


def test_a_face_folded_into_the_bone_is_not_inner():
    bone = join(box([-30, -40, -40], [0, 40, 40]), box([-20, -10, -10], [5, 10, 10]))
    surface = inner_surface(bone, [25, 0, 0], MEDIAL)
    assert surface.corners_lps_mm[..., 0] == pytest.approx(-30)


def test_the_wrong_side_is_refused():
    with pytest.raises(InputError, match="inner-surface-missing"):
        inner_surface(box([-4, -40, -40], [0, 40, 40]), [-25, 0, 0], MEDIAL)


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("weights", [(0.0,), (1.5, -1.0, 0.5, 1.0), (-1.5, 1.0, 1.0, -1.0)])
def test_on_hip_bones_it_is_one_patch_between_socket_and_pelvis(side, weights):
    hip = model_hip(side, weights)
    surface = inner_surface(hip.bone, hip.center, hip.medial)
    depth = (surface.centroids_lps_mm - hip.center) @ hip.medial
    at_height_of_socket = np.abs((surface.centroids_lps_mm - hip.center) @ hip.frame.superior) < 10
    # the quadrilateral surface lies medial of the socket's floor, never in front of it
    assert depth[at_height_of_socket].min() > (hip.floor - hip.center) @ hip.medial - 6
    # most of the vertices that the shape model carries as its inner wall near the floor belong to it
    near = np.linalg.norm(hip.inner_wall - hip.floor, axis=1) < 15
    distance, _ = distances_from_points(surface, hip.inner_wall[near])
    assert near.sum() > 20
    assert np.mean(distance < 1.0) > 0.9


def test_least_distance_to_a_plane_in_front_is_closed_form():
    # distance of the centre to the plane minus the radius (geometry)
    surface = whole(box([-50, -80, -80], [-40, 80, 80]))
    pair = least_distance_to_floor(surface, step_along(50, [0, 3, 4], [-1, 0, 0]))
    assert pair.distance_mm == pytest.approx(15, abs=1e-6)
    assert pair.on_surface_lps_mm == pytest.approx([-40, 3, 4], abs=1e-6)
    assert pair.on_floor_lps_mm == pytest.approx([-25, 3, 4], abs=1e-6)


def test_least_distance_behind_the_rim_plane_is_to_the_rim():
    # the plane x = -40 is behind a floor that faces away from it: nearest is the rim, a circle tilted by 30 deg
    lean = np.radians(30)
    direction = np.array([np.cos(lean), 0, np.sin(lean)])
    pair = least_distance_to_floor(whole(box([-50, -80, -80], [-40, 80, 80])), step_along(50, [0, 0, 0], direction))
    # lowest point of the rim: -25 sin 30 along x
    assert pair.distance_mm == pytest.approx(40 - 25 * np.sin(lean), abs=2e-3)


def test_a_floor_past_the_surface_is_negative():
    pair = least_distance_to_floor(whole(box([-50, -80, -80], [-40, 80, 80])), step_along(50, [-18, 0, 0], [-1, 0, 0]))
    assert pair.distance_mm == pytest.approx(-3, abs=1e-6)


@settings(max_examples=30)
@given(st.integers(0, 100_000))
def test_least_distance_between_spheres(seed):
    # a floor inside a larger sphere, facing away from the middle: R - offset - r (geometry)
    rng = np.random.default_rng(seed)
    offset = rng.normal(size=3)
    offset *= 8 / np.linalg.norm(offset)
    pair = least_distance_to_floor(whole(sphere([0, 0, 0], 40, level=5)), step_along(50, offset, offset))
    assert pair.distance_mm == pytest.approx(40 - 8 - 25, abs=0.03)


def test_distances_of_points_agree_with_a_reference_library():
    hip = model_hip()
    surface = inner_surface(hip.bone, hip.center, hip.medial)
    count = len(surface.corners_lps_mm)
    soup = TriangleMesh(surface.corners_lps_mm.reshape(-1, 3), np.arange(3 * count).reshape(-1, 3))
    points = hip.center + 25 * np.random.default_rng(1).normal(size=(300, 3))
    distance, _ = distances_from_points(surface, points)
    reference = np.linalg.norm(MeshQuery(soup).closest_points(points) - points, axis=1)  # VTK
    assert distance == pytest.approx(reference, abs=1e-4)
