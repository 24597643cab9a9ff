"""Doubts come up when they should, and only then."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.case.plan_file import PostureChoice, Targets
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.case.warnings import warnings_of


@pytest.fixture(scope="module")
def planned(planned_case):
    stored = read_case(planned_case.folder)
    return plan_cup(stored.anatomy, stored.scan, stored.plan)


def codes(planned):
    return [code for code, _ in warnings_of(planned)]


def test_each_doubt_is_one_sentence(planned):
    for _, text in warnings_of(planned):
        assert text[0].isupper()
        assert text.endswith(".")
        assert "\n" not in text


def test_a_breach_leads_the_list_after_the_nature_of_the_scan(planned):
    broken = replace(planned, wall=replace(planned.wall, breached=True, minimum_mm=0.0))
    assert codes(broken)[:2] == ["synthetic", "wall-breached"]


def test_a_thin_wall_is_named_with_its_measure(planned):
    thin = replace(planned, wall=replace(planned.wall, minimum_mm=1.2, breached=False))
    assert ("wall-thin", "Only 1.2 mm are left between cavity and pelvis at the thinnest place.") in warnings_of(thin)


def test_little_coverage_is_a_doubt_and_much_is_not(planned):
    assert "coverage-low" in codes(replace(planned, coverage=replace(planned.coverage, fraction=0.5)))
    assert "coverage-low" not in codes(replace(planned, coverage=replace(planned.coverage, fraction=0.9)))


def test_a_cup_off_its_target_is_a_doubt(planned):
    targets = Targets(inclination_deg=planned.plan.targets.inclination_deg + 10.5)
    off = replace(planned, plan=planned.plan.model_copy(update={"targets": targets}))
    assert "orientation-off-target" in codes(off)
    assert "orientation-off-target" not in codes(planned)


def test_a_raised_centre_is_a_doubt(planned):
    up = np.array(6.0 * planned.pelvis.supine.superior)
    assert "center-high" in codes(replace(planned, cup=planned.cup.moved(up)))


def test_a_measured_posture_is_none(planned):
    posture = PostureChoice(standing_tilt_change_deg=-4, measured=True)
    measured = replace(planned, plan=planned.plan.model_copy(update={"posture": posture}))
    assert "posture-assumed" in codes(planned)
    assert "posture-assumed" not in codes(measured)
