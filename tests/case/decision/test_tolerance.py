"""What is said of a plan's tolerance, on the sample case."""

from dataclasses import replace

import pytest
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.tolerance import ToleranceFacts, planned_of, spreads_of, tolerance_of
from cotyle.case.decision.tolerance_check import DifferenceFact, doubts_of_estimates
from cotyle.case.stages import hip_of, plan_on
from cotyle.case.store import read_case
from cotyle.report.decision.tolerance_page import tolerance_page


@pytest.fixture(scope="module")
def sample(planned_case):
    stored = read_case(planned_case.folder)
    hip = hip_of(stored.anatomy, stored.scan, stored.plan.side)
    return plan_on(hip, stored.plan), hip


def asked(**tolerance):
    return Questions.model_validate({"tolerance": {"procedures": 1000, **tolerance}})


@pytest.fixture(scope="module")
def facts(sample):
    return tolerance_of(*sample, asked(), 1)


def test_the_planned_figures_are_those_of_the_measurements(facts, planned_case):
    measured = planned_case.measurements
    assert facts.outcomes["wall_along_axis_mm"].planned == pytest.approx(measured["wall"]["along_axis_mm"], abs=1e-6)
    assert facts.outcomes["least_wall_mm"].planned == pytest.approx(measured["wall"]["minimum_mm"], abs=1e-6)
    assert facts.outcomes["coverage"].planned == pytest.approx(measured["coverage"]["fraction"], abs=1e-6)
    angles = measured["orientation"]["supine"]["radiographic"]
    assert facts.outcomes["inclination_deg"].planned == pytest.approx(angles["inclination_deg"], abs=1e-6)
    shift = measured["center_shift"]["from_native_mm"]
    assert facts.outcomes["center_medial_mm"].planned == pytest.approx(shift["medial"], abs=1e-6)


def test_deviations_of_the_case_itself_are_taken_over(sample, planned_case):
    spreads, assumed = spreads_of(sample[0], asked())
    measured = planned_case.measurements
    assert spreads.plane_tilt_deg == pytest.approx(measured["pelvis"]["uncertainty_deg"]["anterior_tilt"])
    assert spreads.wall_mm == pytest.approx(measured["wall"]["uncertainty_mm"])
    assert spreads.native_center_mm == pytest.approx(measured["native"]["uncertainty"]["center_mm"])
    assert assumed


def test_a_file_comes_back_as_it_was_written(facts, tmp_path):
    facts.write(tmp_path / "tolerance.json")
    assert ToleranceFacts.read(tmp_path / "tolerance.json").as_dict() == facts.as_dict()


def test_the_same_seed_gives_the_same_file(sample, facts):
    assert tolerance_of(*sample, asked(), 1).to_json() == facts.to_json()
    assert tolerance_of(*sample, asked(), 2).to_json() != facts.to_json()


def test_a_careless_hand_is_said_at_the_top(sample):
    careless = tolerance_of(*sample, asked(depth_mm=8.0, hand_inclination_deg=12.0), 1)
    codes = {doubt.code for doubt in careless.doubts}
    assert {"tolerance-out-lying", "tolerance-coverage"} <= codes
    assert careless.chances.below_least_wall > 0.025
    assert careless.stop.before_seat_mm is None or careless.stop.before_seat_mm > 0.0


def test_without_errors_every_procedure_is_the_plan(sample):
    names = [name for name in Questions().tolerance.model_dump() if name.endswith(("_deg", "_mm", "_up", "_down"))]
    exact = tolerance_of(*sample, asked(**dict.fromkeys(set(names) - {"least_wall_mm"}, 0.0)), 1)
    assert exact.outcomes["standing_inclination_deg"].sd < 0.5  # what landmarks leave open
    assert exact.outcomes["least_wall_mm"].shares["hand"] == 0.0
    assert exact.stop.before_seat_mm == 0.0


def test_estimates_are_held_against_the_measurement_of_some_procedures(facts, sample):
    """On the sample the estimates are good: what is off is well below what the procedures spread by."""
    held = facts.checked
    assert (held.measured, held.thinnest) == (45, 12)
    assert (held.unseen_through, held.wrongly_through) == (0, 0)
    for name, off in held.differences.items():
        assert 0.0 <= off.usual < 0.1 * facts.outcomes[name].sd
        assert off.usual <= abs(off.worst)
        assert off.moved == 0.0
        assert (off.far_share > 0.0) == (abs(off.worst) > off.limit)


def test_a_plan_whose_own_wall_is_odd_does_not_move_its_procedures_and_is_doubted(sample, facts):
    """A gap that just the planned axis meets: 6 mm less wall there than around it."""
    planned, hip = sample
    odd = replace(planned, wall=replace(planned.wall, along_axis_mm=planned.wall.along_axis_mm - 6.0))
    found = tolerance_of(odd, hip, asked(), 1)
    name = "wall_along_axis_mm"
    assert found.outcomes[name].planned == pytest.approx(odd.wall.along_axis_mm, abs=1e-6)
    assert found.checked.differences[name].moved == pytest.approx(6.0, abs=0.3)
    assert found.outcomes[name].interval == pytest.approx(facts.outcomes[name].interval, abs=0.3)
    doubt = next(each for each in found.doubts if each.code == "tolerance-plan-apart")
    assert "below what is usual" in doubt.text
    assert not [each for each in facts.doubts if each.code == "tolerance-plan-apart"]


def test_estimates_that_are_far_off_are_a_doubt(facts):
    far = DifferenceFact(usual=0.1, worst=-8.1, limit=2.0, far_share=0.004)
    near = facts.checked.differences["coverage"]
    differences = {"wall_along_axis_mm": far, "least_wall_mm": near, "coverage": near}
    odd = facts.checked.model_copy(update={"differences": differences, "unseen_through": 2})
    (doubt,) = doubts_of_estimates(odd)
    assert "wall along the axis by up to 8.1 mm (less as measured)" in doubt.text
    assert "fewer than 1 of 100" in doubt.text
    assert "2 are through as measured" in doubt.text
    assert doubts_of_estimates(facts.checked) == ()


def test_a_plane_s_tilt_that_is_poorly_known_leaves_the_supine_angles(sample):
    """They are told against the table; a zone in the anterior pelvic plane, or a standing tilt of it, hang on it."""
    planned, hip = sample
    app = planned.plan.model_copy(update={"targets": planned.plan.targets.model_copy(update={"frame": "app"})})
    assert not planned_of(planned, hip, asked()).zone_from_plane
    assert planned_of(replace(planned, plan=app), hip, asked()).zone_from_plane
    for posture, from_plane in (
        ({}, False),
        ({"standing": {"anterior_tilt_deg": -5.0}}, True),
        ({"supine": {"sacral_slope_deg": 40}, "standing": {"sacral_slope_deg": 31}}, False),
        ({"supine": {"anterior_tilt_deg": 3, "sacral_slope_deg": 40}, "standing": {"sacral_slope_deg": 31}}, True),
    ):
        questions = Questions.model_validate({"posture": posture})
        assert planned_of(planned, hip, questions).standing_from_plane == from_plane, posture


def test_the_page_tells_the_chances_and_every_figure(facts):
    page = tolerance_page(facts)
    assert "Of 100 procedures" in page.lead
    assert len(page.tables[0].rows) == len(facts.outcomes)
    assert len(page.tiles) == 4
    assert all(picture.assumes for picture in page.pictures)
