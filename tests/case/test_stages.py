"""Plans of several kinds on one anatomy, without a file written."""

import numpy as np
import pytest
from cotyle.case.plan_file import CupChoice, OrientationChoice, PlanFile, Targets
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.cup.center import center_shift
from cotyle.errors import InputError
from cotyle.space.side import Side


@pytest.fixture(scope="module")
def stored(planned_case):
    return read_case(planned_case.folder)


def planned(stored, **choices):
    plan = PlanFile(side=choices.pop("side", Side.RIGHT), **choices)
    return plan_cup(stored.anatomy, stored.scan, plan)


def test_what_was_given_is_kept_and_the_rest_proposed(stored):
    result = planned(stored, cup=CupChoice(outer_diameter_mm=58))
    assert result.cup.outer_diameter_mm == 58
    assert set(result.plan.cup.proposed) == {"center_lps_mm", "orientation"}


def test_stated_shifts_are_met(stored):
    result = planned(stored, targets=Targets(medial_mm=3, superior_mm=1, anterior_mm=-0.5))
    frame = result.pelvis.supine
    shift = center_shift(result.socket.center_lps_mm, result.cup.center_lps_mm, frame, Side.RIGHT)
    assert (shift.medial, shift.superior, shift.anterior) == pytest.approx((3, 1, -0.5), abs=1e-6)


def test_the_other_hip_of_the_same_scan_can_be_planned(stored):
    result = planned(stored, side=Side.LEFT)
    assert result.cup.center_lps_mm[0] > planned(stored).cup.center_lps_mm[0] + 100
    assert not result.wall.breached


def test_a_complete_plan_plans_to_itself(stored):
    first = planned(stored)
    again = plan_cup(stored.anatomy, stored.scan, first.plan)
    assert again.plan == first.plan
    np.testing.assert_array_equal(again.cup.center_lps_mm, first.cup.center_lps_mm)
    assert again.wall.minimum_mm == first.wall.minimum_mm


def test_a_cup_that_opens_into_the_body_is_refused(stored):
    turned = OrientationChoice(inclination_deg=-130, anteversion_deg=0, definition="radiographic", frame="app")
    with pytest.raises(InputError):
        planned(stored, cup=CupChoice(orientation=turned))


def test_a_hip_without_a_socket_is_refused(stored):
    from dataclasses import replace

    blind = replace(stored.anatomy, sockets={Side.RIGHT: stored.anatomy.sockets[Side.RIGHT]})
    with pytest.raises(InputError) as caught:
        plan_cup(blind, stored.scan, PlanFile(side=Side.LEFT))
    assert caught.value.code == "socket-missing"
