"""The cues of a view: worked by hand on a picture that is nearly a parallel projection, then laws."""

from dataclasses import asdict

import numpy as np
import pytest
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh, merged
from cotyle.space.rotations import rigid_matrix, rotation_matrix, transform_points
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from cotyle.xray.cues import LineRelation, cues
from hypothesis import given, settings
from hypothesis import strategies as st

R = 26.0
LANDMARKS = {
    "teardrop_left": (60.0, 0.0, -20.0),
    "teardrop_right": (-60.0, 0.0, -20.0),
    "superolateral_rim_left": (110.0, 0.0, 22.0),
    "superolateral_rim_right": (-110.0, 0.0, 22.0),
    "si_joint_inferior_left": (40.0, 60.0, 30.0),
    "si_joint_inferior_right": (-40.0, 60.0, 30.0),
    "symphysis": (3.0, -40.0, -45.0),
    "sacrum_midline": (-1.0, 70.0, 60.0),
}


def flat_c_arm(primary=0.0):
    """Rays parallel within 1e-4, magnification 1: what is worked by hand on paper must come out."""
    return from_positioner(
        (0, 0, 0),
        primary,
        0,
        frame=SCANNER,
        source_detector_mm=1_000_000.001,
        source_isocenter_mm=1_000_000.0,
        pixel_pitch_mm=(0.5, 0.5),
        size=(600, 600),
    )


def near_c_arm(secondary=0.0):
    return from_positioner(
        (0, 0, 0),
        0,
        secondary,
        frame=SCANNER,
        source_detector_mm=1000.0,
        source_isocenter_mm=700.0,
        pixel_pitch_mm=(0.4, 0.4),
        size=(1000, 1000),
    )


def rim(side=Side.LEFT, inclination=40.0, anteversion=15.0, center=(85.0, 0.0, 0.0)):
    axis = axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, side)
    return Circle(np.array(center) * (side.lateral_sign, 1, 1), axis, R)


@pytest.mark.parametrize("side", Side)
def test_a_parallel_beam_shows_the_radiographic_angles(side):
    # Lewinnek 1978: inclination of the long axis, anteversion asin(minor / major)
    found = cues(flat_c_arm(), rim(side), side, LANDMARKS)
    assert found.apparent_inclination_deg == pytest.approx(40.0, abs=0.01)
    assert found.inclination_to_teardrops_deg == pytest.approx(40.0, abs=0.01)
    assert found.suggested_anteversion_deg == pytest.approx(15.0, abs=0.01)
    assert found.rim_axis_ratio == pytest.approx(np.sin(np.deg2rad(15.0)), abs=1e-4)


@pytest.mark.parametrize("side", Side)
def test_the_axis_crosses_the_line_of_the_sacroiliac_joint_where_it_does_on_paper(side):
    # on the film the axis runs inwards at tan = cos 40 / sin 40 up for each mm medial; 45 mm medial of the hip centre
    height = 45.0 / np.tan(np.deg2rad(40.0))
    found = cues(flat_c_arm(), rim(side), side, LANDMARKS)
    assert found.axis_above_si_joint_mm == pytest.approx(height - 30.0, abs=0.05)


def test_a_more_inclined_cup_points_lower_at_the_sacroiliac_joint():
    heights = [
        cues(near_c_arm(), rim(inclination=i), Side.LEFT, LANDMARKS).axis_above_si_joint_mm for i in (35, 40, 45, 50)
    ]
    assert (np.diff(heights) < 0).all()


def test_an_axis_that_runs_away_from_the_joint_does_not_cross_it():
    away = Circle(np.array([85.0, 0, 0]), np.array([-0.6, 0.0, -0.8]), R)
    assert cues(flat_c_arm(), away, Side.LEFT, LANDMARKS).axis_above_si_joint_mm is None


@pytest.mark.parametrize("side", Side)
def test_the_rim_line_is_held_against_the_line_from_teardrop_to_superolateral_rim(side):
    # that line rises by atan(42 / 50) = 40.03 deg; the hip centre (25 lateral, 20 up of the teardrop) lies
    # 25 sin - 20 cos = 0.766 mm beside it, on the side of the mouth
    found = cues(flat_c_arm(), rim(side, inclination=50.0), side, LANDMARKS).rim_line
    line_deg = np.rad2deg(np.arctan2(42, 50))
    assert found.angle_deg == pytest.approx(50.0 - line_deg, abs=0.02)
    assert found.relation is LineRelation.CROSSING
    offset = 25 * np.sin(np.deg2rad(line_deg)) - 20 * np.cos(np.deg2rad(line_deg))
    swing = R * np.sin(np.deg2rad(50.0 - line_deg))
    assert found.lower_end_mm == pytest.approx(offset + swing, abs=0.02)
    assert found.upper_end_mm == pytest.approx(offset - swing, abs=0.02)


def test_the_rim_line_is_called_parallel_crossing_tangent_or_apart():
    def relation(**placed):
        return cues(flat_c_arm(), rim(**placed), Side.LEFT, LANDMARKS).rim_line.relation

    assert relation(inclination=41.0) is LineRelation.PARALLEL
    assert relation(inclination=55.0) is LineRelation.CROSSING
    # the ellipse reaches sqrt((a sin d)^2 + (b cos d)^2) to either side of its centre; push it out by that much
    turn = np.deg2rad(55.0) - np.arctan2(42, 50)
    reach = R * np.hypot(np.sin(turn), np.sin(np.deg2rad(15.0)) * np.cos(turn))
    line = np.arctan2(42, 50)
    to_mouth = np.array([np.sin(line), 0.0, -np.cos(line)])
    on_line = np.array([60.0, 0.0, -20.0]) + 30 * np.array([np.cos(line), 0.0, np.sin(line)])
    assert relation(inclination=55.0, center=on_line + reach * to_mouth) is LineRelation.TANGENT
    assert relation(inclination=55.0, center=on_line - reach * to_mouth) is LineRelation.TANGENT
    assert relation(inclination=55.0, center=on_line + (reach + 3) * to_mouth) is LineRelation.APART
    assert relation(inclination=55.0, center=on_line + (reach - 3) * to_mouth) is LineRelation.CROSSING


@pytest.mark.parametrize("side", Side)
def test_the_medial_edge_is_that_of_the_dome(side):
    # hip centre 25 mm lateral of the teardrop: the ball's medial edge is 26 mm medial of it, 1 mm past the teardrop
    found = cues(flat_c_arm(), rim(side), side, LANDMARKS)
    assert found.medial_edge_to_teardrop_mm == pytest.approx(-1.0, abs=0.02)


def test_the_symphysis_is_positive_to_the_left_of_the_sacral_midline():
    found = cues(flat_c_arm(), rim(), Side.LEFT, LANDMARKS)
    assert found.symphysis_to_sacrum_mm == pytest.approx(4.0, abs=0.02)


def test_axial_rotation_moves_the_symphysis_by_the_sine_of_its_distance():
    # 110 mm in front of the sacrum: 110 sin(1 deg) = 1.92 mm for each degree; a detector gone to the left sees the
    # front of the pelvis on the right
    straight, turned = (cues(flat_c_arm(p), rim(), Side.LEFT, LANDMARKS).symphysis_to_sacrum_mm for p in (0.0, 1.0))
    assert turned - straight == pytest.approx(-1.92, abs=0.01)


def post(x, y, z, half=4.0):
    """An upright square post of 2 x half mm, rounded by its vertex normals, 60 mm high."""
    corners = np.array([(sx, sy, sz) for sz in (-30, 30) for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1))], float)
    corners[:, :2] *= half
    sides = [(a, (a + 1) % 4, (a + 1) % 4 + 4, a + 4) for a in range(4)]
    triangles = [t for a, b, c, d in sides for t in ((a, b, c), (a, c, d))]
    triangles += [(0, 2, 1), (0, 3, 2), (4, 5, 6), (4, 6, 7)]
    return TriangleMesh(corners + (x, y, z), np.array(triangles))


@pytest.mark.parametrize("side", Side)
def test_the_ilioischial_line_is_the_medial_contour_of_the_bone_behind_the_teardrop(side):
    # a post behind the teardrop whose medial face lies 3 mm lateral of it; one in front and one far off don't count
    bone = merged([post(67, 30, -20), post(50, -30, -20), post(10, 30, -20)])
    bone = bone.transformed(np.diag([side.lateral_sign, 1, 1, 1]))
    found = cues(flat_c_arm(), rim(side), side, LANDMARKS, bone)
    assert found.teardrop_to_ilioischial_mm == pytest.approx(3.0, abs=0.1)
    assert f"{side}_hip_bone" not in found.missing


def test_the_ilioischial_line_is_looked_for_a_little_above_the_teardrop_and_not_at_any_height():
    for lower_end, expected in ((-12.0, 3.0), (0.0, None)):
        # the post is 60 mm high: lower ends 8 mm and 20 mm above the teardrop's
        bone = post(67, 30, lower_end + 30.0)
        found = cues(flat_c_arm(), rim(), Side.LEFT, LANDMARKS, bone).teardrop_to_ilioischial_mm
        assert found == (None if expected is None else pytest.approx(expected, abs=0.1))


def test_a_slanting_ilioischial_line_is_read_at_the_height_of_the_teardrop():
    # leaning 0.3 mm outwards for each mm up, about the teardrop's height of -20: still 3 mm lateral there
    lean = np.eye(4)
    lean[0, 2], lean[0, 3] = 0.3, 0.3 * 20.0
    bone = post(67, 30, -5).transformed(lean)
    found = cues(flat_c_arm(), rim(), Side.LEFT, LANDMARKS, bone)
    assert found.teardrop_to_ilioischial_mm == pytest.approx(3.0, abs=0.1)


def test_what_is_not_given_is_none_and_named():
    found = cues(near_c_arm(), rim(), Side.LEFT, {"teardrop_left": LANDMARKS["teardrop_left"]})
    assert found.inclination_to_teardrops_deg is None
    assert found.axis_above_si_joint_mm is None
    assert found.rim_line is None
    assert found.teardrop_to_ilioischial_mm is None
    assert found.symphysis_to_sacrum_mm is None
    assert found.medial_edge_to_teardrop_mm is not None
    assert set(found.missing) == {
        "teardrop_right",
        "symphysis",
        "sacrum_midline",
        "superolateral_rim_left",
        "si_joint_inferior_left",
        "left_hip_bone",
    }


def numbers(found):
    flat = asdict(found)
    flat |= flat.pop("rim_line")
    return {key: value for key, value in flat.items() if isinstance(value, float)}


@given(turn=st.floats(-180, 180), secondary=st.floats(-30, 30))
@settings(deadline=None)
def test_turning_patient_and_c_arm_together_leaves_every_cue(turn, secondary):
    rigid = rigid_matrix(rotation_matrix((1, -2, 0.4), turn), (12.0, -50.0, 33.0))
    carm, circle = near_c_arm(secondary), rim()
    moved_rim = Circle(transform_points(rigid, circle.center_lps_mm), rigid[:3, :3] @ circle.normal_lps, R)
    moved_landmarks = {name: transform_points(rigid, np.array(point)) for name, point in LANDMARKS.items()}
    before = cues(carm, circle, Side.LEFT, LANDMARKS)
    after = cues(carm.moved(rigid), moved_rim, Side.LEFT, moved_landmarks)
    assert numbers(after) == pytest.approx(numbers(before), abs=1e-6)
    assert after.rim_line.relation is before.rim_line.relation


@given(secondary=st.floats(-30, 30), inclination=st.floats(30, 55), anteversion=st.floats(-10, 30))
@settings(deadline=None)
def test_a_mirrored_patient_has_the_same_cues_on_the_other_side(secondary, inclination, anteversion):
    swap = {"left": "right", "right": "left"}
    mirrored = {}
    for name, point in LANDMARKS.items():
        stem, _, side = name.rpartition("_")
        mirrored[f"{stem}_{swap[side]}" if side in swap else name] = np.array(point) * (-1, 1, 1)
    carm = near_c_arm(secondary)
    left = numbers(cues(carm, rim(Side.LEFT, inclination, anteversion), Side.LEFT, LANDMARKS))
    right = numbers(cues(carm, rim(Side.RIGHT, inclination, anteversion), Side.RIGHT, mirrored))
    left["symphysis_to_sacrum_mm"] *= -1
    assert right == pytest.approx(left, abs=1e-6)
