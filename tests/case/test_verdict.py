"""The grade of a hip, and the points to look at, follow from the findings and from nothing else."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.findings import Concern, Finding, Grade
from cotyle.anatomy.landmarks import APP_NAMES, Landmark, Origin
from cotyle.case.plan_file import PlanFile
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.case.verdict import plan_doubts, plan_verdict, verdict_of
from cotyle.image.made_up import MadeUp
from cotyle.space.side import Side

CENTER = Finding("center", "the left centre", Grade.CHECK, (Concern.CENTER,), Side.LEFT)
FRAME = Finding("frame", "the plane", Grade.CHECK, (Concern.FRAME,), None, APP_NAMES)
NOTE = Finding("note", "by the way", Grade.SOUND, (Concern.BONES,), Side.LEFT)
STOP = Finding("stop", "no socket", Grade.CANNOT_PLAN, (Concern.CENTER,), Side.RIGHT)


def marks():
    names = (*APP_NAMES, "hip_center_left", "hip_center_right")
    places = {name: np.array([10.0 * index, 0.0, 0.0]) for index, name in enumerate(names)}
    return {name: Landmark(name, place, Origin.DETECTED, 1.0) for name, place in places.items()}


def test_without_findings_both_hips_are_sound_and_nothing_is_promised():
    verdict = verdict_of([NOTE], marks(), Side.LEFT)
    assert {hip.grade for hip in verdict.hips.values()} == {Grade.SOUND}
    assert verdict.grade is Grade.SOUND
    assert "proves nothing" in verdict.text


def test_a_doubt_of_one_side_is_not_the_other_s():
    verdict = verdict_of([CENTER], marks(), Side.RIGHT)
    assert verdict.hips[Side.LEFT].grade is Grade.CHECK
    assert verdict.hips[Side.RIGHT].grade is Grade.SOUND
    assert verdict.grade is Grade.SOUND


def test_the_frame_belongs_to_both_and_names_its_four_points_with_their_places():
    verdict = verdict_of([FRAME], marks(), Side.LEFT)
    for side in Side:
        hip = verdict.hips[side]
        assert hip.grade is Grade.CHECK
        assert [point.words for point in hip.points][:2] == ["ASIS left", "ASIS right"]
        assert [point.lps_mm[0] for point in hip.points] == [0.0, 10.0, 20.0, 30.0]
        assert [point.mark for point in hip.points] == [f"{str(side)[0].upper()}{n}" for n in (1, 2, 3, 4)]


def test_what_forbids_a_plan_comes_first_and_says_what_is_missing():
    right = replace(CENTER, side=Side.RIGHT)
    verdict = verdict_of([right, STOP], marks(), Side.RIGHT)
    assert verdict.grade is Grade.CANNOT_PLAN
    assert verdict.hips[Side.RIGHT].codes[0] == "stop"
    assert "no socket" in verdict.text
    assert "Give labels or points" in verdict.text
    assert verdict_of([STOP], marks(), Side.LEFT).grade is Grade.SOUND


def test_places_of_a_finding_are_points_and_near_ones_are_one():
    finding = replace(CENTER, places_lps_mm=((1.0, 2.0, 3.0), (2.0, 2.0, 3.0), (30.0, 2.0, 3.0)))
    points = verdict_of([finding], marks(), Side.LEFT).hips[Side.LEFT].points
    assert [point.lps_mm for point in points] == [(1.0, 2.0, 3.0), (30.0, 2.0, 3.0)]


@pytest.fixture(scope="module")
def planned(planned_case):
    stored = read_case(planned_case.folder)
    return plan_cup(stored.anatomy, stored.scan, stored.plan)


def test_an_unsure_wall_of_the_plan_is_a_point_to_check_where_the_axis_leaves_the_bone(planned):
    unsure = replace(planned, wall=replace(planned.wall, uncertainty_mm=1.1, breached_on_axis=False))
    found = next(each for each in plan_doubts(unsure) if each.code == "wall-unsure")
    assert found.concerns == (Concern.WALL,)
    assert "2.2 mm" in found.text
    np.testing.assert_allclose(found.places_lps_mm[0], planned.wall.exit_lps_mm, atol=0.051)
    assert plan_verdict(unsure).grade is Grade.CHECK
    sure = replace(planned, wall=replace(planned.wall, uncertainty_mm=0.3, minimum_uncertainty_mm=0.3))
    assert not [each for each in plan_doubts(sure) if "wall" in each.code]


def test_a_wall_that_ends_in_made_up_slices_is_a_point_to_check_with_its_gap(planned):
    """Cut out of a real plan: the same wall, in a scan whose slices round its end were made up."""
    z = float(planned.wall.minimum_at_lps_mm[2])
    gap = MadeUp((0.0, 0.0, 1.0), z - 1.0, z + 1.0, 2.0, 1.0, 1, f"z = {z - 1:.2f} and {z + 1:.2f} mm")
    skeleton = planned.anatomy.skeleton
    source = replace(skeleton.source, made_up=(gap,))
    guessed = replace(planned, anatomy=replace(planned.anatomy, skeleton=replace(skeleton, source=source)))
    sound = replace(guessed, wall=replace(planned.wall, breached=False))
    found = [each for each in plan_doubts(sound) if each.code == "wall-made-up"]
    assert any("least wall" in each.text and gap.where in each.text for each in found)
    assert not [each for each in plan_doubts(planned) if each.code == "wall-made-up"]
    assert plan_verdict(sound).grade is Grade.CHECK


def test_plan_and_measurements_hold_the_same_verdict(planned_case):
    """A worn right hip on a coarse scan: its joint is to be checked, the left one is sound."""
    written, measured = PlanFile.read(planned_case.folder / "plan.json"), planned_case.measurements
    assert written.verdict.grade == measured["verdict"]["grade"] == "check"
    assert written.verdict.text == measured["verdict"]["text"]
    assert {side: hip["grade"] for side, hip in measured["verdict"]["hips"].items()} == written.verdict.hips
    assert measured["verdict"]["hips"]["left"]["grade"] == "sound"
    assert measured["verdict"]["hips"]["right"]["points"]
    codes = {each["code"] for each in measured["findings"]}
    assert set(measured["verdict"]["hips"]["right"]["codes"]) <= codes


def test_edge_shares_of_each_bone_sum_to_one_and_the_worn_side_is_less_clear(planned_case):
    shares = planned_case.measurements["edge_shares"]
    for each in shares.values():
        assert sum(each.values()) == pytest.approx(1.0)
    assert shares["right_hip_bone"]["clear"] < shares["left_hip_bone"]["clear"]
