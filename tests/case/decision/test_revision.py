"""What is said of an old cup, on the sample case with a made-up cup in place of the planned one."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.metal.metal_cup import BonyBed, CupKind, MetalCup
from cotyle.case.decision.questions import Questions
from cotyle.case.decision.revision import RevisionFacts, revision_of, unfit_for_revision
from cotyle.case.stages import hip_of, plan_on
from cotyle.case.store import read_case
from cotyle.cup.center import center_shift
from cotyle.report.decision.revision_page import revision_page
from cotyle.space.shapes import Sphere


@pytest.fixture(scope="module")
def sample(planned_case):
    stored = read_case(planned_case.folder)
    hip = hip_of(stored.anatomy, stored.scan, stored.plan.side)
    return plan_on(hip, stored.plan), hip


def with_old_cup(planned, moved_lps_mm=(0.0, 0.0, 0.0), line_mm=0.0, both=False, bed=True):
    """The planned case with a metal cup where the plan's last reamer ends, moved a little."""
    side = planned.plan.side
    size = planned.steps[-1].step.diameter_mm
    center = planned.cup.center_lps_mm + np.asarray(moved_lps_mm)
    seen = BonyBed(Sphere(center, size / 2 + line_mm), 0.3, 0.5, line_mm, 1.0 if line_mm else 0.0, 0.9)
    cup = MetalCup(
        side, CupKind.SHELL, center, planned.cup.opening_axis_lps, size, 0.1, 0.2, 0.3, seen if bed else None
    )
    cups = {side: cup} | ({side.opposite: replace(cup, side=side.opposite)} if both else {})
    anatomy = replace(planned.anatomy, skeleton=replace(planned.anatomy.skeleton, metal_cups=cups))
    return replace(planned, anatomy=anatomy)


def said(sample, **cup):
    planned, hip = sample
    revised = with_old_cup(planned, **cup)
    return revision_of(revised, replace(hip, anatomy=revised.anatomy), Questions(), 0)


def codes(facts):
    return {doubt.code for doubt in facts.doubts}


def test_behind_an_old_cup_lies_what_lies_behind_a_reamer_of_its_size(sample):
    wall, behind = sample[0].wall, said(sample).behind
    assert behind.along_axis_mm == pytest.approx(wall.along_axis_mm, abs=0.05)
    assert behind.to_inner_surface_mm == pytest.approx(wall.advance_mm, abs=0.05)
    # the least wall of a plan is over all its floors, the old cup has but one
    assert behind.least_mm >= wall.minimum_mm - 0.05


def test_its_angles_and_its_centre_are_those_of_the_cup(sample, planned_case):
    facts = said(sample, moved_lps_mm=(0.0, 0.0, 5.0))
    measured = planned_case.measurements
    for frame, angles in measured["orientation"].items():
        for definition, pair in angles.items():
            found = facts.cup.orientation[frame][definition]
            assert found.inclination_deg == pytest.approx(pair["inclination_deg"], abs=1e-6)
    planned = sample[0]
    expected = center_shift(
        planned.socket.mirrored_opposite_center_lps_mm,
        np.array(facts.cup.center_lps_mm),
        planned.pelvis.supine,
        planned.plan.side,
    )
    assert facts.place.from_expected_mm.superior == pytest.approx(expected.superior)
    higher = said(sample).place.above_teardrops_mm
    assert facts.place.above_teardrops_mm - higher == pytest.approx(5.0, abs=0.05)


def test_a_cup_that_was_driven_in_is_called_so(sample):
    planned = sample[0]
    inwards = -30.0 * planned.cup.opening_axis_lps
    facts = said(sample, moved_lps_mm=inwards)
    assert facts.behind.breached
    assert {"revision-breach", "revision-medial"} <= codes(facts)
    assert facts.place.past_ilioischial_mm > 5.0


def test_a_high_cup_a_dark_line_and_an_unseen_bed_are_said(sample):
    facts = said(sample, moved_lps_mm=(0.0, 0.0, 30.0), line_mm=2.5)
    assert {"revision-high", "revision-loose"} <= codes(facts)
    assert "revision-loose" not in codes(said(sample))
    assert "revision-bed-unseen" in codes(said(sample, bed=False))


def test_loss_is_told_against_the_other_hip_or_why_not(sample):
    facts = said(sample)
    assert set(facts.losses) == {"floor", "roof", "front", "back", "teardrop", "ischium"}
    assert all(loss.of_ml > 0.1 for loss in facts.losses.values())
    both = said(sample, both=True)
    assert both.losses is None
    assert "old cup" in both.no_losses_because
    assert both.place.from_expected_mm is None
    page = revision_page(both)
    assert any("cannot be told" in line for line in page.advice)
    assert [each.name for each in page.pictures] == ["upright"]


@pytest.mark.parametrize(("angle", "words"), [(14.0, "dysplastic"), (45.0, "protruded"), (30.0, "")])
def test_loss_against_a_misshapen_hip_is_doubted(sample, angle, words):
    planned, hip = sample
    other, sockets = hip.side.opposite, dict(planned.anatomy.sockets)
    shape = sockets[other].morphology
    bent = replace(shape["app"], lateral_center_edge_angle_deg=angle)
    sockets[other] = replace(sockets[other], morphology={**shape, "app": bent})
    facts = said((replace(planned, anatomy=replace(planned.anatomy, sockets=sockets)), hip))
    assert facts.losses is not None
    doubt = [each.text for each in facts.doubts if each.code == "revision-other-misshapen"]
    assert words in " ".join(doubt)
    assert bool(doubt) is bool(words)


def test_without_an_old_cup_there_is_nothing_to_revise(sample):
    assert "no old cup" in unfit_for_revision(sample[0])
    assert unfit_for_revision(with_old_cup(sample[0])) == ""


def test_a_file_comes_back_as_it_was_written_and_has_a_page(sample, tmp_path):
    facts = said(sample)
    facts.write(tmp_path / "revision.json")
    read = RevisionFacts.read(tmp_path / "revision.json")
    assert read.as_dict() == facts.as_dict()
    page = revision_page(read)
    assert page == revision_page(facts)
    assert f"{facts.cup.outer_diameter_mm:.1f} mm that does not look loose" in page.lead
    assert f"{facts.behind.least_mm:.1f} ± {2 * facts.behind.least_sd_mm:.1f} mm at the thinnest" in page.lead
    assert len(page.tables) == 3
