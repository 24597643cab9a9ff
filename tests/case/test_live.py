"""The numbers that are always in view are those of the whole measurement, to the last digit."""

import dataclasses

import numpy as np
import pytest
from cotyle.case import plan_changes as changes
from cotyle.case.live import live_numbers
from cotyle.case.plan_file import PlanFile
from cotyle.case.results import measurements_of
from cotyle.case.stages import completed, hip_of, plan_cup, plan_on
from cotyle.case.store import read_case
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.space.side import Side
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st


@pytest.fixture(scope="module")
def stored(planned_case):
    return read_case(planned_case.folder)


@pytest.fixture(scope="module")
def hips(stored):
    return {side: hip_of(stored.anatomy, stored.scan, side) for side in Side}


@pytest.fixture(scope="module")
def plans(hips):
    return {side: completed(hip, PlanFile(side=side)) for side, hip in hips.items()}


millimetres = st.floats(-8, 8)
cups = {
    "side": st.sampled_from(list(Side)),
    "way": st.tuples(millimetres, millimetres, millimetres, millimetres),
    "angles": st.tuples(st.floats(20, 60), st.floats(-5, 40)),
    "definition": st.sampled_from(list(Definition)),
    "frame": st.sampled_from(["app", "supine", "standing"]),
    "diameter": st.sampled_from([44.0, 48.0, 53.0, 58.0, 64.0]),
    "tilt": st.floats(-20, 20),
}


def chosen(hip, plan, way, angles, definition, frame, diameter, tilt):
    plan = changes.with_section(plan, "posture", {"standing_tilt_change_deg": tilt, "measured": True})
    pelvis = hip.pelvis(plan.posture.standing_tilt_change_deg)
    plan = changes.with_angles(changes.moved(plan, pelvis, *way), pelvis, definition, frame, *angles)
    return changes.with_cup(plan, outer_diameter_mm=diameter)


def figures(numbers):
    """Every figure of live numbers or of a whole measurement that both hold."""
    return {
        "wall": [value for name, value in vars(numbers.wall).items() if name != "map"],
        "coverage": list(vars(numbers.coverage).values()),
        "steps": [dataclasses.astuple(getattr(each, "step", each)) for each in numbers.steps],
        "cup": dataclasses.astuple(numbers.cup),
        "pelvis": dataclasses.astuple(numbers.pelvis),
        "plan": numbers.plan,
        "first": dataclasses.astuple(numbers.first),
    }


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(**cups)
def test_live_numbers_are_those_of_the_whole_measurement(hips, plans, side, **cup):
    plan = chosen(hips[side], plans[side], **cup)
    live, whole = live_numbers(hips[side], plan), plan_on(hips[side], plan)
    np.testing.assert_equal(figures(live), figures(whole))
    written = measurements_of(whole, {})
    assert live.orientations == written.orientation
    shift = written.center_shift.from_native_mm
    assert (live.center_shift.medial, live.center_shift.superior, live.center_shift.anterior) == (
        shift.medial,
        shift.superior,
        shift.anterior,
    )
    assert live.press_fit.proud_mm == written.press_fit.proud_mm
    assert live.press_fit.interference_mm == written.press_fit.interference_mm


def test_they_are_those_of_a_case_that_is_planned_from_its_files(stored, hips):
    whole = plan_cup(stored.anatomy, stored.scan, stored.plan)
    np.testing.assert_equal(figures(live_numbers(hips[stored.plan.side], stored.plan)), figures(whole))


def test_numbers_taken_over_from_before_are_the_same(hips, plans):
    hip, plan = hips[Side.RIGHT], plans[Side.RIGHT]
    before = live_numbers(hip, plan)
    stands = changes.with_section(plan, "posture", {"standing_tilt_change_deg": -9.0})
    taken, anew = live_numbers(hip, stands, before), live_numbers(hip, stands)
    assert taken.wall is before.wall
    np.testing.assert_equal(figures(taken), figures(anew))
    assert taken.orientations == anew.orientations


@pytest.mark.parametrize("changed", ["cup", "reaming", "hip"])
def test_nothing_is_taken_over_from_another(hips, plans, changed):
    hip, plan = hips[Side.RIGHT], plans[Side.RIGHT]
    before = live_numbers(hip, plan)
    if changed == "cup":
        plan = changes.with_cup(plan, outer_diameter_mm=62.0)
    elif changed == "reaming":
        plan = changes.with_section(plan, "reaming", {"last_under_mm": 2.0})
    else:
        hip = hip_of(hip.anatomy, hip.scan, hip.side)
    assert live_numbers(hip, plan, before).wall is not before.wall


def test_a_plan_that_is_begun_has_no_numbers(hips):
    with pytest.raises(InputError) as caught:
        live_numbers(hips[Side.LEFT], PlanFile(side=Side.LEFT))
    assert caught.value.code == "plan-incomplete"
