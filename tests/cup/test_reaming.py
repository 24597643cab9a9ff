from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.cup.center import center_shift, shifted
from cotyle.cup.component import Cup
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, orientation_of_axis
from cotyle.cup.reaming import Engagement, assess_reaming, default_steps, first_direction
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.rotations import angle_between_deg
from cotyle.space.side import Side
from cup_solids import model_hip, socket_block

ORIGIN = np.zeros(3)
RAD = Definition.RADIOGRAPHIC


def facing_out(shift_in: float, diameter: float = 50.0) -> Cup:
    """A cup in the block whose mouth looks along +x, moved in by some mm."""
    return Cup(Side.LEFT, np.array([-shift_in, 0, 0]), np.array([1.0, 0, 0]), diameter)


def test_the_default_is_three_then_one_millimetre_under_ending_at_the_cups_centre():
    # common practice, no source
    steps = default_steps(facing_out(4), ORIGIN, socket_block(24, 40))
    assert [step.diameter_mm for step in steps] == [47, 49]
    for step in steps:
        assert step.end_center_lps_mm == pytest.approx([-4, 0, 0])
        assert step.direction_lps == pytest.approx([-1, 0, 0])


def test_the_first_reamer_starts_where_it_first_touches():
    # 47 mm in a hollow of 48: it moves 0.5 mm freely before the pole touches
    first, last = default_steps(facing_out(4), ORIGIN, socket_block(24, 40))
    assert first.start_center_lps_mm == pytest.approx([-0.5, 0, 0], abs=0.05)
    # 49 mm first rests on the rim of the hollow of 48: sqrt(24.5^2 - 24^2) before the mouth plane
    assert last.start_center_lps_mm[0] == pytest.approx(np.sqrt(24.5**2 - 24**2), abs=0.35)


def test_removed_volume_and_wall_of_the_steps_are_closed_form():
    bone = socket_block(24, 40)
    steps = default_steps(facing_out(4), ORIGIN, bone)
    surface = inner_surface(bone, ORIGIN, [-1, 0, 0])
    first, last = assess_reaming(steps, bone, surface, SCANNER, Side.LEFT, ORIGIN)
    # first: ball of 23.5 moved in by 4 less the hollow of 24: found by integrating the two profiles
    across = (np.arange(200_000) + 0.5) / 200_000 * 23.5
    gained = np.sqrt(23.5**2 - across**2) + 4 - np.sqrt(24**2 - across**2)
    volume = np.sum(np.maximum(gained, 0) * 2 * np.pi * across) * 23.5 / 200_000
    assert first.removed_ml == pytest.approx(volume / 1000, rel=0.02)
    # both: bullet of 24.5 with its mouth at x = 0 less the hollow
    whole = np.pi * 24.5**2 * (2 / 3 * 24.5 + 4) - 2 / 3 * np.pi * 24**3
    assert first.removed_ml + last.removed_ml == pytest.approx(whole / 1000, rel=0.02)
    assert first.wall.along_axis_mm == pytest.approx(40 - 4 - 23.5, abs=1e-6)
    assert last.wall.along_axis_mm == pytest.approx(40 - 4 - 24.5, abs=1e-6)
    assert first.engages is Engagement.BOTH  # nearly as wide as the hollow: it cuts all round on its way in
    assert last.engages is Engagement.BOTH
    assert (first.from_native.medial, first.from_native.superior) == pytest.approx((4, 0))


def test_the_crescent_is_the_gap_between_reamer_and_earlier_floor():
    bone = socket_block(24, 40)
    surface = inner_surface(bone, ORIGIN, [-1, 0, 0])
    first = step_along(47, [-4, 0, 0], [-1, 0, 0], 3.5)
    for last_end, left in ((-4.0, 0.0), (-1.0, 2.0)):
        # earlier floor at x = -27.5; pole of the second at its end: last_end - 24.5
        last = step_along(49, [last_end, 0, 0], [-1, 0, 0], 3.0)
        found = assess_reaming((first, last), bone, surface, SCANNER, Side.LEFT, ORIGIN)[1]
        assert found.crescent_at_end_mm == pytest.approx(left, abs=1e-6)
        gap = 27.5 - 24.5 + last_end + found.bearing_travel_mm
        assert found.crescent_mm == pytest.approx(max(gap, 0), abs=1e-6)
        assert found.crescent_mm > 0


def test_a_reamer_that_only_cleans_the_rim_is_said_to_engage_the_rim():
    bone = socket_block(24, 40)
    surface = inner_surface(bone, ORIGIN, [-1, 0, 0])
    steps = (step_along(47, [-4, 0, 0], [-1, 0, 0], 4), step_along(49, [-1, 0, 0], [-1, 0, 0], 4))
    assert assess_reaming(steps, bone, surface, SCANNER, Side.LEFT, ORIGIN)[1].engages is Engagement.RIM
    small = step_along(40, [-6, 0, 0], [-1, 0, 0], 2)
    assert assess_reaming((small,), bone, surface, SCANNER, Side.LEFT, ORIGIN)[0].engages is Engagement.FLOOR
    nothing = step_along(44, [0, 0, 0], [-1, 0, 0])
    assert assess_reaming((nothing,), bone, surface, SCANNER, Side.LEFT, ORIGIN)[0].engages is Engagement.NONE


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(("inclination", "anteversion"), [(40, 15), (45, 20), (35, 0)])
def test_reaming_straight_in_raises_the_centre_and_the_advice_does_not(side, inclination, anteversion):
    # common practice, no source, and geometry: m / tan RI
    native = np.array([85.0 * side.lateral_sign, 5, 10])
    axis = axis_from_orientation(Orientation(inclination, anteversion), RAD, SCANNER, side)
    cup = Cup(side, shifted(native, SCANNER, side, medial=5), axis, 52)
    advice = first_direction(cup, native, SCANNER)
    assert advice.raises
    assert advice.straight_rise_mm == pytest.approx(5 / np.tan(np.radians(inclination)))
    # walk it: along the cup's axis until 5 mm medial
    walked = -axis * 5 / (-axis @ (-SCANNER.left * side.lateral_sign))
    assert center_shift(native, native + walked, SCANNER, side).superior == pytest.approx(advice.straight_rise_mm)
    assert advice.inclination_deg == pytest.approx(90)
    assert advice.inclination_deg > inclination
    assert native + 5 * advice.direction_lps == pytest.approx(cup.center_lps_mm)


def test_a_planned_rise_needs_less_abduction():
    native = np.array([85.0, 5, 10])
    axis = axis_from_orientation(Orientation(40, 15), RAD, SCANNER, Side.LEFT)
    cup = Cup(Side.LEFT, shifted(native, SCANNER, Side.LEFT, medial=5, superior=2), axis, 52)
    advice = first_direction(cup, native, SCANNER)
    assert advice.inclination_deg == pytest.approx(np.degrees(np.arctan2(5, 2)))
    assert advice.excess_rise_mm == pytest.approx(5 / np.tan(np.radians(40)) - 2)
    along = orientation_of_axis(-advice.direction_lps, SCANNER, Side.LEFT, RAD)
    assert along.inclination_deg == pytest.approx(advice.inclination_deg)


def test_no_advice_where_the_plan_does_not_medialise_or_follows_the_axis():
    native = np.array([85.0, 5, 10])
    axis = axis_from_orientation(Orientation(40, 15), RAD, SCANNER, Side.LEFT)
    assert not first_direction(Cup(Side.LEFT, native, axis, 52), native, SCANNER).raises
    assert not first_direction(Cup(Side.LEFT, native - 5 * axis, axis, 52), native, SCANNER).raises


def test_the_default_first_step_does_not_raise_the_centre():
    hip = model_hip()
    axis = axis_from_orientation(Orientation(40, 17.5), RAD, hip.frame, hip.side)
    cup = Cup(hip.side, hip.center + 5 * hip.medial, axis, 54)
    first, last = default_steps(cup, hip.center, hip.bone)
    surface = inner_surface(hip.bone, hip.center, hip.medial)
    results = assess_reaming((first, last), hip.bone, surface, hip.frame, hip.side, hip.center)
    assert results[0].path.superior == pytest.approx(0, abs=1e-6)
    assert results[0].path.medial > 3
    assert last.direction_lps == pytest.approx(-axis)
    # common practice, no source: the second reamer bears on the rim and goes in another 2 to 3 mm at most (1 mm let)
    assert results[1].bearing_travel_mm < 4
    assert results[1].engages in (Engagement.BOTH, Engagement.RIM)
    # the steps take bone, and ever less is left on the way to the cup
    assert results[0].removed_ml > 0.5
    assert results[1].removed_ml > 0.5
    assert results[1].wall.minimum_mm < results[0].wall.minimum_mm


def test_a_way_that_leans_too_far_from_the_cups_axis_is_not_reamed_first():
    cup = facing_out(0)
    first, _ = default_steps(cup, [0, 0, -6], socket_block(24, 40))  # straight across the mouth
    assert angle_between_deg(first.direction_lps, [-1, 0, 0]) == pytest.approx(0, abs=1e-6)


def test_reamers_that_do_not_grow_are_refused():
    with pytest.raises(InputError, match="reaming-sizes"):
        default_steps(facing_out(4), ORIGIN, socket_block(24, 40), first_under_mm=1, last_under_mm=3)
