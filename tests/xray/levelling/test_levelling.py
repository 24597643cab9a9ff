"""How the pelvis lies to the beam, and the moves that level it: by hand, then laws on any pose."""

import json
from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.pelvis import Posture, app_axes_from_angles
from cotyle.errors import InputError
from cotyle.space.frames import Frame, rotated_about_left
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.carm import Tube, from_positioner
from cotyle.xray.levelling.levelling import ANGLE_NAMES, levelling_of
from cotyle.xray.levelling.moves import MOVE_NAMES, Reach, Setting, with_moves, with_picture_turned
from cotyle.xray.views import ViewName, view_angles_deg
from hypothesis import given, settings
from hypothesis import strategies as st

CENTER = np.array([5.0, -10.0, 20.0])
small = st.floats(-25.0, 25.0)
moderate = st.floats(-15.0, 15.0)
VIEWS = [
    (ViewName.AP_PELVIS, None),
    (ViewName.INLET, None),
    (ViewName.OUTLET, None),
    (ViewName.OBTURATOR_OBLIQUE, Side.LEFT),
    (ViewName.ILIAC_OBLIQUE, Side.LEFT),
    (ViewName.OBTURATOR_OBLIQUE, Side.RIGHT),
]


def frame_with(tilt, rotation, up, name="supine"):
    """A frame that lies so in the scanner."""
    return Frame(name, CENTER, *app_axes_from_angles(Posture(tilt, rotation, up)))


LEVEL_FRAME = frame_with(0.0, 0.0, 0.0)


def c_arm(frame=LEVEL_FRAME, view_deg=(0.0, 0.0), over=False):
    return from_positioner(
        CENTER,
        view_deg[0] + (180.0 if over else 0.0),
        -view_deg[1] if over else view_deg[1],
        frame=frame,
        source_detector_mm=1000.0,
        source_isocenter_mm=700.0,
        pixel_pitch_mm=(0.4, 0.4),
        size=(768, 768),
    )


def angles_of(posture):
    return np.array([getattr(posture, name) for name in ANGLE_NAMES])


@pytest.mark.parametrize("over", [False, True])
@pytest.mark.parametrize(
    ("angles", "moves"),
    [
        # the left of the pelvis stands higher on the picture, where it is on the right: turn it down, clockwise
        ((0.0, 0.0, 5.0), (5.0, 0.0, 0.0)),
        # the front of a patient on his back has rolled to his left: his left side comes up again
        ((0.0, 5.0, 0.0), (0.0, 5.0, 0.0)),
        # tilted forward it looks like an inlet view (Kanazawa 2016: flattened foramina): the detector goes to the feet
        ((5.0, 0.0, 0.0), (0.0, 0.0, -5.0)),
    ],
)
def test_one_angle_off_is_undone_by_one_move(angles, moves, over):
    found = levelling_of(c_arm(over=over), {"supine": frame_with(*angles)})["supine"]
    np.testing.assert_allclose(angles_of(found.posture), angles, atol=1e-9)
    np.testing.assert_allclose(found.moves.values_deg, moves, atol=1e-9)


def test_a_level_picture_needs_no_move():
    found = levelling_of(c_arm(), {"supine": LEVEL_FRAME})["supine"]
    np.testing.assert_allclose(found.moves.values_deg, 0.0, atol=1e-9)
    assert all("leave it" in line for line in found.words)


def test_the_beam_sees_the_detectors_normal_and_not_the_ray_to_the_hip():
    # the patient lies level, 100 mm beside the central ray: still level
    shifted = c_arm().moved(rigid_matrix(np.eye(3), (100.0, 0.0, 60.0)))
    found = levelling_of(shifted, {"supine": LEVEL_FRAME})["supine"]
    np.testing.assert_allclose(angles_of(found.posture), 0.0, atol=1e-9)


@given(small, small, small, st.sampled_from(VIEWS), small, small, small, st.booleans())
@settings(max_examples=60, deadline=None)
def test_the_moves_made_leave_nothing_to_do(tilt, rotation, up, view, roll_x, roll_y, roll_z, over):
    angles = view_angles_deg(*view)
    frame = frame_with(tilt, rotation, up)
    turn = rotation_matrix((1, 0, 0), roll_x / 2) @ rotation_matrix((0, 1, 0), roll_y / 2)
    carm = c_arm(view_deg=angles, over=over).moved(rigid_matrix(turn @ rotation_matrix((0, 0, 1), roll_z / 2)))
    found = levelling_of(carm, {"supine": frame}, angles)["supine"]
    done = with_moves(carm, Setting(*angles), found.moves, CENTER)
    after = levelling_of(done, {"supine": frame}, angles, machine=Setting(*angles).after(found.moves))["supine"]
    np.testing.assert_allclose(angles_of(after.posture), 0.0, atol=1e-6)
    np.testing.assert_allclose(after.moves.values_deg, 0.0, atol=1e-6)
    if not over:
        assert done.positioner_angles_deg(frame) == pytest.approx(angles, abs=1e-6)


@given(moderate, moderate, moderate, st.floats(-15, 15), st.floats(-10, 10), st.floats(-10, 10), st.floats(-25, 25))
@settings(max_examples=40, deadline=None)
def test_a_wanted_posture_is_reached_also_when_the_picture_was_turned_before(tilt, rotation, up, a, b, c, turned):
    frame, wanted = frame_with(tilt, rotation, up), Posture(a, b, c)
    carm = with_picture_turned(c_arm(), turned)
    now = Setting(0.0, 0.0, turned)
    found = levelling_of(carm, {"supine": frame}, wanted=wanted, machine=now)["supine"]
    done = with_moves(carm, now, found.moves, CENTER)
    seen = levelling_of(done, {"supine": frame})["supine"].posture
    np.testing.assert_allclose(angles_of(seen), (a, b, c), atol=1e-6)


@given(small, small, small)
@settings(max_examples=30, deadline=None)
def test_the_mirrored_patient_needs_the_mirrored_moves(tilt, rotation, up):
    found = levelling_of(c_arm(), {"supine": frame_with(tilt, rotation, up)})["supine"].moves.values_deg
    mirrored = levelling_of(c_arm(), {"supine": frame_with(tilt, -rotation, -up)})["supine"].moves.values_deg
    np.testing.assert_allclose(mirrored, found * (-1.0, -1.0, 1.0), atol=1e-9)


@given(small, st.floats(-20, 20))
@settings(max_examples=30, deadline=None)
def test_the_standing_pelvis_is_the_change_of_tilt_away_from_the_supine_one(tilt, change):
    supine = frame_with(tilt, 0.0, 0.0)
    frames = {"supine": supine, "standing": rotated_about_left(supine, "standing", change)}
    found = levelling_of(c_arm(), frames)
    # a frame whose pelvis tilts forward by the change is the room leaning back: seen so much less tilted
    assert found["standing"].posture.anterior_tilt_deg == pytest.approx(tilt - change, abs=1e-9)
    assert found["standing"].moves.cranial_deg == pytest.approx(change - tilt, abs=1e-9)


def test_small_angles_added_up_would_miss_what_the_exact_moves_reach():
    frame = frame_with(15.0, 12.0, 10.0)
    found = levelling_of(c_arm(), {"supine": frame})["supine"]
    naive = replace(found.moves, picture_turn_deg=10.0, table_roll_deg=12.0, cranial_deg=15.0)
    left = levelling_of(with_moves(c_arm(), Setting(), naive, CENTER), {"supine": frame})["supine"].posture
    assert np.abs(angles_of(left)).max() > 1.0


def test_uncertainty_of_the_pose_becomes_uncertainty_of_each_move():
    # about the left axis 1 deg, about the front-back axis 0.2, about the long axis 0.5: tilt, turn, roll
    covariance = np.diag(np.deg2rad([1.0, 0.2, 0.5]) ** 2)
    found = levelling_of(c_arm(), {"supine": LEVEL_FRAME}, covariance=covariance)["supine"]
    np.testing.assert_allclose(angles_of(found.posture_sd), [1.0, 0.5, 0.2], atol=1e-4)
    np.testing.assert_allclose(found.moves_sd.values_deg, [0.2, 0.5, 1.0], atol=1e-4)
    assert found.unsettled == ()


def test_a_move_that_the_pose_does_not_tell_is_null_and_said():
    covariance = np.diag(np.deg2rad([15.0, 0.5, 15.0]) ** 2)
    frames = {"supine": frame_with(3.0, 2.0, 4.0)}
    found = levelling_of(c_arm(), frames, covariance=covariance)["supine"]
    fields = json.loads(json.dumps(found.as_fields()))
    assert fields["moves"]["table_roll_deg"] is None
    assert fields["moves"]["cranial_deg"] is None
    assert fields["moves"]["picture_turn_deg"] == pytest.approx(found.moves.picture_turn_deg)
    assert fields["anterior_tilt_deg"] is None
    assert "not settled" in found.words[1]


def test_the_fields_bear_the_names_of_the_comparison_file():
    fields = levelling_of(c_arm(), {"app": LEVEL_FRAME, "supine": LEVEL_FRAME}).as_fields()
    assert set(fields) == {"app", "supine"}
    assert set(ANGLE_NAMES) < set(fields["app"])
    assert set(fields["app"]["moves"]) == set(MOVE_NAMES)


def test_a_roll_beyond_the_table_is_said_among_the_words():
    found = levelling_of(c_arm(), {"supine": frame_with(0.0, 24.0, 0.0)}, reach=Reach(table_roll_deg=15.0))["supine"]
    assert "beyond the 15 deg" in found.words[-1]


def test_a_mirrored_picture_is_refused():
    carm = c_arm()
    last = carm.pixel_to_lps((carm.size[0] - 1.0, 0.0))
    mirrored = replace(carm, column_direction_lps=-carm.column_direction_lps, detector_origin_lps_mm=last)
    with pytest.raises(InputError) as caught:
        levelling_of(mirrored, {"supine": LEVEL_FRAME})
    assert caught.value.code == "levelling-picture"
    assert carm.tube is Tube.UNDER_TABLE


@pytest.mark.parametrize("bad", [np.eye(2), np.diag([1.0, -1.0, 1.0]), np.full((6, 6), np.nan)])
def test_a_covariance_that_is_none_is_refused(bad):
    with pytest.raises(InputError) as caught:
        levelling_of(c_arm(), {"supine": LEVEL_FRAME}, covariance=bad)
    assert caught.value.code == "levelling-covariance"
