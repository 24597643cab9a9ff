"""Neck and bone together, the field of cups, and the sums of versions."""

import numpy as np
import pytest
from cotyle.cup.motion.bone_range import BoneLimit, Ending
from cotyle.cup.motion.combined_version import combined_version, stem_version_for_target_deg
from cotyle.cup.motion.free_motion import First, free_motions, free_window_deg, reach
from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose, Move
from cotyle.cup.motion.implant import Stem, free_lean_deg
from cotyle.cup.motion.motions import STANDARD_MOTIONS, Motion
from cotyle.cup.motion.neck_range import Neck, motion_map, neck_limit_deg, pose_margin_deg, radiographic_axes
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, hip_components
from cotyle.space.frames import SCANNER
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

from tests.cup.motion.model_leg import model_leg

STEM = Stem(version_deg=15.0, neck_shaft_deg=130.0, neck_diameter_mm=12.0)
NECK = Neck(STEM, free_lean_deg(32.0, 12.0))
CUP = radiographic_axes(40.0, 15.0)
FLEXION = Motion("flexion", NEUTRAL, Move.FLEXION, 110.0, "a source")


def bone(limit_deg, ending=Ending.TOUCH):
    return BoneLimit(FLEXION, ending, limit_deg)


@pytest.mark.parametrize(
    ("bone_limit", "limit", "first", "margin"),
    [
        (bone(120.0), 120.0, First.BONE, 10.0),
        (bone(150.0), 135.64, First.NECK, 25.64),
        (bone(np.inf, Ending.FREE), 135.64, First.NECK, 25.64),
        (bone(90.0), 90.0, First.BONE, -20.0),
    ],
)
def test_the_lesser_of_neck_and_bone_is_the_limit(bone_limit, limit, first, margin):
    (found,) = free_motions(CUP, NECK, [bone_limit], [FLEXION])
    assert (found.limit_deg, found.margin_deg) == pytest.approx((limit, margin), abs=0.01)
    assert found.first is first


def test_a_motion_that_bone_keeps_from_beginning_has_no_limit_and_is_far_too_short():
    (found,) = free_motions(CUP, NECK, [bone(np.nan, Ending.OVERLAP)], [FLEXION])
    assert np.isnan(found.limit_deg)
    assert found.first is First.BONE
    assert found.margin_deg == -np.inf


def test_without_stem_bone_alone_counts_and_without_both_nothing_is_said_to_stop_it():
    (found,) = free_motions(CUP, None, [bone(120.0)], [FLEXION])
    assert (found.neck_deg, found.limit_deg, found.first) == (None, 120.0, First.BONE)
    (nothing,) = free_motions(CUP, None, None, [FLEXION])
    assert nothing.first is First.NEITHER
    assert np.isinf(nothing.limit_deg)


def test_radiographic_axes_are_those_of_the_orientation_room():
    axis = axis_from_orientation(Orientation(43.0, 12.0), Definition.RADIOGRAPHIC, SCANNER, Side.LEFT)
    assert radiographic_axes(43.0, 12.0) == pytest.approx(hip_components(axis, SCANNER, Side.LEFT), abs=1e-12)


def test_a_place_of_the_map_says_what_one_cup_says():
    shown = motion_map(NECK, STANDARD_MOTIONS, [30.0, 40.0, 55.0], [0.0, 15.0])
    alone = np.array([float(neck_limit_deg(CUP, NECK, motion)) for motion in STANDARD_MOTIONS])
    assert shown.limits_deg[:, 1, 1] == pytest.approx(alone, abs=1e-12)
    spare = [limit - each.wanted_deg for limit, each in zip(alone, STANDARD_MOTIONS, strict=True) if each.wanted_deg]
    assert shown.margin_deg[1, 1] == pytest.approx(min(spare))
    tightest = STANDARD_MOTIONS[shown.tightest[1, 1]]
    assert alone[shown.tightest[1, 1]] - tightest.wanted_deg == pytest.approx(min(spare))


@given(st.floats(35.0, 50.0), st.floats(5.0, 25.0), st.sampled_from(["inclination", "anteversion"]))
def test_at_the_ends_of_its_window_a_cup_is_just_free(inclination, anteversion, vary):
    window = free_window_deg(inclination, anteversion, NECK, STANDARD_MOTIONS, vary)

    def spare(change):
        angles = (inclination + change, anteversion) if vary == "inclination" else (inclination, anteversion + change)
        return motion_map(NECK, STANDARD_MOTIONS, [angles[0]], [angles[1]]).margin_deg[0, 0]

    if window is None:
        assert spare(0.0) < 0
        return
    here = inclination if vary == "inclination" else anteversion
    for end, outward in ((window[0], -0.1), (window[1], 0.1)):
        assert spare(end - here) >= 0
        assert abs(end - here) > 59.0 or spare(end - here + outward) < 0


def test_at_the_limit_of_a_motion_the_neck_has_nothing_to_spare():
    limit = float(neck_limit_deg(CUP, NECK, FLEXION))
    assert pose_margin_deg(CUP, NECK, HipPose(flexion_deg=limit)) == pytest.approx(0.0, abs=1e-9)
    assert pose_margin_deg(CUP, NECK, NEUTRAL) == pytest.approx(NECK.free_lean_deg - 27.904, abs=1e-3)


def test_the_reach_forward_outward_back_and_inward_is_that_of_the_four_motions():
    placed = model_leg().placed()
    found = reach(CUP, NECK, placed, 4)
    motions = [
        Motion(str(each), NEUTRAL, each) for each in (Move.FLEXION, Move.ABDUCTION, Move.EXTENSION, Move.ADDUCTION)
    ]
    assert found.neck_deg == pytest.approx([float(neck_limit_deg(CUP, NECK, each)) for each in motions], abs=1e-9)
    assert found.bone_deg[3] == pytest.approx(37.9, abs=0.5)  # adduction, as brute force on the same hip says
    assert reach(CUP, None, None, 4).neck_deg is None


def test_versions_add_up_and_the_worked_rule_of_widmer_is_met():
    """37.3 - 0.7 x 15 = 26.8, 37.3 - 0 = 37.3, 37.3 - 0.7 x 25 = 19.8 (rule from memory, arithmetic worked)."""
    for stem, cup in ((15.0, 26.8), (0.0, 37.3), (25.0, 19.8)):
        assert combined_version(cup, 99.0, stem).widmer_excess_deg == pytest.approx(0.0, abs=1e-9)
    found = combined_version(17.5, 26.0, 15.0)
    assert (found.radiographic_deg, found.anatomic_deg, found.within_target) == (32.5, 41.0, True)
    assert not combined_version(10.0, 15.0, 10.0).within_target
    assert combined_version(25.0, 30.0, 25.0).within_target  # the bounds, 25 and 50, belong to it
    assert stem_version_for_target_deg(17.5) == (7.5, 32.5)


def test_every_wanted_angle_names_its_source():
    assert all(each.source for each in STANDARD_MOTIONS if each.wanted_deg is not None)
    assert len({each.name for each in STANDARD_MOTIONS}) == len(STANDARD_MOTIONS)
