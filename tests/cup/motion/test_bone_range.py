"""Bone against bone on a hip of the open shape model, against brute force by VTK's collision filter and the laws of
mirrors and postures.
"""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.edge_confidence import EdgeConfidence
from cotyle.cup.motion.bone_range import Ending, bone_limits, place
from cotyle.cup.motion.femur import NeckCut
from cotyle.cup.motion.hip_pose import NEUTRAL, HipPose, Move, moved_on, rotation_of
from cotyle.cup.motion.motions import STANDARD_MOTIONS, Motion
from cotyle.space.frames import rotated_about_left
from cotyle.space.mesh_files import to_polydata
from cotyle.space.side import Side
from vtkmodules.vtkCommonMath import vtkMatrix4x4
from vtkmodules.vtkFiltersModeling import vtkCollisionDetectionFilter

from tests.cup.motion.model_leg import clear, model_leg

FLEXION, EXTENSION, ABDUCTION, ADDUCTION = (
    Motion(str(each), NEUTRAL, each) for each in (Move.FLEXION, Move.EXTENSION, Move.ABDUCTION, Move.ADDUCTION)
)
INWARD_AT_90 = Motion("inward", HipPose(flexion_deg=90.0), Move.INTERNAL_ROTATION)


def limits(placed, *motions):
    return [each.limit_deg for each in bone_limits(placed, motions)]


class Collider:
    """VTK's filter on the cut femur and the hip bone: whether any two of their triangles cross in a pose."""

    def __init__(self, leg, placed):
        self.pose, still = vtkMatrix4x4(), vtkMatrix4x4()
        self.filter = vtkCollisionDetectionFilter()
        self.filter.SetInputData(0, to_polydata(leg.cut().surface))
        self.filter.SetInputData(1, to_polydata(placed.obstacle.mesh))
        self.filter.SetMatrix(0, self.pose)
        self.filter.SetMatrix(1, still)
        self.filter.SetCollisionModeToFirstContact()
        self.filter.SetBoxTolerance(0.0)
        self.filter.SetCellTolerance(0.0)

    def crosses(self, rotation):
        for row in range(3):
            for column in range(3):
                self.pose.SetElement(row, column, rotation[row, column])
        self.pose.Modified()
        self.filter.Update()
        return self.filter.GetNumberOfContacts() > 0

    def first_deg(self, motion):
        """First pose of a grid of one degree in which they cross, then halved to 0.02 deg."""

        def crosses(turn):
            return self.crosses(rotation_of(moved_on(motion.start, motion.move, turn)))

        high = next(turn for turn in np.arange(0.0, 160.0, 1.0) if crosses(turn))
        low = high - 1.0
        while high - low > 0.02:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if crosses(middle) else (middle, high)
        return high


@pytest.mark.parametrize(("side", "motions"), [(Side.LEFT, STANDARD_MOTIONS), (Side.RIGHT, STANDARD_MOTIONS[3:7])])
def test_every_motion_ends_where_brute_force_on_a_grid_of_one_degree_says(side, motions):
    """The bar is 1 degree; measured: 0.13 deg at most on these two hips."""
    leg = model_leg(side)
    placed = leg.placed()
    brute = Collider(leg, placed)
    found = bone_limits(placed, motions)
    assert all(each.ending is Ending.TOUCH for each in found)
    for each in found:
        assert each.limit_deg == pytest.approx(brute.first_deg(each.motion), abs=0.3), each.motion.name


def test_a_moved_centre_and_a_longer_neck_end_where_brute_force_says():
    leg = model_leg()
    placed = leg.placed(shift_lps_mm=(-4.0, 0.0, 3.0), leg_longer_mm=5.0, offset_more_mm=3.0)
    brute = Collider(leg, placed)
    brute.filter.SetInputData(0, to_polydata(shifted(leg.cut().surface, [3.0, 0.0, -5.0])))
    for motion in (FLEXION, ADDUCTION, INWARD_AT_90):
        assert limits(placed, motion)[0] == pytest.approx(brute.first_deg(motion), abs=0.3)


def shifted(mesh, by):
    return mesh.with_vertices(mesh.vertices_lps_mm + by)


def test_left_and_right_hips_end_alike():
    leg = model_leg()
    motions = (FLEXION, ADDUCTION, INWARD_AT_90)
    assert limits(leg.mirrored().placed(), *motions) == pytest.approx(limits(leg.placed(), *motions), abs=0.01)


def test_a_tilt_of_the_pelvis_moves_flexion_and_extension_one_for_one():
    leg, forward_deg = model_leg(), -9.0
    posture = rotated_about_left(leg.hip.frame, "posture", forward_deg)
    flexion, extension = limits(leg.placed(), FLEXION, EXTENSION)
    after = limits(leg.placed(posture), FLEXION, EXTENSION)
    assert after == pytest.approx([flexion - forward_deg, extension + forward_deg], abs=0.1)


def test_where_bone_meets_is_on_both_bones_and_sure_as_their_edges():
    leg = model_leg()
    placed = leg.placed()
    (found,) = bone_limits(placed, [INWARD_AT_90])
    assert placed.obstacle.clearance_mm(found.femur_mm[None])[0] < 0.05
    assert found.pelvis_mm == pytest.approx(found.femur_mm, abs=0.05)
    turned = rotation_of(moved_on(INWARD_AT_90.start, INWARD_AT_90.move, found.limit_deg))
    at_rest = turned.T @ found.femur_mm
    assert np.linalg.norm(leg.cut().surface.vertices_lps_mm - at_rest, axis=1).min() < 5.0
    reach = np.linalg.norm(found.femur_mm)
    assert found.sd_deg > np.degrees(0.4 / reach)


def test_the_deviation_is_that_of_both_edges_and_of_the_head_over_what_a_degree_closes():
    """Clear edges count 0.25 mm, the head 0.2 mm; edges of 1 mm count as they are."""
    leg = model_leg()
    (sure,) = bone_limits(leg.placed(), [ADDUCTION])
    doubtful = EdgeConfidence(leg.edges.kind, np.ones(len(leg.edges.kind)))
    bone = clear(leg.hip.bone)
    pelvis = [(leg.hip.bone, EdgeConfidence(bone.kind, np.ones(len(bone.kind))))]
    cut = type(leg)(leg.hip, leg.femur, doubtful, leg.head_seeds).cut()
    (unsure,) = bone_limits(place(cut, pelvis, leg.hip.center, leg.hip.frame), [ADDUCTION])
    assert unsure.limit_deg == sure.limit_deg
    wanted = np.sqrt(1.0 + 1.0 + 0.2**2) / np.sqrt(0.25**2 + 0.25**2 + 0.2**2)
    assert unsure.sd_deg / sure.sd_deg == pytest.approx(wanted, rel=0.01)


def test_what_ends_at_the_edge_of_the_cut_hangs_on_the_cut_and_says_so():
    leg = model_leg()
    bone = [(leg.hip.bone, clear(leg.hip.bone))]

    def ends(above_mm):
        cut = leg.cut(cut=NeckCut(above_lesser_trochanter_mm=above_mm))
        return bone_limits(place(cut, bone, leg.hip.center, leg.hip.frame), [ADDUCTION, INWARD_AT_90])

    (adducted, inward), (adducted_high, inward_high) = ends(15.0), ends(19.0)
    assert (adducted.at_cut, inward.at_cut) == (False, True)
    assert adducted_high.limit_deg == pytest.approx(adducted.limit_deg, abs=0.01)
    assert inward_high.limit_deg < inward.limit_deg - 1.0
    assert inward.limit_deg - inward_high.limit_deg < 2 * 1.96 * inward.sd_deg  # 4 mm are two of its deviations


def test_a_femur_that_overlaps_the_pelvis_at_rest_is_said_so():
    placed = model_leg().placed(offset_more_mm=-40.0)
    assert [each.ending for each in bone_limits(placed, [FLEXION, ADDUCTION])] == [Ending.OVERLAP] * 2


def test_a_motion_that_bone_stops_before_it_begins_is_said_so():
    adducted = Motion("far", HipPose(abduction_deg=-80.0), Move.FLEXION)
    (found,) = bone_limits(model_leg().placed(), [adducted])
    assert found.ending is Ending.ON_THE_WAY
    assert np.isnan(found.limit_deg)


def test_a_hip_bone_far_away_stops_nothing():
    placed = model_leg().placed(shift_lps_mm=(400.0, 0.0, 0.0))
    (found,) = bone_limits(placed, [ABDUCTION])
    assert found.ending is Ending.FREE
    assert np.isinf(found.limit_deg)
