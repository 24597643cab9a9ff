"""Wrong cups: placed as said, told by the cues that geometry says, and what a picture from the front cannot show."""

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, orientation_of_axis
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from cotyle.xray.ellipse import project_circle
from cotyle.xray.misplaced import READABLE, Mistake, misplaced, misplaced_rim, readings, telling_in, telltales
from cotyle.xray.reaming_cues import Sight, read_screen
from cotyle.xray.views import C_ARM, free_view
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
}


def flat(source_mm=1e6):
    """Nearly parallel rays through the front: what is worked by hand on paper must come out."""
    return from_positioner(
        (0, 0, 0), 0, 0, frame=SCANNER, source_detector_mm=source_mm + 1e-3, source_isocenter_mm=source_mm,
        pixel_pitch_mm=(0.5, 0.5), size=(600, 600),
    )  # fmt: skip


def rim(side=Side.LEFT, inclination=40.0, anteversion=15.0):
    axis = axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, side)
    return Circle(np.array([85.0 * side.lateral_sign, 0.0, 0.0]), axis, R)


def view(side=Side.LEFT, carm=None):
    return Sight(flat() if carm is None else carm, side, LANDMARKS, None)


def change(mistake, cue, side=Side.LEFT, floors=()):
    seen, planned = view(side), rim(side)
    wrong = misplaced_rim(mistake, planned, SCANNER, side, seen.carm)
    before, after = (readings(read_screen(seen, each, floors)) for each in (planned, wrong))
    return after[cue] - before[cue]


@pytest.mark.parametrize("side", Side)
@pytest.mark.parametrize(
    ("mistake", "inclination", "anteversion"),
    [
        (Mistake.MORE_INCLINED, 45.0, 15.0),
        (Mistake.LESS_INCLINED, 35.0, 15.0),
        (Mistake.MORE_ANTEVERTED, 40.0, 20.0),
        (Mistake.LESS_ANTEVERTED, 40.0, 10.0),
    ],
)
def test_turns_are_five_radiographic_degrees_and_leave_the_centre(side, mistake, inclination, anteversion):
    wrong = misplaced_rim(mistake, rim(side), SCANNER, side, flat())
    found = orientation_of_axis(wrong.normal_lps, SCANNER, side, Definition.RADIOGRAPHIC)
    assert (found.inclination_deg, found.anteversion_deg) == pytest.approx((inclination, anteversion), abs=1e-9)
    np.testing.assert_allclose(wrong.center_lps_mm, rim(side).center_lps_mm)


@pytest.mark.parametrize("side", Side)
def test_shifts_are_three_millimetres_the_way_they_are_called(side):
    # radiographic axis (lateral, anterior, superior) = (sin RI cos RA, sin RA, -cos RI cos RA), Murray 1993
    i, a = np.deg2rad([40.0, 15.0])
    out = np.array([side.lateral_sign * np.sin(i) * np.cos(a), -np.sin(a), -np.cos(i) * np.cos(a)])
    for mistake, way in (
        (Mistake.SHORT, 3 * out),
        (Mistake.DEEP, -3 * out),
        (Mistake.HIGH, np.array([0, 0, 3.0])),
        (Mistake.FORWARD, np.array([0, -3.0, 0])),
    ):
        wrong = misplaced_rim(mistake, rim(side), SCANNER, side, flat())
        np.testing.assert_allclose(wrong.center_lps_mm - rim(side).center_lps_mm, way, atol=1e-9)


@pytest.mark.parametrize("side", Side)
def test_cues_change_by_what_paper_says(side):
    assert change(Mistake.MORE_INCLINED, "inclination_deg", side) == pytest.approx(5.0, abs=0.01)
    assert change(Mistake.MORE_INCLINED, "rim_line_angle_deg", side) == pytest.approx(5.0, abs=0.01)
    assert change(Mistake.MORE_ANTEVERTED, "suggested_anteversion_deg", side) == pytest.approx(5.0, abs=0.01)
    # 45 mm medial of the centre the axis is 45 / tan RI up
    up = 45 / np.tan(np.deg2rad(45)) - 45 / np.tan(np.deg2rad(40))
    assert change(Mistake.MORE_INCLINED, "axis_above_si_joint_mm", side) == pytest.approx(up, abs=0.05)
    assert change(Mistake.HIGH, "lower_rim_above_teardrops_mm", side) == pytest.approx(3.0, abs=0.01)
    assert change(Mistake.HIGH, "axis_above_si_joint_mm", side) == pytest.approx(3.0, abs=0.01)
    # the dome's edge moves across the picture by 3 sin RI cos RA
    across = 3 * np.sin(np.deg2rad(40)) * np.cos(np.deg2rad(15))
    assert change(Mistake.SHORT, "medial_edge_to_teardrop_mm", side) == pytest.approx(across, abs=0.02)
    assert change(Mistake.DEEP, "medial_edge_to_teardrop_mm", side) == pytest.approx(-across, abs=0.02)


def test_a_cup_that_stands_short_shows_a_gap_behind_it_as_wide_as_the_screen_shows_the_axis():
    # reamer 51 under a cup of 52: along the axis 3 mm less the half millimetre of press-fit; in the picture from the
    # centre in the axis' direction to the ball of 25.5 mm about the planned centre: 3 cos 15 + sqrt(25.5^2 - h^2) - 26
    # with h = 3 sin 15, the part of the shift along the beam (Pythagoras)
    floor = step_along(51.0, rim().center_lps_mm, -rim().normal_lps)
    shift, depth = 3 * np.cos(np.deg2rad(15)), 3 * np.sin(np.deg2rad(15))
    expected = shift + np.sqrt(25.5**2 - depth**2) - 26.0
    assert change(Mistake.SHORT, "gap_behind_mm", floors=(floor,)) == pytest.approx(expected, abs=0.01)
    assert change(Mistake.DEEP, "gap_behind_mm", floors=(floor,)) == 0.0


@settings(max_examples=40, deadline=None)
@given(st.floats(25, 65), st.floats(3, 30), st.sampled_from(list(Side)))
def test_a_cup_facing_back_makes_the_same_ellipse_and_a_quite_other_one_from_the_side(inclination, anteversion, side):
    planned = rim(side, inclination, anteversion)
    wrong = misplaced_rim(Mistake.FACING_BACK, planned, SCANNER, side, flat())
    angles = orientation_of_axis(wrong.normal_lps, SCANNER, side, Definition.RADIOGRAPHIC)
    # a parallel beam through the front: anteversion changes its sign, inclination stays (Lewinnek 1978)
    assert (angles.inclination_deg, angles.anteversion_deg) == pytest.approx((inclination, -anteversion), abs=0.02)
    one, other = (project_circle(flat(), each) for each in (planned, wrong))
    assert one.axis_ratio == pytest.approx(other.axis_ratio, abs=1e-3)
    assert one.major_axis_angle_deg == pytest.approx(other.major_axis_angle_deg, abs=0.05)


def test_what_lies_along_the_beam_is_not_told_from_the_front_and_the_handiest_view_that_tells_it_is_named():
    front, tilted, side = (
        free_view(name, SCANNER, (85, 0, 0), *angles, C_ARM, Side.LEFT)
        for name, angles in (("front", (0, 0)), ("tilted", (0, 20)), ("side", (90, 45)))
    )
    found = {
        mistake: misplaced(mistake, rim(), view(carm=front.carm), SCANNER, (), (tilted, side))
        for mistake in (Mistake.FACING_BACK, Mistake.FORWARD)
    }
    assert not any(each.told for each in found.values())
    # facing back, the ellipse closes where the planned one opens once the beam comes from 20 degrees higher up; both
    # views tell it, the first is named. 3 mm forwards show as 3 sin 20 there, as 3 mm from the side; read to 1.5 mm
    assert telling_in(side.carm, rim(), found[Mistake.FACING_BACK].rim) > 2
    assert found[Mistake.FACING_BACK].other_view == "tilted"
    assert found[Mistake.FORWARD].other_view == "side"
    assert found[Mistake.FORWARD].other_view_telling == pytest.approx(2.0, abs=0.02)
    assert telling_in(tilted.carm, rim(), found[Mistake.FORWARD].rim) == pytest.approx(
        3 * np.sin(np.deg2rad(20)) / 1.5, abs=0.02
    )


def test_a_turn_beyond_any_cup_is_refused():
    with pytest.raises(InputError, match="orientation-range"):
        misplaced_rim(Mistake.MORE_ANTEVERTED, rim(anteversion=88.0), SCANNER, Side.LEFT, flat())


def test_the_best_cue_is_the_one_that_changes_most_by_its_reading_error():
    seen = view()
    planned = read_screen(seen, rim())
    wrong = read_screen(seen, misplaced_rim(Mistake.MORE_INCLINED, rim(), SCANNER, Side.LEFT, seen.carm))
    found = telltales(planned, wrong)
    by_hand = {name: abs(readings(wrong)[name] - readings(planned)[name]) / READABLE[name].error
               for name in READABLE if readings(planned)[name] is not None}  # fmt: skip
    assert found[0].telling == pytest.approx(max(by_hand.values()))
    assert [each.telling for each in found] == sorted((each.telling for each in found), reverse=True)
    assert {each.cue for each in found} == set(by_hand)


def test_a_cue_without_its_landmark_takes_no_part():
    seen = Sight(flat(), Side.LEFT, {"teardrop_left": LANDMARKS["teardrop_left"]}, None)
    planned = read_screen(seen, rim())
    found = telltales(planned, planned)
    assert "axis_above_si_joint_mm" not in {each.cue for each in found}
    assert "inclination_deg" in {each.cue for each in found}
    assert all(each.telling == 0 for each in found)
