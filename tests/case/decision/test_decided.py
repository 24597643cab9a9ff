"""Which plan decisions belong to, and an option taken as the plan's cup."""

import pytest
from cotyle.case.decision.decided import Decided, plan_of_option, questions_given, same_cup
from cotyle.case.decision.facts import Made
from cotyle.case.decision.options import options_of
from cotyle.case.decision.questions import Questions
from cotyle.case.live import live_numbers
from cotyle.case.plan_changes import with_cup, with_section
from cotyle.case.plan_file import PlanVerdict
from cotyle.case.stages import hip_of, plan_on
from cotyle.case.store import read_case
from cotyle.case.verdict import Grade

from tests.case.decision.option_stand_ins import option, option_facts, tolerance_facts

# Nearly all is pinned, so that the search is short.
PINS = {
    "superior_mm": 0.0,
    "anterior_mm": 0.0,
    "outer_diameter_mm": 54.0,
    "inclination_deg": 41.0,
    "anteversion_deg": 16.0,
}


@pytest.fixture(scope="module")
def stored(planned_case):
    return read_case(planned_case.folder)


@pytest.fixture(scope="module")
def plan(stored):
    return stored.plan


def test_decisions_belong_to_all_that_was_chosen_but_not_to_the_verdict(plan):
    decided = Decided(plan, {})
    verdict = PlanVerdict(grade=Grade.CHECK, text="another verdict", hips={})
    assert decided.stands_for(plan.model_copy(update={"verdict": verdict}))
    for changed in (with_cup(plan, outer_diameter_mm=60.0), with_section(plan, "reaming", {"last_under_mm": 2.0})):
        assert not decided.stands_for(changed)


def test_options_belong_to_all_of_a_plan_but_its_cup(plan):
    decided = Decided(plan, {})
    assert decided.options_stand_for(with_cup(plan, outer_diameter_mm=60.0))
    for section, change in (
        ("targets", {"inclination_deg": 43.0}),
        ("posture", {"standing_tilt_change_deg": -9.0}),
        ("reaming", {"last_under_mm": 2.0}),
    ):
        assert not decided.options_stand_for(with_section(plan, section, change))


def test_the_cup_that_is_planned_changes_no_option(stored, plan):
    hip = hip_of(stored.anatomy, stored.scan, plan.side)
    asked = Questions.model_validate({"options": {"pins": PINS, "least_cover": 0.5, "high_center": False}})
    x, y, z = plan.cup.center_lps_mm
    other = with_cup(plan, center_lps_mm=(x, y + 1.0, z + 2.0), outer_diameter_mm=plan.cup.outer_diameter_mm + 2.0)
    one, two = (options_of(plan_on(hip, each), hip, asked, 1) for each in (plan, other))
    assert one.options == two.options
    assert one.plan != two.plan
    # and what is taken is what was told, to the last digit that files hold
    taken = live_numbers(hip, plan_of_option(other, one, one.options[0]))
    assert taken.coverage.fraction == pytest.approx(one.options[0].figures.cover, abs=1e-9)
    assert taken.wall.minimum_mm == pytest.approx(one.options[0].figures.wall_least_mm, abs=1e-6)
    assert taken.center_shift.superior == pytest.approx(one.options[0].superior_mm, abs=1e-6)


def test_an_option_that_is_taken_is_the_cup_and_changes_nothing_else(plan):
    facts = option_facts(option(center=(-80.0, 3.0, 22.0), size=56.0, angles=(43.0, 19.0)))
    taken = plan_of_option(plan, facts, facts.options[0])
    assert taken.cup.center_lps_mm == (-80.0, 3.0, 22.0)
    assert taken.cup.outer_diameter_mm == 56.0
    own = taken.cup.orientation
    assert (own.inclination_deg, own.anteversion_deg, own.definition, own.frame) == (
        43.0,
        19.0,
        "radiographic",
        "supine",
    )
    assert taken.cup.proposed == ()
    assert Decided(plan, {}).options_stand_for(taken)
    assert same_cup(taken, plan_of_option(plan, facts, facts.options[0]))
    assert not same_cup(taken, plan)


def test_what_the_user_had_given_for_a_part_is_what_its_own_file_says():
    def with_given(facts, **given):
        made = Made(software="cotyle", caution="", seed=1, plan_digest="", given=given)
        return facts.model_copy(update={"made": made})

    facts = {
        "options": with_given(option_facts(option()), options={"least_cover": 0.5}, tolerance={"depth_mm": 9.0}),
        "tolerance": with_given(tolerance_facts(), tolerance={"depth_mm": 1.0}),
    }
    asked = questions_given(facts)
    assert asked.options.least_cover == 0.5
    assert asked.tolerance.depth_mm == 1.0
    assert questions_given({"options": option_facts(option())}) == Questions()
