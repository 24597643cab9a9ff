"""Moves of picture, table and C-arm: their signs one by one, and how they work together."""

from itertools import permutations

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.xray.carm import Tube, from_positioner
from cotyle.xray.levelling.moves import (
    Moves,
    Reach,
    Setting,
    check_way_round,
    move_words,
    out_of_reach,
    picture_axes,
    room_axes,
    setting_axes,
    setting_of_axes,
    with_c_arm_tilted,
    with_moves,
    with_picture_turned,
    with_table_rolled,
)
from hypothesis import given, settings
from hypothesis import strategies as st

CENTER = np.array([10.0, -20.0, 30.0])
angles = st.floats(-30.0, 30.0)


def c_arm(primary=0.0, secondary=0.0):
    return from_positioner(
        CENTER,
        primary,
        secondary,
        frame=SCANNER,
        source_detector_mm=1000.0,
        source_isocenter_mm=700.0,
        pixel_pitch_mm=(0.4, 0.4),
        size=(768, 768),
    )


@given(st.floats(-89, 89), st.floats(-80, 80), st.floats(-170, 170))
@settings(max_examples=60, deadline=None)
def test_a_setting_is_read_back_from_its_picture(primary, secondary, turned):
    back = setting_of_axes(setting_axes(Setting(primary, secondary, turned)))
    assert (back.primary_deg, back.secondary_deg, back.picture_turned_deg) == pytest.approx(
        (primary, secondary, turned), abs=1e-9
    )


@pytest.mark.parametrize(("primary", "secondary"), [(0, 0), (45, 0), (-45, 10), (0, 25), (0, -60), (90, 45)])
def test_a_setting_has_the_axes_of_the_picture_at_its_positioner_angles(primary, secondary):
    # DICOM PS3.3 C.8.7.5.1.2 as built in carm.py
    np.testing.assert_allclose(
        picture_axes(c_arm(primary, secondary)), setting_axes(Setting(primary, secondary)), atol=1e-12
    )


def test_a_picture_turned_clockwise_takes_what_is_on_its_right_down():
    carm = c_arm()
    middle, left = CENTER, CENTER + (50.0, 0.0, 0.0)
    turned = with_picture_turned(carm, 10.0)
    before, after = (each.project(left) - each.project(middle) for each in (carm, turned))
    assert before[0] > 0  # the patient's left is on the right of the picture
    assert after[1] > 0  # rows grow downwards
    assert np.rad2deg(np.arctan2(after[1], after[0])) == pytest.approx(10.0, abs=1e-9)
    np.testing.assert_allclose(turned.source_lps_mm, carm.source_lps_mm, atol=1e-9)


def test_a_table_rolled_left_side_up_brings_the_patients_left_to_the_detector_above():
    carm = c_arm()  # tube under the table, detector in front of the patient
    rolled = with_table_rolled(carm, np.array([0.0, 0.0, 1.0]), 10.0, CENTER)
    left, right = CENTER + (100.0, 0.0, 0.0), CENTER - (100.0, 0.0, 0.0)
    assert rolled.depth_mm(left) == pytest.approx(700.0 + 100.0 * np.sin(np.deg2rad(10.0)))
    assert rolled.depth_mm(right) == pytest.approx(700.0 - 100.0 * np.sin(np.deg2rad(10.0)))


def test_a_table_rolled_left_side_up_shows_what_the_detector_swung_to_the_left_shows():
    np.testing.assert_allclose(
        with_table_rolled(c_arm(), np.array([0.0, 0.0, 1.0]), 10.0, CENTER).projection_matrix,
        c_arm(primary=10.0).projection_matrix,
        atol=1e-9,
    )


@pytest.mark.parametrize("primary", [0.0, 45.0])
def test_a_cranial_tilt_takes_the_detector_to_the_head(primary):
    np.testing.assert_allclose(
        with_c_arm_tilted(c_arm(primary), np.array([0.0, 0.0, 1.0]), 10.0, CENTER).projection_matrix,
        c_arm(primary, 10.0).projection_matrix,
        atol=1e-9,
    )


@given(angles, angles, angles, st.floats(-45, 45), st.floats(-30, 30), st.floats(-20, 20))
@settings(max_examples=40, deadline=None)
def test_moves_made_in_any_order_end_in_the_same_picture(turn, roll, tilt, primary, secondary, turned):
    now = Setting(primary, secondary, turned)
    carm = with_picture_turned(c_arm(primary, secondary), turned)
    table = room_axes(carm, now)[2]
    np.testing.assert_allclose(table, [0.0, 0.0, 1.0], atol=1e-9)
    makers = {
        "turn": lambda c: with_picture_turned(c, turn),
        "roll": lambda c: with_table_rolled(c, table, roll, CENTER),
        "tilt": lambda c: with_c_arm_tilted(c, table, tilt, CENTER),
    }
    expected = with_moves(carm, now, Moves(turn, roll, tilt), CENTER).projection_matrix
    for order in permutations(makers):
        moved = carm
        for name in order:
            moved = makers[name](moved)
        np.testing.assert_allclose(moved.projection_matrix, expected, atol=1e-7)


def test_each_move_is_told_in_words_with_its_way():
    under, over = Tube.UNDER_TABLE, Tube.OVER_TABLE
    assert move_words("picture_turn_deg", 2.0, None, under) == "turn the picture 2.0 deg clockwise"
    assert move_words("picture_turn_deg", -2.0, None, under) == "turn the picture 2.0 deg counter-clockwise"
    assert move_words("table_roll_deg", 4.0, None, under).startswith("roll the table 4.0 deg, patient's left side up")
    assert "detector as far to the patient's right" in move_words("table_roll_deg", -4.0, None, under)
    assert move_words("cranial_deg", 6.0, None, under) == "tilt the C-arm 6.0 deg cranial (detector towards the head)"
    assert move_words("cranial_deg", -6.0, None, over) == "tilt the C-arm 6.0 deg caudal (tube towards the feet)"


def test_words_say_how_sure_they_are_and_when_not_to_move():
    assert move_words("cranial_deg", 6.2, 1.5, Tube.UNDER_TABLE).startswith("tilt the C-arm 6 deg (give or take 2.9)")
    assert "leave it as it is" in move_words("table_roll_deg", 0.3, 0.1, Tube.UNDER_TABLE)
    assert "not settled" in move_words("table_roll_deg", None, 9.0, Tube.UNDER_TABLE)


def test_a_move_beyond_table_or_c_arm_is_said():
    lines = out_of_reach(Setting(0.0, 25.0), Moves(50.0, -24.0, 45.0), Reach())
    assert len(lines) == 2
    assert "table roll of 24 deg" in lines[0]
    assert "70 deg cranial" in lines[1]
    assert out_of_reach(Setting(0.0, 25.0), Moves(50.0, -19.0, 35.0), Reach()) == ()


@pytest.mark.parametrize(
    "axes", [np.diag([-1.0, -1.0, 1.0]), np.diag([-1.0, 1.0, -1.0])], ids=["mirrored", "upside down"]
)
def test_a_picture_the_wrong_way_round_is_refused(axes):
    with pytest.raises(InputError) as caught:
        check_way_round(axes, np.eye(3))
    assert caught.value.code == "levelling-picture"
