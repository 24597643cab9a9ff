"""A view at the controls of a C-arm: what each control does to the picture, by projecting points."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.case.asked_view import ViewRequest, asked_view, show
from cotyle.case.live import live_numbers, orientation_in_posture
from cotyle.case.simulated import simulate, view_of
from cotyle.case.stages import hip_of
from cotyle.case.store import read_case
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.xray.carm import Tube
from cotyle.xray.projector.line_integrals import prepare
from cotyle.xray.projector.packed_volume import Precision

ASKED = ViewRequest("ap_hip", size_px=128)


@pytest.fixture(scope="module")
def numbers(planned_case):
    stored = read_case(planned_case.folder)
    return live_numbers(hip_of(stored.anatomy, stored.scan, stored.plan.side), stored.plan)


def landmarks_px(numbers, asked):
    """Pixels of the landmarks about the picture's middle, (n, 2)."""
    carm = asked_view(numbers, asked).carm
    points = np.array([each.lps_mm for each in numbers.landmarks.values()])
    return carm.project(points) - carm.center_px


def test_without_a_change_it_is_the_named_view(numbers):
    own = view_of(numbers, "inlet")
    carm = asked_view(numbers, ViewRequest("inlet", size_px=own.carm.size[0])).carm
    np.testing.assert_allclose(carm.projection_matrix, own.carm.projection_matrix, rtol=1e-12)


def test_a_smaller_picture_shows_the_same(numbers):
    large, small = (landmarks_px(numbers, replace(ASKED, size_px=size)) for size in (384, 128))
    np.testing.assert_allclose(large / 3.0, small, atol=1e-9)


@pytest.mark.parametrize("roll_deg", [30.0, -90.0])
@pytest.mark.parametrize("name", ["ap_hip", "outlet", "cross_table_lateral"])
def test_a_roll_turns_the_picture_clockwise(numbers, name, roll_deg):
    # on a screen columns grow to the right and rows downwards: clockwise takes right to down
    turn = np.radians(roll_deg)
    level = landmarks_px(numbers, replace(ASKED, name=name))
    turned = landmarks_px(numbers, replace(ASKED, name=name, roll_deg=roll_deg))
    clockwise = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    np.testing.assert_allclose(turned, level @ clockwise, atol=1e-6)


def test_a_shift_to_the_patients_left_moves_what_is_shown_to_the_right_side(numbers):
    shifted = landmarks_px(numbers, replace(ASKED, shift_mm=(20.0, 0.0, 0.0))) - landmarks_px(numbers, ASKED)
    assert (shifted[:, 0] < 0).all()  # the machine went to the patient's left, which is on the right of the picture
    assert np.abs(shifted[:, 1]).max() < 1e-6


@pytest.mark.parametrize(("primary_deg", "secondary_deg"), [(0.0, 0.0), (25.0, -10.0), (-40.0, 30.0)])
@pytest.mark.parametrize("frame", ["scanner", "app", "supine", "standing"])
def test_the_angles_are_dicoms_positioner_angles_in_the_frame(numbers, frame, primary_deg, secondary_deg):
    asked = replace(ASKED, frame=frame, primary_deg=primary_deg, secondary_deg=secondary_deg)
    view = asked_view(numbers, asked)
    frames = dict(numbers.pelvis.frames)
    if frame in frames:
        assert view.carm.positioner_angles_deg(frames[frame]) == pytest.approx((primary_deg, secondary_deg), abs=1e-9)
    assert view.frame_name == frame


def test_a_tube_over_the_table_enlarges_what_lies_in_front(numbers):
    under, over = (asked_view(numbers, replace(ASKED, tube=tube)).carm for tube in (Tube.UNDER_TABLE, Tube.OVER_TABLE))
    front = numbers.landmarks[f"asis_{numbers.plan.side}"].lps_mm
    back = numbers.landmarks[f"ischial_tuberosity_{numbers.plan.side}"].lps_mm
    assert over.magnification(front) > under.magnification(front)
    assert over.magnification(back) < under.magnification(back)


def test_a_source_farther_off_enlarges_less(numbers):
    center = numbers.cup.center_lps_mm
    for source_isocenter_mm in (600.0, 800.0):
        asked = replace(ASKED, source_detector_mm=1000.0, source_isocenter_mm=source_isocenter_mm)
        carm = asked_view(numbers, asked).carm
        # similar triangles: the point the beam turns about is enlarged by the two distances' ratio
        about = numbers.landmarks[f"hip_center_{numbers.plan.side}"].lps_mm
        assert carm.magnification(about) == pytest.approx(1000.0 / source_isocenter_mm, abs=1e-9)
        assert carm.magnification(center) == pytest.approx(1000.0 / source_isocenter_mm, rel=0.05)


def test_eight_bits_show_the_picture_that_sixteen_do(numbers):
    scan = numbers.hip.scan
    shown = [show(numbers, prepare(scan, precision=each), ASKED).pixels.astype(int) for each in Precision]
    assert np.abs(shown[0] - shown[1]).max() <= 1


def test_the_picture_has_the_outline_and_cues_of_the_cup(numbers):
    scan = numbers.hip.scan
    shown = show(numbers, prepare(scan), replace(ASKED, name="ap_pelvis"))
    named = simulate(numbers, scan, view_of(numbers, "ap_pelvis"))
    assert shown.pixels.shape == (128, 128)
    assert shown.cues == pytest.approx(named.cues, abs=1e-9)


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"name": "skyline"}, "view-name"),
        ({"frame": "prone"}, "frame-unknown"),
        ({"size_px": 5000}, "view-size"),
        ({"secondary_deg": 120.0}, "carm-angle"),
    ],
)
def test_what_no_machine_does_is_refused(numbers, wrong, code):
    with pytest.raises(InputError) as caught:
        asked_view(numbers, replace(ASKED, **wrong))
    assert caught.value.code == code


@pytest.mark.parametrize("change_deg", [-25.0, 12.0])
def test_a_posture_is_seen_as_the_pelvis_tilted_before_a_machine_that_stands_still(numbers, change_deg):
    # a pelvis that tilts by so much looks like one that lies still before a beam that leans by as much the same way
    posture = landmarks_px(numbers, replace(ASKED, frame="posture", tilt_change_deg=change_deg))
    leaning = landmarks_px(numbers, replace(ASKED, secondary_deg=change_deg))
    np.testing.assert_allclose(posture, leaning, atol=1e-6)
    level = landmarks_px(numbers, replace(ASKED, frame="posture"))
    np.testing.assert_allclose(level, landmarks_px(numbers, ASKED), atol=1e-9)


@pytest.mark.parametrize("change_deg", [-30.0, -8.0, 10.0])
def test_tilting_forward_takes_operative_anteversion_degree_by_degree(numbers, change_deg):
    # Murray DW, J Bone Joint Surg Br 1993;75-B:228-32: the tilt turns about the axis of operative anteversion
    lying, tilted = (orientation_in_posture(numbers, change, Definition.OPERATIVE) for change in (0.0, change_deg))
    assert tilted.inclination_deg == pytest.approx(lying.inclination_deg)
    assert tilted.anteversion_deg == pytest.approx(lying.anteversion_deg - change_deg)
