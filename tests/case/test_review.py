"""A hip that cannot be planned leaves what can be corrected, and a corrected one is planned."""

from dataclasses import replace

import pytest
from cotyle.anatomy.findings import Concern, Finding, Grade, touching
from cotyle.anatomy.landmarks import APP_NAMES, given
from cotyle.anatomy.pelvis import Posture
from cotyle.anatomy.survey import Survey
from cotyle.case.anatomy_file import write_scan_copy
from cotyle.case.anatomy_stages import MOST_CENTER_SD_MM, MOST_FRAME_SD_DEG, answered, unknowns
from cotyle.case.folder import is_case, is_review, require_case
from cotyle.case.plan_file import PlanFile
from cotyle.case.review import Unplannable, read_review, review_of, surveyed, write_review
from cotyle.case.store import read_case
from cotyle.errors import InputError
from cotyle.space.side import Side

STOP = Finding("socket-hidden", "the right socket cannot be seen", Grade.CANNOT_PLAN, (Concern.CENTER,), Side.RIGHT)


@pytest.fixture(scope="module")
def stored(planned_case):
    return read_case(planned_case.folder)


@pytest.fixture(scope="module")
def hidden(stored):
    """The case's bones with a finding that forbids a plan of the right hip."""
    skeleton = stored.anatomy.skeleton
    return replace(skeleton, doubts=(*skeleton.doubts, STOP))


@pytest.fixture(scope="module")
def stopped(hidden):
    return surveyed(hidden, {}, Side.RIGHT)


def test_a_finding_that_forbids_a_plan_ends_it_on_its_side_only(hidden, stopped):
    assert isinstance(stopped, Unplannable)
    assert stopped.error.code == "socket-hidden"
    assert not isinstance(surveyed(hidden, {}, Side.LEFT), Unplannable)


def test_a_centre_known_to_a_centimetre_only_is_no_ground_for_a_plan(stored):
    anatomy = stored.anatomy
    right = anatomy.sockets[Side.RIGHT]
    lost = replace(right, fit=replace(right.fit, uncertainty_mm=MOST_CENTER_SD_MM + 0.5))
    survey = Survey(anatomy.landmarks, anatomy.pelvis(0.0), {**anatomy.sockets, Side.RIGHT: lost}, ())
    (found,) = unknowns(survey)
    assert (found.code, found.side, found.grade) == ("center-unknown", Side.RIGHT, Grade.CANNOT_PLAN)
    assert "± 11 mm" in found.text
    assert list(unknowns(replace(survey, sockets=anatomy.sockets))) == []
    # and the centre, once given, settles it
    assert answered(found, {"hip_center_right"}, frozenset()) is None


def test_a_frame_known_to_ten_degrees_only_forbids_both_hips(stored):
    anatomy = stored.anatomy
    pelvis = replace(anatomy.pelvis(0.0), uncertainty=Posture(MOST_FRAME_SD_DEG + 1.0, 0.5, 0.5))
    (found,) = unknowns(Survey(anatomy.landmarks, pelvis, anatomy.sockets, ()))
    assert found.code == "frame-unknown"
    assert set(found.landmarks) == set(APP_NAMES)
    assert touching([found], Side.LEFT)
    assert touching([found], Side.RIGHT)


def test_the_centre_as_given_opens_the_way(hidden, stopped):
    center = given("hip_center_right", stopped.landmarks["hip_center_right"].lps_mm)
    anatomy = surveyed(hidden, {"hip_center_right": center}, Side.RIGHT)
    assert not isinstance(anatomy, Unplannable)
    assert next(each for each in anatomy.doubts if each.code == "socket-hidden").grade is Grade.CHECK


def test_bones_without_a_pelvis_keep_the_points_of_the_fitted_shape(hidden):
    surfaces = {name: mesh for name, mesh in hidden.surfaces.items() if name != "left_hip_bone"}
    without = surveyed(replace(hidden, surfaces=surfaces), {}, Side.RIGHT)
    assert isinstance(without, Unplannable)
    assert without.error.code == "bone-missing"
    assert "asis_left" in without.landmarks


def test_a_given_point_outside_the_scan_is_the_user_s_error_and_no_review(hidden):
    with pytest.raises(InputError) as caught:
        surveyed(hidden, {"asis_left": given("asis_left", [9000.0, 0, 0])}, Side.RIGHT)
    assert caught.value.code == "landmark-outside"


def test_a_review_comes_back_from_its_folder(stored, stopped, tmp_path):
    plan = PlanFile(side=Side.RIGHT)
    write_scan_copy(stored.scan, tmp_path / "ct.nrrd")
    write_review(tmp_path, stopped, review_of(stopped, plan))
    assert is_review(tmp_path)
    assert not is_case(tmp_path)
    with pytest.raises(InputError) as caught:
        require_case(tmp_path)
    assert caught.value.code == "case-unplanned"
    back = read_review(tmp_path)
    assert back.review.plan == plan
    assert back.review.code == "socket-hidden"
    assert back.review.verdict.grade is Grade.CANNOT_PLAN
    assert set(back.landmarks) == set(stopped.landmarks)
    assert [each.code for each in back.skeleton.doubts] == [each.code for each in stopped.skeleton.doubts]
