import pytest
from cotyle_platform.web.panels import PlanCompare


@pytest.fixture
def two(desk):
    return PlanCompare(desk.server, desk.session)


def rows(desk):
    return {row["words"]: row for row in desk.state.plan_compare["rows"]}


def test_nothing_is_compared_until_a_plan_is_kept(desk, two):
    assert desk.state.plan_compare is None
    two.desk.keep(desk.session.numbers)
    assert {row["difference"] for row in rows(desk).values()} == {"0.0", "0"}
    two.desk.keep(None)
    assert desk.state.plan_compare is None


def test_the_current_plan_is_told_against_the_kept_one(desk, two):
    two.desk.keep(desk.session.numbers)
    desk.session.shift_to(medial_mm=desk.session.numbers.center_shift.medial + 2.0)
    desk.session.change(outer_diameter_mm=desk.session.numbers.cup.outer_diameter_mm + 2.0)
    assert rows(desk)["centre from the native one, medial, supine frame"]["difference"] == "+2.0"
    assert rows(desk)["cup, outer diameter"]["difference"] == "+2"
    assert rows(desk)["way between both centres"]["difference"] == "2.0"
    assert not desk.state.plan_compare["old"]


def test_both_plans_can_be_exchanged_in_one_step(desk, two):
    first = desk.session.numbers
    two.desk.keep(first)
    desk.session.change_orientation(inclination_deg=45.0)
    second = desk.session.numbers
    two.back()
    now = desk.session.numbers
    assert now.cup.opening_axis_lps == pytest.approx(first.cup.opening_axis_lps)
    assert now.cup.center_lps_mm == pytest.approx(first.cup.center_lps_mm)
    assert two.desk.kept is second
    desk.session.undo()
    assert desk.session.numbers.cup.opening_axis_lps == pytest.approx(second.cup.opening_axis_lps)
