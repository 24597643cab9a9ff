"""The plane that touches both ASIS and the pubic tubercles."""

import numpy as np
import pytest
from cotyle.anatomy.anterior_plane import (
    hip_bone,
    touching_plane_from_seeds,
    touching_plane_from_surfaces,
)
from cotyle.anatomy.landmarks import APP_NAMES
from cotyle.anatomy.pelvis import app_frame, posture_of
from cotyle.errors import InputError
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import angle_between_deg
from cotyle.space.side import Side
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.anatomy.pelves import moved, subject, turned, uneven

tilts = st.floats(-12.0, 12.0, allow_nan=False)


def _points(plane):
    return np.array([plane.points_lps_mm[name] for name in APP_NAMES])


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 3), tilts, tilts, tilts)
def test_the_points_turn_with_the_patient(seed, x, y, z):
    surfaces, seeds = subject(seed)
    matrix = turned(x, y, z, (30.0, -250.0, 900.0))
    before = _points(touching_plane_from_surfaces(surfaces))
    after = _points(touching_plane_from_surfaces(moved(surfaces, seeds, matrix)[0]))
    np.testing.assert_allclose(after, before @ matrix[:3, :3].T + matrix[:3, 3], atol=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_points_mirror_with_the_patient(seed):
    surfaces, seeds = subject(seed)
    matrix = np.diag([-1.0, 1.0, 1.0, 1.0])
    before = touching_plane_from_surfaces(surfaces)
    after = touching_plane_from_surfaces(moved(surfaces, seeds, matrix, mirror=True)[0])
    for name in APP_NAMES:
        base, side = name.rsplit("_", 1)
        twin = after.points_lps_mm[f"{base}_{Side(side).opposite}"]
        np.testing.assert_allclose(twin, before.points_lps_mm[name] * [-1, 1, 1], atol=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_no_bone_of_the_upper_half_or_the_pubis_stands_in_front_of_the_plane(seed):
    surfaces, _ = subject(seed)
    plane = touching_plane_from_surfaces(surfaces)
    for side in Side:
        local = plane.frame.to_frame(hip_bone(surfaces, side).vertices_lps_mm)
        asis = plane.frame.to_frame(plane.points_lps_mm[f"asis_{side}"])
        upper = local[local[:, 2] > -30.0]
        assert upper[:, 1].min() == pytest.approx(asis[1], abs=0.03)
        assert asis[1] == pytest.approx(0.0, abs=1e-6)
    tubercles = [plane.frame.to_frame(plane.points_lps_mm[f"pubic_tubercle_{side}"])[1] for side in Side]
    assert sum(tubercles) == pytest.approx(0.0, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 3), st.integers(0, 10_000))
def test_seeds_wrong_by_10_mm_lead_to_the_same_points(seed, draw):
    surfaces, _ = subject(seed)
    right = touching_plane_from_surfaces(surfaces)
    rng = np.random.default_rng(draw)
    wrong = {}
    for name, point in right.points_lps_mm.items():
        direction = rng.standard_normal(3)
        wrong[name] = point + 10.0 * direction / np.linalg.norm(direction)
    found = touching_plane_from_seeds(surfaces, wrong)
    np.testing.assert_allclose(_points(found), _points(right), atol=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_an_uneven_surface_moves_tilt_and_rotation_little(seed):
    surfaces, _ = subject(seed)
    rng = np.random.default_rng(seed)
    rough = {name: uneven(mesh, rng, 0.3) for name, mesh in surfaces.items()}
    before = posture_of(touching_plane_from_surfaces(surfaces).frame)
    after = posture_of(touching_plane_from_surfaces(rough).frame)
    # 0.3 mm over about 90 mm (tilt) and 230 mm (rotation), three standard deviations of the extreme of many
    assert abs(after.anterior_tilt_deg - before.anterior_tilt_deg) < 0.7
    assert abs(after.rotation_to_left_deg - before.rotation_to_left_deg) < 0.4


def test_a_pelvis_with_one_larger_half_keeps_both_asis_on_the_plane():
    surfaces, _ = subject(1)
    left = surfaces["left_hip_bone"]
    inner = left.vertices_lps_mm[np.argmin(left.vertices_lps_mm[:, 0])]
    larger = left.with_vertices(inner + 1.08 * (left.vertices_lps_mm - inner))
    plane = touching_plane_from_surfaces({**surfaces, "left_hip_bone": larger})
    local = plane.frame.to_frame(larger.vertices_lps_mm)
    assert local[local[:, 2] > -30.0][:, 1].min() == pytest.approx(0.0, abs=0.03)
    assert plane.points_lps_mm["asis_left"] @ plane.frame.left > plane.points_lps_mm["asis_right"] @ plane.frame.left


def test_a_spike_of_a_single_vertex_is_passed_over():
    surfaces, _ = subject(2)
    plane = touching_plane_from_surfaces(surfaces)
    bone = surfaces["right_hip_bone"]
    vertices = np.array(bone.vertices_lps_mm)
    near = np.argsort(np.linalg.norm(vertices - plane.points_lps_mm["asis_right"], axis=1))[30]
    vertices[near] += 6.0 * plane.frame.anterior
    spiked = touching_plane_from_surfaces({**surfaces, "right_hip_bone": bone.with_vertices(vertices)})
    assert angle_between_deg(spiked.frame.posterior, plane.frame.posterior) < 0.2


def test_a_point_that_the_user_holds_stays_and_the_others_settle_about_it():
    surfaces, _ = subject(0)
    free = touching_plane_from_surfaces(surfaces)
    held = free.points_lps_mm["asis_left"] + [0.0, -8.0, 0.0]
    plane = touching_plane_from_surfaces(surfaces, {"asis_left": held})
    np.testing.assert_array_equal(plane.points_lps_mm["asis_left"], held)
    local = plane.frame.to_frame(hip_bone(surfaces, Side.RIGHT).vertices_lps_mm)
    assert local[local[:, 2] > -30.0][:, 1].min() == pytest.approx(0.0, abs=0.03)


def test_without_a_hip_bone_there_is_no_plane():
    surfaces, _ = subject(0)
    with pytest.raises(InputError) as caught:
        touching_plane_from_surfaces({"left_hip_bone": surfaces["left_hip_bone"]})
    assert caught.value.code == "bone-missing"


def test_a_ball_is_no_pelvis():
    surfaces, _ = subject(0)
    femur = surfaces["left_femur"]
    small = TriangleMesh(femur.vertices_lps_mm * 0.1, femur.triangles)
    with pytest.raises(InputError) as caught:
        touching_plane_from_surfaces({"left_hip_bone": small, "right_hip_bone": small})
    assert caught.value.code in {"landmark-degenerate", "landmark-not-found", "zero-direction"}


def test_the_frame_of_the_plane_is_the_frame_of_its_points():
    surfaces, seeds = subject(3)
    plane = touching_plane_from_seeds(surfaces, seeds.points_lps_mm)
    np.testing.assert_allclose(app_frame(plane.points_lps_mm).axes, plane.frame.axes, atol=1e-12)
