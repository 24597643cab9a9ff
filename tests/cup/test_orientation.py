"""Definitions and conversions after Murray DW, J Bone Joint Surg Br 1993;75-B:228-32, and what follows from them."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.orientation import (
    Definition,
    Orientation,
    angle_between_orientations_deg,
    axis_from_orientation,
    checked_opening_axis,
    convert,
    direction_from_hip_components,
    mean_axis,
    orientation_of_axis,
    orientation_table,
    tilt_slopes,
    tilted,
)
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER, Frame, rotated_about_left
from cotyle.space.rotations import rotate
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

RAD, OP, AN = Definition.RADIOGRAPHIC, Definition.OPERATIVE, Definition.ANATOMIC

# RI/RA, OI/OA, AI/AA: computed from the definitions of Murray 1993 with vectors, apart from this code
WORKED = [
    (40, 15, 38.3808, 19.2790, 42.2735, 22.6291),
    (45, 15, 43.0795, 20.7536, 46.9205, 20.7536),
    (45, 20, 41.6411, 27.2363, 48.3589, 27.2363),
    (40, 20, 37.1586, 25.4138, 43.9582, 29.5202),
    (30, 10, 29.4987, 11.5084, 31.4749, 19.4254),
    (50, 25, 43.9692, 35.9589, 54.3690, 31.3298),
    (35, 5, 34.8475, 6.0963, 35.3102, 8.6726),
    (60, 30, 48.5904, 49.1066, 64.3411, 33.6901),
    (40, -10, 39.2735, -12.9625, 41.0265, -15.3398),
    (41.7633, 15.1889, 40, 20, 43.9582, 22.1760),
    (46.7808, 13.9954, 45, 20, 48.3589, 18.8817),
    (38.2556, 12.7000, 37.1586, 16.0129, 40, 20),
    (51.6090, 14.2878, 49.4243, 22.2975, 53, 18),
]

inclinations = st.floats(1.0, 89.0)
anteversions = st.floats(-60.0, 60.0)
sides = st.sampled_from(list(Side))


def pair(orientation: Orientation) -> tuple[float, float]:
    return orientation.inclination_deg, orientation.anteversion_deg


@pytest.mark.parametrize("row", WORKED)
def test_worked_pairs_of_murrays_definitions_convert_in_every_direction(row):
    values = {RAD: row[0:2], OP: row[2:4], AN: row[4:6]}
    for source, given_pair in values.items():
        for target, expected in values.items():
            found = convert(Orientation(*given_pair), source, target)
            assert pair(found) == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("side", list(Side))
def test_the_axis_has_the_components_of_the_definition(side):
    # Murray 1993: n = (sin RI cos RA, sin RA, -cos RI cos RA), lateral, anterior, superior
    axis = axis_from_orientation(Orientation(40, 15), RAD, SCANNER, side)
    ri, ra = np.radians([40, 15])
    lateral = np.sin(ri) * np.cos(ra) * (1 if side is Side.LEFT else -1)
    assert axis == pytest.approx([lateral, -np.sin(ra), -np.cos(ri) * np.cos(ra)], abs=1e-12)


@given(inclinations, anteversions, sides, st.floats(-180, 180), st.floats(-60, 60))
def test_axis_and_angles_are_inverse_in_any_frame_and_side(inclination, anteversion, side, turn, lean):
    axes = rotate(rotate(np.eye(3), [0, 0, 1], turn), [1, 2, 0], lean)
    frame = Frame("turned", np.array([5.0, 6.0, 7.0]), *axes)
    for definition in Definition:
        angles = convert(Orientation(inclination, anteversion), RAD, definition)
        axis = axis_from_orientation(angles, definition, frame, side)
        assert pair(orientation_of_axis(axis, frame, side, definition)) == pytest.approx(pair(angles), abs=1e-9)
        assert pair(orientation_of_axis(axis, frame, side, RAD)) == pytest.approx((inclination, anteversion), abs=1e-6)


@given(inclinations, st.floats(0.5, 60.0))
def test_operative_inclination_is_least_and_anatomic_greatest(inclination, anteversion):
    # follows from the definitions; a published table that breaks it is wrong
    given_pair = Orientation(inclination, anteversion)
    operative, anatomic = convert(given_pair, RAD, OP), convert(given_pair, RAD, AN)
    assert operative.inclination_deg < inclination < anatomic.inclination_deg
    assert operative.anteversion_deg > anteversion
    assert anatomic.anteversion_deg > anteversion


@given(inclinations)
def test_without_anteversion_all_definitions_agree(inclination):
    for definition in (OP, AN):
        found = convert(Orientation(inclination, 0.0), RAD, definition)
        assert pair(found) == pytest.approx((inclination, 0.0), abs=1e-12)


def test_at_45_degrees_operative_and_anatomic_version_coincide():
    operative, anatomic = convert(Orientation(45, 17), RAD, OP), convert(Orientation(45, 17), RAD, AN)
    assert operative.anteversion_deg == pytest.approx(anatomic.anteversion_deg, abs=1e-9)
    assert operative.inclination_deg + anatomic.inclination_deg == pytest.approx(90, abs=1e-9)


@pytest.mark.parametrize(
    ("first", "second", "degrees"),
    [((40, 15), (45, 20), 6.9079), ((40, 15), (30, 5), 14.0253), ((40, 15), (50, 25), 13.7099)],
)
def test_angle_in_space_between_two_orientations(first, second, degrees):
    found = angle_between_orientations_deg(Orientation(*first), Orientation(*second), RAD)
    assert found == pytest.approx(degrees, abs=1e-3)


# posterior tilt t of the pelvis, radiographic result; computed with vectors from Murray 1993
TILTED = [
    ((40, 15), -20, 38.383, -0.565),
    ((40, 15), -10, 38.749, 7.261),
    ((40, 15), -5, 39.259, 11.148),
    ((40, 15), 5, 40.987, 18.804),
    ((40, 15), 10, 42.241, 22.543),
    ((40, 15), 20, 45.657, 29.755),
    ((40, 15), 30, 50.523, 36.450),
    ((45, 20), -20, 41.869, 5.401),
    ((45, 20), 20, 52.633, 33.275),
    ((45, 15), 10, 47.417, 21.931),
    ((40, 0), 10, 40.432, 7.644),
    ((40, 0), -10, 40.432, -7.644),
]


@pytest.mark.parametrize(("start", "posterior_tilt", "inclination", "anteversion"), TILTED)
def test_tilt_moves_radiographic_angles_as_worked(start, posterior_tilt, inclination, anteversion):
    found = tilted(Orientation(*start), RAD, -posterior_tilt)
    assert pair(found) == pytest.approx((inclination, anteversion), abs=1e-3)


@pytest.mark.parametrize("side", list(Side))
def test_a_frame_of_another_posture_gives_the_same_as_the_tilt_formula(side):
    axis = axis_from_orientation(Orientation(40, 15), RAD, SCANNER, side)
    standing = rotated_about_left(SCANNER, "standing", -10.0)
    found = orientation_of_axis(axis, standing, side, RAD)
    # 10 deg of posterior tilt from 40/15 (worked value above)
    assert pair(found) == pytest.approx((42.241, 22.543), abs=1e-3)


@given(inclinations, anteversions, st.floats(-25, 25), sides)
def test_each_turn_of_the_pelvis_moves_one_angle_one_for_one(inclination, anteversion, degrees, side):
    # tilt: operative anteversion; axial rotation: anatomic anteversion; obliquity: radiographic inclination
    axis = axis_from_orientation(Orientation(inclination, anteversion), RAD, SCANNER, side)
    sign = side.lateral_sign
    turns = {
        OP: ([1.0, 0.0, 0.0], -degrees, (0.0, degrees)),  # top of the pelvis backwards
        AN: ([0.0, 0.0, 1.0], -degrees * sign, (0.0, degrees)),  # operated side swings forward
        RAD: ([0.0, 1.0, 0.0], -degrees * sign, (degrees, 0.0)),
    }
    for definition, (about, angle, change) in turns.items():
        before = orientation_of_axis(axis, SCANNER, side, definition)
        try:
            after = orientation_of_axis(rotate(axis, about, angle), SCANNER, side, definition)
        except InputError:  # turned so far that the axis looks inwards
            continue
        moved = np.array(pair(after)) - np.array(pair(before))
        assert (moved + 180) % 360 - 180 == pytest.approx(change, abs=1e-6)


@pytest.mark.parametrize(("start", "slopes"), [((40, 15), (0.172, 0.766)), ((45, 20), (0.257, 0.707))])
def test_slopes_of_posterior_tilt(start, slopes):
    # dRI/dt = sin RI tan RA, dRA/dt = cos RI
    inclination, anteversion = tilt_slopes(Orientation(*start))
    assert (-inclination, -anteversion) == pytest.approx(slopes, abs=1e-3)


@given(inclinations, anteversions)
def test_slopes_are_those_of_the_exact_rule(inclination, anteversion):
    start = Orientation(inclination, anteversion)
    ahead, back = tilted(start, RAD, 0.01), tilted(start, RAD, -0.01)
    numeric = (np.array(pair(ahead)) - np.array(pair(back))) / 0.02
    assert tilt_slopes(start) == pytest.approx(tuple(numeric), abs=1e-5)


def test_an_inclination_above_90_is_not_folded():
    axis = direction_from_hip_components([np.sin(np.radians(110)), 0, -np.cos(np.radians(110))], SCANNER, Side.LEFT)
    assert pair(orientation_of_axis(axis, SCANNER, Side.LEFT, RAD)) == pytest.approx((110, 0), abs=1e-9)


@pytest.mark.parametrize(
    ("components", "definition"), [((0, 1, 0), RAD), ((0, -1, 0), RAD), ((1, 0, 0), OP), ((0, 0, -1), AN)]
)
def test_undefined_angles_are_refused(components, definition):
    axis = direction_from_hip_components(components, SCANNER, Side.RIGHT)
    with pytest.raises(InputError, match="orientation-undefined"):
        orientation_of_axis(axis, SCANNER, Side.RIGHT, definition)


@pytest.mark.parametrize("side", list(Side))
def test_an_axis_into_the_body_is_refused_and_never_turned_about(side):
    axis = axis_from_orientation(Orientation(40, 15), RAD, SCANNER, side)
    with pytest.raises(InputError, match="axis-inwards"):
        orientation_of_axis(-axis, SCANNER, side, RAD)


def test_bad_numbers_are_refused():
    with pytest.raises(InputError, match="zero-direction"):
        checked_opening_axis([0, 0, 0], SCANNER, Side.LEFT)
    with pytest.raises(InputError, match="not-finite"):
        checked_opening_axis([np.nan, 0, 0], SCANNER, Side.LEFT)
    with pytest.raises(InputError, match="not-finite"):
        convert(Orientation(np.nan, 0), RAD, OP)
    with pytest.raises(InputError, match="orientation-range"):
        convert(Orientation(40, 95), RAD, OP)
    with pytest.raises(InputError, match="axis-inwards"):
        axis_from_orientation(Orientation(-100, 10), RAD, SCANNER, Side.LEFT)


def test_the_table_holds_every_frame_and_definition():
    axis = axis_from_orientation(Orientation(40, 20), RAD, SCANNER, Side.LEFT)
    table = orientation_table(axis, [SCANNER, rotated_about_left(SCANNER, "standing", 5.0)], Side.LEFT)
    assert set(table) == {"scanner", "standing"}
    assert pair(table["scanner"][AN]) == pytest.approx((43.9582, 29.5202), abs=1e-3)
    # 5 deg of anterior tilt takes 5 deg of operative anteversion (Murray 1993)
    assert pair(table["standing"][OP]) == pytest.approx((37.1586, 25.4138 - 5), abs=1e-3)


def test_the_mean_of_orientations_is_that_of_the_axes():
    axes = [axis_from_orientation(Orientation(ri, 15), RAD, SCANNER, Side.LEFT) for ri in (30, 50)]
    mean = orientation_of_axis(mean_axis(axes), SCANNER, Side.LEFT, RAD)
    assert mean.inclination_deg == pytest.approx(40, abs=1e-9)
    assert mean.anteversion_deg > 15  # the mean of angles would say 15
    with pytest.raises(InputError, match="zero-direction"):
        mean_axis([[1, 0, 0], [-1, 0, 0]])
