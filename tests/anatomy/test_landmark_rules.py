"""Landmarks other than those of the anterior pelvic plane."""

import numpy as np
import pytest
from cotyle.anatomy.anterior_plane import touching_plane_from_surfaces
from cotyle.anatomy.landmark_rules import fossa, midline_landmarks, side_landmarks
from cotyle.anatomy.landmarks import NO_SEEDS, AnatomySeeds
from cotyle.anatomy.sockets.rim import find_rim
from cotyle.anatomy.sockets.socket_sphere import find_socket_sphere
from cotyle.space.mesh import merged
from cotyle.space.side import Side

from tests.anatomy.pelves import subject, uneven
from tests.space.solids import sphere


def _found(surfaces, seeds=NO_SEEDS):
    app = touching_plane_from_surfaces(surfaces).frame
    marks = dict(midline_landmarks(surfaces, app, seeds))
    for side in Side:
        bone = surfaces[f"{side}_hip_bone"]
        ball = find_socket_sphere(bone, side, app.axes, seeds.socket(side), surfaces[f"{side}_femur"]).sphere
        rim = find_rim(bone, ball, app.axes, side)
        marks |= side_landmarks(surfaces, side, app, ball, -rim.opening_axis_lps, seeds)
    return marks, app


@pytest.mark.parametrize("seed", range(4))
def test_each_landmark_lies_where_its_words_say(seed):
    surfaces, seeds = subject(seed)
    marks, app = _found(surfaces, seeds)
    at = {name: app.to_frame(mark.lps_mm) for name, mark in marks.items()}
    for side in Side:
        bone = app.to_frame(surfaces[f"{side}_hip_bone"].vertices_lps_mm)
        assert at[f"ischial_tuberosity_{side}"][2] == pytest.approx(bone[:, 2].min())
        center = app.to_frame(seeds.socket(side).lunate.mean(axis=0))
        assert at[f"psis_{side}"][1] == pytest.approx(bone[bone[:, 2] > center[2] + 10.0, 1].max())
        lateral = side.lateral_sign * (at[f"superolateral_rim_{side}"] - at[f"teardrop_{side}"])[0]
        # teardrop to edge of the roof: about the width of a socket
        assert 35.0 < lateral < 70.0
        assert at[f"teardrop_{side}"][2] < center[2]
        assert at[f"superolateral_rim_{side}"][2] > center[2]
        assert at[f"ischial_tuberosity_{side}"][2] < at[f"si_joint_inferior_{side}"][2] < at["sacrum_midline"][2]
    left, right = at["teardrop_left"], at["teardrop_right"]
    assert right[0] < at["symphysis"][0] < left[0]
    assert at["sacrum_midline"][1] > at["symphysis"][1] + 30.0


@pytest.mark.parametrize("seed", range(4))
def test_carried_points_lie_near_and_set_the_uncertainty(seed):
    surfaces, seeds = subject(seed)
    with_seeds, _ = _found(surfaces, seeds)
    without = AnatomySeeds({}, seeds.sockets)
    free, _ = _found(surfaces, without)
    for name, mark in with_seeds.items():
        np.testing.assert_array_equal(mark.lps_mm, free[name].lps_mm)
        apart = np.linalg.norm(mark.lps_mm - seeds.points_lps_mm[name])
        assert mark.uncertainty_mm**2 == pytest.approx(
            free[name].uncertainty_mm ** 2 + (0.5 * min(apart, 10.0)) ** 2, rel=1e-9
        )
    near = [np.linalg.norm(with_seeds[n].lps_mm - seeds.points_lps_mm[n]) for n in with_seeds if "si_joint" not in n]
    assert np.median(near) < 5.0


def test_levels_hold_on_an_uneven_surface():
    surfaces, seeds = subject(1)
    rng = np.random.default_rng(1)
    before, app = _found(surfaces, seeds)
    after, _ = _found({name: uneven(mesh, rng, 0.3) for name, mesh in surfaces.items()}, seeds)
    for side in Side:
        for name in (f"ischial_tuberosity_{side}", f"si_joint_inferior_{side}", f"teardrop_{side}"):
            change = (after[name].lps_mm - before[name].lps_mm) @ app.superior
            assert abs(change) < 2.5


def test_without_a_sacrum_its_landmarks_are_missing():
    surfaces, seeds = subject(0)
    bare = {name: mesh for name, mesh in surfaces.items() if name != "sacrum"}
    marks, _ = _found(bare, seeds)
    assert "sacrum_midline" not in marks
    assert "si_joint_inferior_left" not in marks
    assert "symphysis" in marks


def test_a_coccyx_is_told_from_a_sacrum_that_ends():
    surfaces, seeds = subject(0)
    marks, app = _found(surfaces, seeds)
    assert "coccyx_tip" not in marks
    local = app.to_frame(surfaces["sacrum"].vertices_lps_mm)
    end = local[np.argmin(local[:, 2])]
    beads = [sphere(7.0, app.to_lps(end + [0.0, -4.0 * k, -6.0 * k]), steps=12) for k in range(1, 6)]
    with_tail = {**surfaces, "sacrum": merged([surfaces["sacrum"], *beads])}
    tip = _found(with_tail, seeds)[0]["coccyx_tip"]
    expected = app.to_lps(end + [0.0, -20.0, -37.0])
    assert np.linalg.norm(tip.lps_mm - expected) < 1.5


def test_the_fossa_lies_deeper_than_the_sphere_round_its_pole():
    surfaces, seeds = subject(0)
    app = touching_plane_from_surfaces(surfaces).frame
    bone = surfaces["left_hip_bone"]
    ball = find_socket_sphere(bone, Side.LEFT, app.axes, seeds.socket(Side.LEFT)).sphere
    floor = bone.vertices_lps_mm[fossa(bone, ball, -find_rim(bone, ball, app.axes, Side.LEFT).opening_axis_lps)]
    assert len(floor) > 20
    assert np.linalg.norm(floor - ball.center_lps_mm, axis=1).min() > ball.radius_mm + 2.0
    carried = seeds.socket(Side.LEFT).fossa
    assert np.linalg.norm(floor.mean(axis=0) - carried.mean(axis=0)) < 6.0
