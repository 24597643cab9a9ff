"""The named views: what each shows, on either side and with the tube under or over the table."""

import numpy as np
import pytest
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER, Frame
from cotyle.space.rotations import rotation_matrix
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import Tube
from cotyle.xray.ellipse import apparent_inclination_deg, project_circle
from cotyle.xray.views import C_ARM, FILM, WIDE_C_ARM, ViewName, free_view, named_view
from hypothesis import given
from hypothesis import strategies as st

HIPS = {"hip_center_left": (88.0, 5.0, -2.0), "hip_center_right": (-92.0, 3.0, 1.0)}
TURNED = Frame("turned", np.array([5.0, -7.0, 11.0]), *rotation_matrix((1, 2, 3), 20.0))


def opening_axis(inclination, anteversion, side):
    return axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, side)


@pytest.mark.parametrize("name", ViewName)
@pytest.mark.parametrize("side", Side)
def test_every_view_is_centered_on_its_landmarks(name, side):
    view = named_view(name, TURNED, HIPS, side)
    hips = [np.array(HIPS[f"hip_center_{s}"]) for s in Side]
    whole = name in ("ap_pelvis", "inlet", "outlet")
    center = np.mean(hips, axis=0) if whole else np.array(HIPS[f"hip_center_{side}"])
    np.testing.assert_allclose(view.carm.project(center), view.carm.center_px, atol=1e-6)
    assert view.carm.depth_mm(center) == pytest.approx((WIDE_C_ARM if whole else C_ARM).source_isocenter_mm)


@pytest.mark.parametrize("machine", [C_ARM, FILM], ids=["c-arm", "film"])
def test_the_tube_is_behind_the_patient_on_a_c_arm_and_in_front_on_a_film(machine):
    source = named_view("ap_pelvis", SCANNER, HIPS, machine=machine).carm.source_lps_mm
    assert (source[1] > 500) == (machine is C_ARM)
    assert (source[1] < -500) == (machine is FILM)


@pytest.mark.parametrize("machine", [C_ARM, FILM], ids=["c-arm", "film"])
@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize("name", [name for name in ViewName if name != "cross_table_lateral"])
def test_every_view_from_the_front_has_the_patients_left_on_the_right_and_his_head_up(name, side, machine):
    view = named_view(name, SCANNER, HIPS, side, machine)
    left, right = (view.carm.project(HIPS[f"hip_center_{s}"]) for s in Side)
    assert left[0] > right[0]
    low, high = view.carm.project(view.center_lps_mm + np.array([[0, 0, -10.0], [0, 0, 10.0]]))
    assert low[1] > high[1]


def test_a_mirrored_patient_has_mirrored_views():
    mirrored = {
        "hip_center_left": np.array(HIPS["hip_center_right"]) * (-1, 1, 1),
        "hip_center_right": np.array(HIPS["hip_center_left"]) * (-1, 1, 1),
    }
    point = np.array([70.0, -20.0, 15.0])
    for name in ViewName:
        right = named_view(name, SCANNER, HIPS, Side.RIGHT).carm
        left = named_view(name, SCANNER, mirrored, Side.LEFT).carm
        there = left.project(point * (-1, 1, 1)) - left.center_px
        np.testing.assert_allclose(there * (-1, 1), right.project(point) - right.center_px, atol=1e-6, err_msg=name)


def test_the_inlet_is_looked_at_from_the_head_and_the_outlet_from_the_feet():
    # Ricci 2010: 25 deg caudal and 60 deg cephalad beam of a tube in front; the line of sight is the same on a C-arm
    for machine, sign in ((FILM, -1), (C_ARM, 1)):
        for name, secondary in (("inlet", 25.0), ("outlet", -60.0)):
            carm = named_view(name, SCANNER, HIPS, machine=machine).carm
            found = np.rad2deg(np.arcsin(carm.normal_lps[2]))
            assert found == pytest.approx(sign * secondary, abs=1e-9)
    # an inlet brings the front of the pelvic ring below its back, an outlet above
    front, back = np.array([[0, -50.0, 0], [0, 50.0, 0]])
    for name, front_is_lower in (("inlet", True), ("outlet", False)):
        carm = named_view(name, SCANNER, HIPS).carm
        assert (carm.project(front)[1] > carm.project(back)[1]) == front_is_lower


@pytest.mark.parametrize("side", Side)
def test_the_obturator_oblique_is_looked_at_from_the_hips_own_side(side):
    # Judet 1964: the hip's side is turned up by 45 deg, so the picture is taken from its front and outside
    obturator = named_view("obturator_oblique", SCANNER, HIPS, side).carm.normal_lps
    iliac = named_view("iliac_oblique", SCANNER, HIPS, side).carm.normal_lps
    outward = np.array([side.lateral_sign, 0, 0])
    assert obturator @ outward == pytest.approx(np.sqrt(0.5))
    assert iliac @ outward == pytest.approx(-np.sqrt(0.5))
    assert obturator[1] == iliac[1] == pytest.approx(-np.sqrt(0.5))


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize(
    ("inclination", "anteversion", "angle", "shown"),
    [(45, 15, 0, 20.754), (45, 15, 30, 15.504), (45, 15, 45, 15.0), (40, 20, 0, 25.414), (40, 20, 45, 20.070)],
)
def test_the_cross_table_lateral_shows_the_anteversion_of_woo_and_morrey(inclination, anteversion, angle, shown, side):
    # beam in the coronal plane at psi to the transverse axis: atan(tan RA / cos(RI - psi)), parallel beam
    view = named_view("cross_table_lateral", SCANNER, HIPS, side, angle_deg=angle)
    axis = opening_axis(inclination, anteversion, side)
    across_beam = axis - (axis @ view.carm.normal_lps) * view.carm.normal_lps
    assert np.rad2deg(np.arcsin(-across_beam[1] / np.linalg.norm(across_beam))) == pytest.approx(shown, abs=1e-3)
    assert view.carm.tube is Tube.CROSS_TABLE
    # detector on the outside of the hip, between trunk and thigh
    assert view.carm.normal_lps[0] * side.lateral_sign > 0
    assert view.carm.normal_lps[2] >= -1e-12


@given(
    inclination=st.floats(35, 50),
    anteversion=st.floats(5, 25),
    lateral=st.floats(60, 100),
    side=st.sampled_from(list(Side)),
)
def test_the_cup_looks_up_to_five_degrees_more_inclined_on_the_hip_than_on_the_pelvis(
    inclination, anteversion, lateral, side
):
    # common practice, no source: tube under the table, hand still, hip 60 to 100 mm lateral
    hips = {f"hip_center_{s}": (s.lateral_sign * lateral, 0.0, 0.0) for s in Side}
    rim = Circle(hips[f"hip_center_{side}"], opening_axis(inclination, anteversion, side), 26.0)
    pelvis, hip = (
        apparent_inclination_deg(project_circle(named_view(name, SCANNER, hips, side).carm, rim), side)
        for name in ("ap_pelvis", "ap_hip")
    )
    assert 0 < hip - pelvis < 5
    # over the table the picture does the opposite
    pelvis, hip = (
        apparent_inclination_deg(project_circle(named_view(name, SCANNER, hips, side, FILM).carm, rim), side)
        for name in ("ap_pelvis", "ap_hip")
    )
    assert hip < pelvis


def test_the_description_says_where_the_tube_is_and_from_where_one_looks():
    text = named_view("iliac_oblique", SCANNER, HIPS, Side.LEFT).description
    assert "source behind the patient" in text
    assert "45 deg right" in text
    assert "scanner frame" in text
    assert "source in front of the patient" in named_view("ap_pelvis", SCANNER, HIPS, machine=FILM).description


def test_a_free_view_on_a_film_keeps_the_line_of_sight_of_the_c_arm():
    c_arm, film = (free_view("any", TURNED, (3, 4, 5), -20, 12, machine).carm for machine in (C_ARM, FILM))
    np.testing.assert_allclose(c_arm.normal_lps, -film.normal_lps, atol=1e-12)
    np.testing.assert_allclose(c_arm.column_direction_lps, film.column_direction_lps, atol=1e-12)
    np.testing.assert_allclose(c_arm.row_direction_lps, film.row_direction_lps, atol=1e-12)


def test_a_view_that_cannot_be_made_is_refused():
    for arguments, code in (
        (("skyline", SCANNER, HIPS, Side.LEFT), "view-name"),
        (("ap_hip", SCANNER, HIPS), "view-side"),
        (("ap_pelvis", SCANNER, {"hip_center_left": (0, 0, 0)}), "view-landmark"),
        (("ap_hip", SCANNER, {"hip_center_left": (0, 0, 0)}, Side.RIGHT), "view-landmark"),
        (("ap_hip", SCANNER, {"hip_center_left": (0, np.nan, 0)}, Side.LEFT), "not-finite"),
    ):
        with pytest.raises(InputError) as caught:
            named_view(*arguments)
        assert caught.value.code == code


@pytest.mark.parametrize(
    ("name", "angle"), [("ap_pelvis", 30.0), ("ap_hip", 0.0), ("inlet", -25.0), ("outlet", 91.0), ("inlet", np.nan)]
)
def test_an_angle_that_the_view_does_not_have_is_refused(name, angle):
    with pytest.raises(InputError) as caught:
        named_view(name, SCANNER, HIPS, Side.LEFT, angle_deg=angle)
    assert caught.value.code == "view-angle"
