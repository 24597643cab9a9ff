from __future__ import annotations

from dataclasses import replace

import pytest
from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.center import center_shift
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.cup.proposal import Limit, Proposal, Targets, propose, proposed_diameter_mm
from cotyle.cup.wall import Wall, measure_wall
from cotyle.errors import InputError
from cotyle.space.side import Side
from cup_solids import ModelHip, model_hip

SUBJECTS = [(0.0,), (1.5, -1.0, 0.5, 1.0), (-1.5, 1.0, 1.0, -1.0)]
APP = Targets(frame="app")


def proposal_for(hip: ModelHip, targets: Targets = APP) -> tuple[Proposal, Wall]:
    surface = inner_surface(hip.bone, hip.center, hip.medial)
    plan = propose(hip.side, hip.center, hip.diameter, hip.floor, hip.bone, surface, {"app": hip.frame}, targets)
    reamer = plan.cup.outer_diameter_mm - targets.last_reamer_under_mm
    step = step_along(reamer, plan.cup.center_lps_mm, -plan.cup.opening_axis_lps)
    return plan, measure_wall(hip.bone, surface, Cavity((step,)))


@pytest.mark.parametrize(("native", "cup"), [(50.0, 52), (49.0, 50), (49.01, 52), (48.4, 50), (51.0, 52), (31, 36)])
def test_size_is_the_smallest_even_one_a_millimetre_above_the_socket(native, cup):
    assert proposed_diameter_mm(native) == cup


@pytest.mark.parametrize("native", [5.0, 500.0, float("nan")])
def test_a_socket_that_is_none_is_refused(native):
    with pytest.raises(InputError, match="socket-size"):
        proposed_diameter_mm(native)


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("weights", SUBJECTS)
def test_the_starting_plan_keeps_every_limit(side, weights):
    hip = model_hip(side, weights)
    plan, wall = proposal_for(hip)
    cup = plan.cup
    angles = orientation_of_axis(cup.opening_axis_lps, hip.frame, side, Definition.RADIOGRAPHIC)
    # usual target: 40 deg of inclination, 15 to 20 of anteversion (common practice, no source)
    assert angles.inclination_deg == pytest.approx(40)
    assert angles.anteversion_deg == pytest.approx(17.5)
    shift = center_shift(hip.center, cup.center_lps_mm, hip.frame, side)
    assert (shift.superior, shift.anterior) == pytest.approx((0, 0), abs=1e-9)
    assert shift.medial == pytest.approx(plan.medial_mm)
    assert not wall.breached
    assert wall.advance_mm >= 5 - 1e-6
    assert wall.minimum_mm >= 2 - 1e-6
    reach = (cup.center_lps_mm - hip.center) @ hip.medial + (cup.outer_diameter_mm - 1) / 2
    assert reach <= (hip.floor - hip.center) @ hip.medial + 1e-6
    # medialisation in 131 CTs: anatomic reaming 5.9 +- 3.4, to the floor 6.8 +- 2.9 mm (abstract)
    assert 0 <= plan.medial_mm < 6.8 + 2 * 2.9


def test_each_limit_can_be_the_one_that_stops_the_cup():
    hip = model_hip()
    plan, _ = proposal_for(hip)
    assert plan.limited_by is Limit.FOSSA_FLOOR
    plan, wall = proposal_for(hip, replace(APP, least_wall_mm=7.0))
    assert plan.limited_by is Limit.LEAST_WALL
    assert wall.minimum_mm == pytest.approx(7.0, abs=0.02)
    plan, wall = proposal_for(hip, replace(APP, wall_along_axis_mm=14.0, least_wall_mm=0.0))
    assert plan.limited_by is Limit.WALL_ALONG_AXIS
    assert wall.advance_mm == pytest.approx(14.0, abs=0.05)
    plan, _ = proposal_for(hip, replace(APP, least_wall_mm=30.0))
    assert plan.limited_by is Limit.NO_ROOM
    assert plan.medial_mm == 0
    assert plan.notes


def test_a_wall_that_is_too_thin_already_moves_the_centre_out_and_says_so():
    plan, wall = proposal_for(model_hip(), replace(APP, least_wall_mm=9.0))
    assert plan.medial_mm < 0
    assert wall.minimum_mm == pytest.approx(9.0, abs=0.02)
    assert "laterally" in plan.notes[0]


def test_the_users_numbers_win():
    hip = model_hip(Side.RIGHT)
    wanted = Targets(58.0, 45.0, 20.0, Definition.OPERATIVE, "app", medial_mm=3.0, superior_mm=1.0, anterior_mm=-2.0)
    plan, _ = proposal_for(hip, wanted)
    shift = center_shift(hip.center, plan.cup.center_lps_mm, hip.frame, hip.side)
    assert (shift.medial, shift.superior, shift.anterior) == pytest.approx((3, 1, -2))
    angles = orientation_of_axis(plan.cup.opening_axis_lps, hip.frame, hip.side, Definition.OPERATIVE)
    assert (angles.inclination_deg, angles.anteversion_deg) == pytest.approx((45, 20))
    assert plan.cup.outer_diameter_mm == 58
    assert plan.limited_by is Limit.GIVEN
    there = tuple(float(value) for value in hip.center + [1.0, 2, 3])
    plan, _ = proposal_for(hip, Targets(frame="app", center_lps_mm=there))
    assert plan.cup.center_lps_mm == pytest.approx(there)


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"outer_diameter_mm": 5.0}, "cup-size"),
        ({"outer_diameter_mm": 500.0}, "cup-size"),
        ({"inclination_deg": float("nan")}, "not-finite"),
        ({"anteversion_deg": 95.0}, "orientation-range"),
        ({"medial_mm": 100.0}, "targets-range"),
        ({"superior_mm": float("nan")}, "targets-range"),
        ({"least_wall_mm": -1.0}, "targets-range"),
        ({"first_reamer_under_mm": 1.0}, "targets-range"),
        ({"frame": "seated"}, "frame-unknown"),
        ({"center_lps_mm": (0.0, float("inf"), 0.0)}, "not-finite"),
    ],
)
def test_numbers_that_no_plan_can_have_are_refused(wrong, code):
    with pytest.raises(InputError, match=code):
        proposal_for(model_hip(), replace(APP, **wrong))
