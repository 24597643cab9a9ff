"""Options of a planned case: their figures are those of ``measure``; what is pinned holds; bad limits are one line."""

import json

import pytest
from cotyle.case.decision.option_figures import plan_with
from cotyle.case.decision.options import OptionsFacts, options_of
from cotyle.case.decision.questions import Questions
from cotyle.case.stages import hip_of, plan_on
from cotyle.case.store import read_case
from cotyle.cup.component import Cup
from cotyle.cup.options.rim_walls import rim_walls
from cotyle.cup.orientation import Orientation, axis_from_orientation
from cotyle.errors import InputError
from cotyle.report.decision.options_figure import options_pictures
from cotyle.report.decision.options_page import options_page

# Angles are pinned so that the search is short.
PINS = {"inclination_deg": 41.0, "anteversion_deg": 16.0, "anterior_mm": 0.0}


@pytest.fixture(scope="module")
def stored(planned_case):
    return read_case(planned_case.folder)


@pytest.fixture(scope="module")
def hip(stored):
    return hip_of(stored.anatomy, stored.scan, stored.plan.side)


@pytest.fixture(scope="module")
def facts(stored, hip):
    planned = plan_on(hip, stored.plan)
    asked = Questions.model_validate({"options": {"pins": PINS, "least_cover": 0.5, "high_center": True}})
    return options_of(planned, hip, asked, 0)


def test_every_figure_of_an_option_is_that_of_the_whole_measurement(facts, stored, hip):
    option = facts.options[0]
    definition, frame = facts.limits.definition, facts.limits.frame
    angles = (option.angles.inclination_deg, option.angles.anteversion_deg)
    axis = axis_from_orientation(Orientation(*angles), definition, hip.pelvis(0.0).frames[frame], hip.side)
    cup = Cup(hip.side, option.center_lps_mm, axis, option.outer_diameter_mm)
    measured = plan_on(hip, plan_with(hip, stored.plan, cup, definition, frame, angles))
    found = option.figures
    assert found.cover == pytest.approx(measured.coverage.fraction, abs=1e-6)
    assert found.cover_above == pytest.approx(measured.coverage.sectors["superior"], abs=1e-6)
    assert found.wall_along_axis_mm == pytest.approx(measured.wall.along_axis_mm, abs=1e-5)
    assert found.wall_least_mm == pytest.approx(measured.wall.minimum_mm, abs=1e-5)
    assert found.removed_ml == pytest.approx(sum(step.removed_ml for step in measured.steps), abs=1e-4)
    walls = rim_walls(hip.bone, measured.cup, measured.reamers[-1], hip.frame)
    assert (found.front_wall_mm, found.back_wall_mm) == pytest.approx((walls.front_mm, walls.back_mm), abs=1e-5)
    assert option.uncovered_arc_deg == pytest.approx(measured.coverage.uncovered_arc_deg)


def test_pins_and_limits_hold_in_what_was_measured(facts):
    for option in facts.options:
        assert (option.angles.inclination_deg, option.angles.anteversion_deg) == pytest.approx((41.0, 16.0), abs=1e-6)
        assert option.anterior_mm == pytest.approx(0.0, abs=1e-6)
        assert option.figures.cover >= 0.5
        assert option.figures.wall_least_mm >= facts.limits.least_wall_mm
        assert option.figures.rise_mm <= facts.limits.largest_rise_mm + 1e-6
        assert option.leg_length_change_mm == pytest.approx(-option.superior_mm)


def test_the_set_is_small_named_and_set_against_the_plan(facts, stored):
    named = [each for option in facts.options for each in option.favours]
    assert 4 <= len(facts.options) <= 9
    assert len(named) == len(set(named))
    assert {"cover", "bone", "center", "high-center", "same-height"} <= set(named)
    assert facts.plan.outer_diameter_mm == stored.plan.cup.outer_diameter_mm


@pytest.mark.parametrize(
    ("content", "code"),
    [
        ({"pins": {"superior_mm": 30.0}}, "option-pin"),
        ({"largest_size_mm": 40.0, "smallest_size_mm": 44.0}, "option-limits"),
        ({"restore": "opposite", "pins": {"inclination_deg": 70.0}}, "option-pin"),
    ],
)
def test_pins_and_limits_that_cannot_be_are_named(stored, hip, content, code):
    planned = plan_on(hip, stored.plan)
    with pytest.raises(InputError, match=code):
        options_of(planned, hip, Questions.model_validate({"options": content}), 0)


@pytest.fixture(scope="module")
def thick(stored, hip):
    """The plan with more wall asked for than this hip has anywhere: nobody set a limit of the options."""
    targets = stored.plan.targets.model_copy(update={"least_wall_mm": 25.0})
    return plan_on(hip, stored.plan.model_copy(update={"targets": targets}))


def test_usual_limits_that_leave_no_room_are_a_doubt_and_the_plan_stands(thick, hip, tmp_path):
    facts = options_of(thick, hip, Questions(), 0)
    assert (facts.options, facts.curves, facts.better_than_plan, facts.missing, facts.tried) == ((), {}, (), (), 0)
    assert facts.doubts[0].code == "option-no-room"
    assert "the least wall of 25 mm binds" in facts.doubts[0].text
    assert facts.limits.least_wall_mm == 25.0
    assert facts.plan.figures.wall_least_mm == pytest.approx(thick.wall.minimum_mm, abs=1e-5)
    assert facts.plan.cover_sd == thick.coverage_uncertainty
    facts.write(tmp_path / "options.json")
    page = options_page(OptionsFacts.read(tmp_path / "options.json"))
    assert "No cup keeps the usual limits" in page.lead
    assert {each.name for each in page.pictures} == set(options_pictures(facts, thick, hip)) == set()


def test_any_wish_of_the_users_own_makes_no_room_an_error(thick, hip):
    asked = Questions.model_validate({"options": {"high_center": False}})
    with pytest.raises(InputError, match="option-no-room"):
        options_of(thick, hip, asked, 0)


def test_limits_that_leave_no_room_are_one_line_and_nothing_is_written(command, own_case, tmp_path):
    given = tmp_path / "given.json"
    given.write_text(json.dumps({"options": {"least_wall_mm": 25.0}}), encoding="utf-8")
    exit_code, out, err = command("decide", own_case, "--only", "options", "--given", given, "--no-pdf")
    assert (exit_code, out) == (2, "")
    last = err.strip().splitlines()[-1]
    assert "the least wall of 25 mm binds" in last
    assert "option-no-room" in last
    assert not (own_case / "decision" / "options.json").exists()
