"""The femur that stays, on the mean femur of the open shape model and on rods."""

import numpy as np
import pytest
from cotyle.cup.motion.femur import NeckCut, find_lesser_trochanter, find_shaft
from cotyle.cup.motion.hip_pose import HipPose, rotation_of
from cotyle.cup.motion.surface_points import surface_points
from cotyle.errors import InputError
from cotyle.space.rotations import angle_between_deg, rotation_matrix
from cotyle.space.side import Side
from scipy.spatial import cKDTree

from tests.cup.motion.model_leg import Leg, clear, model_leg
from tests.space.solids import revolved


def rod(radius_mm=14.0, top_mm=-40.0, bottom_mm=-160.0):
    heights = np.linspace(bottom_mm, top_mm, 60)
    profile = [(0.0, bottom_mm), *((radius_mm, height) for height in heights), (0.0, top_mm)]
    return surface_points(revolved(profile, 60), 2.0)


@pytest.mark.parametrize("lean", [HipPose(), HipPose(12.0, 0.0, 0.0), HipPose(-8.0, 6.0, 0.0)])
def test_the_axis_of_a_rod_that_leans_is_found(lean):
    points = (rod() + [30.0, -10.0, 0.0]) @ rotation_of(lean).T
    shaft = find_shaft(points, Side.LEFT)
    wanted = rotation_of(lean) @ [0.0, 0.0, -1.0]
    assert angle_between_deg(shaft.down, wanted) < 0.1
    assert shaft.head_offset_mm == pytest.approx(np.hypot(30.0, 10.0), abs=0.1)


def test_a_bump_behind_and_inwards_is_the_lesser_trochanter_and_a_plain_rod_has_none():
    points = rod() + [30.0, -10.0, 0.0]
    shaft = find_shaft(points, Side.LEFT)
    assert find_lesser_trochanter(points, shaft) is None
    turn = rotation_matrix([0.0, 0.0, 1.0], 60.0)  # inwards is to the head; 60 degrees of that backwards
    way = turn @ shaft.to_head
    tip = np.array([30.0, -10.0, -58.0]) + 22.0 * way
    bump = tip + 3.0 * np.random.default_rng(0).normal(size=(400, 3)).clip(-1, 1) * [0.3, 0.3, 1.0]
    found = find_lesser_trochanter(np.concatenate([points, bump]), shaft)
    assert np.linalg.norm(found - tip) < 6.0


def test_head_and_neck_are_gone_and_both_trochanters_stay():
    leg = model_leg()
    femur = leg.cut()
    kept = femur.surface.vertices_lps_mm
    assert np.linalg.norm(kept, axis=1).min() > femur.head.radius_mm
    whole = leg.hip.frame.direction_to_frame(leg.femur.vertices_lps_mm - femur.head.center_lps_mm)
    greater = whole[np.argmax(whole[:, 0] * (whole[:, 2] > -60))] * [1.0, -1.0, 1.0]
    for landmark in (greater, femur.tip_mm):
        assert np.linalg.norm(kept - landmark, axis=1).min() < 2.0


def test_the_cut_stands_at_its_angle_to_the_shaft_and_above_the_trochanter():
    femur = model_leg().cut(cut=NeckCut(angle_deg=50.0, above_lesser_trochanter_mm=12.0))
    assert np.degrees(np.arcsin(-femur.cut_normal @ femur.shaft.down)) == pytest.approx(50.0, abs=1e-6)
    assert (femur.tip_mm - femur.cut_point_mm) @ femur.shaft.down == pytest.approx(12.0, abs=1e-6)
    given = model_leg().cut(cut=NeckCut(from_head_mm=33.0))
    assert -given.cut_point_mm @ given.cut_normal == pytest.approx(33.0, abs=1e-9)


def test_a_leg_that_lay_turned_outward_is_turned_back():
    lay = model_leg().cut()
    neutral = model_leg().cut(leg=HipPose(internal_rotation_deg=-20.0))
    assert neutral.neck_forward_deg == pytest.approx(lay.neck_forward_deg - 20.0, abs=1.5)


def test_left_and_right_femora_are_alike():
    left, right = model_leg().cut(), model_leg().mirrored().cut()
    assert right.side is Side.RIGHT
    assert right.surface.vertices_lps_mm == pytest.approx(left.surface.vertices_lps_mm, abs=1e-6)
    assert right.neck_forward_deg == pytest.approx(left.neck_forward_deg, abs=1e-6)


def test_a_scan_that_ends_at_the_trochanter_is_too_short():
    with pytest.raises(InputError) as refused:
        model_leg(seen_mm=80.0).cut()
    assert refused.value.code == "femur-short"


def test_a_femur_without_a_round_head_is_refused():
    leg = model_leg()
    away = np.linalg.norm(leg.femur.vertices_lps_mm - leg.hip.center, axis=1)
    headless = leg.femur.part((away > 30.0)[leg.femur.triangles].all(axis=1))
    with pytest.raises(InputError) as refused:
        Leg(leg.hip, headless, clear(headless), leg.head_seeds[:0]).cut()
    assert refused.value.code == "femoral-head-missing"


def test_points_of_a_surface_leave_no_gap():
    mesh = model_leg().femur
    points = surface_points(mesh, 2.0)
    middles = mesh.centroids_lps_mm
    assert cKDTree(points).query(middles)[0].max() < 2.0 / np.sqrt(3.0) + 1e-9
