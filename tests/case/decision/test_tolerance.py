"""What is said of a plan's tolerance, on the sample case."""

import pytest
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.tolerance import ToleranceFacts, spreads_of, tolerance_of
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


def test_the_page_tells_the_chances_and_every_figure(facts):
    page = tolerance_page(facts)
    assert "Of 100 procedures" in page.lead
    assert len(page.tables[0].rows) == len(facts.outcomes)
    assert len(page.tiles) == 4
    assert all(picture.assumes for picture in page.pictures)
