"""Ends of the foramen and the ilio-ischial line, against pictures filled triangle by triangle and against motion."""

import numpy as np
import pytest
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.levelling.clicks import FORAMEN_ENDS
from cotyle.xray.levelling.contour_points import covered, foramen_outline, ilioischial_point, nearest_on_curve
from cotyle.xray.outlines import silhouette_px

from tests.space.solids import sphere
from tests.xray.levelling.clicked_pelves import displaced, filled_hole, nominal, pelvis, places_of


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("side", Side)
def test_the_ends_of_the_foramen_are_those_of_a_filled_picture_of_the_bone(seed, side):
    known = pelvis(seed)
    carm = displaced(nominal(known), known, np.random.default_rng(seed), most_deg=8.0)
    found = foramen_outline(carm, known.hip_bones[side], places_of(known), side)
    hole = filled_hole(carm, known, side)
    mm_per_px = carm.pixel_pitch_mm[0] / carm.magnification(known.landmarks[f"teardrop_{side}"].lps_mm)
    for which in FORAMEN_ENDS:
        end = found.end(which, side)
        # flat triangles of some 5 mm against their smoothed contour
        assert abs((end.pixel - hole[which]) @ end.across) * mm_per_px < 0.7, which


def test_the_height_of_the_foramen_grows_from_inlet_to_outlet():
    # an anterior tilt, inlet-like, closes it; a posterior one, outlet-like, opens it (Kanazawa 2016)
    known = pelvis(2)
    heights = []
    for tilt in (-15.0, 0.0, 15.0):
        turn = rotation_matrix(known.frame.left, -tilt)
        middle = known.landmarks["hip_center_left"].lps_mm
        carm = nominal(known).moved(rigid_matrix(turn, middle - turn @ middle))  # tilt > 0: the detector to the head
        outline = foramen_outline(carm, known.hip_bones[Side.LEFT], places_of(known), Side.LEFT)
        heights.append(np.ptp(outline.pixels[:, 1]))
    assert heights[0] > heights[1] > heights[2]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("side", Side)
def test_a_smooth_end_moves_across_itself_as_if_its_point_were_fixed_to_the_bone(seed, side):
    known = pelvis(seed)
    carm, bone = nominal(known), known.hip_bones[side]
    middle = known.landmarks[f"hip_center_{side}"].lps_mm
    turn = rotation_matrix(known.frame.left, 1.0)
    turned = carm.moved(rigid_matrix(turn, middle - turn @ middle))
    outlines = [foramen_outline(pose, bone, places_of(known), side) for pose in (carm, turned)]
    mm_per_px = carm.pixel_pitch_mm[0] / carm.magnification(middle)
    smooth = 0
    for which in FORAMEN_ENDS:
        before, after = (outline.end(which, side) for outline in outlines)
        if before.sd_mm == after.sd_mm == 0.0:
            smooth += 1
            gap = (after.pixel - turned.project(before.lps_mm)) @ before.across
            assert abs(gap) * mm_per_px < 0.25, which
    assert smooth >= 2


def test_a_bone_without_a_hole_has_no_foramen():
    known = pelvis(1)
    whole = sphere(40.0, known.landmarks["ischial_tuberosity_left"].lps_mm)
    assert foramen_outline(nominal(known), whole, places_of(known), Side.LEFT) is None


def test_without_its_landmarks_no_foramen_is_looked_for():
    known = pelvis(1)
    assert foramen_outline(nominal(known), known.hip_bones[Side.LEFT], {}, Side.LEFT) is None


def test_a_point_of_the_ilioischial_line_lies_on_a_contour_behind_the_teardrop():
    known, side = pelvis(2), Side.LEFT
    carm, teardrop = nominal(known), known.landmarks["teardrop_left"].lps_mm
    row = float(carm.project(teardrop)[1]) - 30.0
    found = ilioischial_point(carm, known.hip_bones[side], teardrop, side, row)
    assert found.pixel[1] == pytest.approx(row, abs=4.0)
    ends = silhouette_px(carm, known.hip_bones[side])
    assert np.linalg.norm(ends.mean(axis=1) - found.pixel, axis=1).min() < 12.0
    assert (found.lps_mm - teardrop) @ known.frame.posterior > 5.0
    assert ilioischial_point(carm, known.hip_bones[side], teardrop, side, row + 300.0) is None


def test_a_triangle_covers_its_inside_whichever_way_it_turns():
    triangle = np.array([[[0.0, 0.0], [4.0, 0.0], [0.0, 4.0]]])
    for each in (triangle, triangle[:, ::-1]):
        assert covered(each, np.array([1.0, 1.0]))
        assert not covered(each, np.array([3.0, 3.0]))


def test_the_nearest_point_of_a_curve_is_seen_at_right_angles_to_it():
    known = pelvis(1)
    carm, frame = nominal(known), known.frame
    curve = frame.to_lps(np.array([[0.0, 60.0, -50.0], [0.0, 80.0, 0.0], [0.0, 60.0, 60.0]]))
    pixel = carm.project(frame.to_lps((8.0, 75.0, -10.0)))
    found = nearest_on_curve(carm, curve, pixel)
    assert abs(found.across[0]) == pytest.approx(1.0, abs=0.05)
    assert frame.to_frame(found.lps_mm)[2] == pytest.approx(-10.0, abs=1.0)
    assert np.linalg.norm(pixel - found.pixel) == pytest.approx(abs((pixel - found.pixel) @ found.across), rel=1e-3)
