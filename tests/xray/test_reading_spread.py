"""What uncertain landmarks do to cues: first-order propagation worked by hand."""

import numpy as np
import pytest
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from cotyle.xray.reading_spread import landmark_spread
from cotyle.xray.reaming_cues import Sight

LANDMARKS = {
    "teardrop_left": (60.0, 0.0, -20.0),
    "teardrop_right": (-60.0, 0.0, -20.0),
    "superolateral_rim_left": (110.0, 0.0, 22.0),
    "si_joint_inferior_left": (40.0, 60.0, 30.0),
}


def seen(landmarks=LANDMARKS):
    carm = from_positioner(
        (0, 0, 0), 0, 0, frame=SCANNER, source_detector_mm=1e6 + 1e-3, source_isocenter_mm=1e6,
        pixel_pitch_mm=(0.5, 0.5), size=(600, 600),
    )  # fmt: skip
    return Sight(carm, Side.LEFT, landmarks, None)


def rim():
    axis = axis_from_orientation(Orientation(40.0, 15.0), Definition.RADIOGRAPHIC, SCANNER, Side.LEFT)
    return Circle(np.array([85.0, 0.0, 0.0]), axis, 26.0)


def test_the_axis_at_the_joint_is_as_sure_as_the_joint():
    # moved up by s it reads s lower; moved medially by s the axis passes s / tan 40 higher there
    found = landmark_spread(seen(), rim(), {"si_joint_inferior_left": 6.0})
    assert found["axis_above_si_joint_mm"] == pytest.approx(6.0 * np.hypot(1, 1 / np.tan(np.deg2rad(40))), rel=1e-3)
    assert found["medial_edge_to_teardrop_mm"] == 0.0


def test_the_line_of_the_teardrops_turns_by_their_heights_over_their_distance():
    # 1.5 mm each, 120 mm apart: sqrt(2) 1.5 / 120 rad
    found = landmark_spread(seen(), rim(), {"teardrop_left": 1.5, "teardrop_right": 1.5})
    assert found["inclination_deg"] == pytest.approx(np.rad2deg(np.sqrt(2) * 1.5 / 120), rel=1e-3)
    assert found["suggested_anteversion_deg"] == 0.0


def test_the_line_to_the_superolateral_rim_turns_by_its_ends_over_its_length():
    found = landmark_spread(seen(), rim(), {"superolateral_rim_left": 1.0})
    assert found["rim_line_angle_deg"] == pytest.approx(np.rad2deg(1.0 / np.hypot(50, 42)), rel=2e-2)


def test_landmarks_known_exactly_or_missing_leave_nothing_open():
    assert set(landmark_spread(seen(), rim(), {}).values()) == {0.0}
    few = {"teardrop_left": LANDMARKS["teardrop_left"]}
    found = landmark_spread(seen(few), rim(), {"teardrop_left": 2.0, "si_joint_inferior_left": 9.0})
    assert "axis_above_si_joint_mm" not in found
    assert found["medial_edge_to_teardrop_mm"] == pytest.approx(2.0, abs=1e-3)
