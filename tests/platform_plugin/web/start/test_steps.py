"""From a CT to a case without a page: each step waits for a yes, nothing is written before the last."""

import json
from dataclasses import replace

import numpy as np
import pytest
from cotyle.anatomy.findings import Concern, Finding, Grade
from cotyle.case.anatomy_stages import FoundBones
from cotyle.case.plan_file import PlanFile
from cotyle.case.review import review_of, surveyed, write_review
from cotyle.case.store import read_case, write_bones
from cotyle.errors import InputError
from cotyle.image.label_files import load_label_file
from cotyle.space.side import Side
from cotyle_platform.web.landmark_words import origin_words
from cotyle_platform.web.start.steps import STEPS, StartSession

MICROMETRE = 0.001


@pytest.fixture(scope="module")
def stored(planned_case):
    return read_case(planned_case.folder), load_label_file(planned_case.folder / "bones.nrrd").labels


def start(planned_case, stored=None):
    """A session whose bones, where given, are those the sample case found before: segmenting takes a minute."""
    if stored is None:
        return StartSession()
    case, own = stored

    def found(scan, info, side, labels, progress):
        assert own.voxels.shape == scan.voxels.shape
        progress("finding the bones")
        return FoundBones(case.anatomy.skeleton, own)

    return StartSession(find=found)


def with_bones(planned_case, stored):
    session = start(planned_case, stored)
    do(session, lambda: session.look_into(planned_case.series))
    do(session, lambda: session.choose_series(1))
    session.choose_side("right")
    do(session, session.look_for_bones)
    return session


def with_landmarks(planned_case, stored):
    session = with_bones(planned_case, stored)
    do(session, session.agree_to_bones)
    return session


def do(session, act):
    act()
    assert session.settle(120)
    assert session.busy == ""


@pytest.mark.slow
def test_the_whole_way_gives_the_case_that_the_command_line_gives(planned_case, stored, tmp_path):
    session = with_landmarks(planned_case, stored)
    assert session.step == "landmarks"
    do(session, session.agree_to_landmarks)
    assert session.step == "plan"
    out = tmp_path / "new-case"
    do(session, lambda: session.write_case(out))
    assert session.failure == ""
    assert session.case == out
    assert read_case(out).plan == read_case(planned_case.folder).plan
    again = json.loads((out / "measurements.json").read_text())
    for field in ("wall", "orientation", "coverage", "center_shift", "native"):
        assert again[field] == planned_case.measurements[field], field


@pytest.mark.slow
def test_a_moved_landmark_is_given_and_the_frame_follows(planned_case, stored):
    session = with_landmarks(planned_case, stored)
    before = session.anatomy.pelvis(0.0).anterior_tilt_deg
    spot = session.landmarks["asis_right"].lps_mm + [0.0, -4.0, 2.0]
    session.place("asis_right", spot)
    do(session, session.agree_to_landmarks)
    after = session.anatomy.pelvis(0.0)
    assert abs(after.anterior_tilt_deg - before) > 0.3
    np.testing.assert_allclose(session.anatomy.landmarks["asis_right"].lps_mm, spot, atol=MICROMETRE)
    assert "placed by hand" in origin_words(session.landmarks["asis_right"], True)


@pytest.mark.slow
def test_landmarks_can_be_snapped_undone_and_taken_back(planned_case, stored):
    session = with_landmarks(planned_case, stored)
    found = session.landmarks["psis_right"].lps_mm
    session.place("psis_right", found + [0.0, 5.0, 0.0])
    session.to_bone("psis_right")
    surface = session.skeleton.surfaces["right_hip_bone"].vertices_lps_mm
    assert np.linalg.norm(surface - session.landmarks["psis_right"].lps_mm, axis=1).min() < 2.5
    session.undo()
    np.testing.assert_allclose(session.landmarks["psis_right"].lps_mm, found + [0.0, 5.0, 0.0], atol=MICROMETRE)
    session.as_found("psis_right")
    np.testing.assert_allclose(session.landmarks["psis_right"].lps_mm, found)
    session.undo()
    session.undo()
    assert session.given == {}
    assert not session.can_undo


@pytest.mark.slow
def test_landmarks_are_reviewed_in_the_order_of_what_rests_on_them(planned_case, stored):
    session = with_landmarks(planned_case, stored)
    assert session.order[:4] == ("asis_left", "asis_right", "pubic_tubercle_left", "pubic_tubercle_right")
    assert session.order[4].endswith("_right")
    assert set(session.order) == set(session.landmarks)


@pytest.mark.slow
def test_a_point_outside_the_scan_is_refused(planned_case, stored):
    session = with_landmarks(planned_case, stored)
    with pytest.raises(InputError) as raised:
        session.place("asis_right", (5000.0, 0.0, 0.0))
    assert raised.value.code == "landmark-outside"
    assert session.given == {}


@pytest.mark.slow
def test_landmarks_that_make_no_pelvis_are_told_and_no_plan_follows(planned_case, stored):
    session = with_landmarks(planned_case, stored)
    left, right = (session.landmarks[name].lps_mm for name in ("asis_left", "asis_right"))
    session.place("asis_left", right)
    session.place("asis_right", left)
    do(session, session.agree_to_landmarks)
    assert session.step == "landmarks"
    assert "asis_left" in session.failure


@pytest.mark.slow
def test_corrected_bones_are_taken_and_said_to_be_corrected(planned_case, stored):
    session = with_bones(planned_case, stored)
    voxels = session.labels.voxels.copy()
    k = np.argwhere(voxels == 3)[:, 0].min()
    voxels[k : k + 6][voxels[k : k + 6] == 3] = 0
    do(session, lambda: session.agree_to_bones(session.labels.with_voxels(voxels)))
    assert session.step == "landmarks"
    assert session.skeleton.drawn == {"sacrum"}
    assert any(each.code == "bones-redrawn" for each in session.anatomy.doubts)


@pytest.mark.slow
def test_what_is_left_of_an_unplannable_hip_is_taken_up_and_planned(planned_case, stored, tmp_path):
    """A review folder whose doubt was the hip's centre: placed by hand, the hip can be planned."""
    case, labels = stored
    left = tmp_path / "left"
    left.mkdir()
    write_bones(left, labels, case.scan)
    unknown = Finding(
        "center-unknown", "the centre of the right hip is not known", Grade.CANNOT_PLAN, (Concern.CENTER,), Side.RIGHT
    )
    skeleton = replace(case.anatomy.skeleton, doubts=(*case.anatomy.skeleton.doubts, unknown))
    stopped = surveyed(skeleton, {}, Side.RIGHT)
    write_review(left, stopped, review_of(stopped, PlanFile(side=Side.RIGHT)))
    session = StartSession()
    do(session, lambda: session.look_into(left))
    assert (session.step, session.side) == ("bones", Side.RIGHT)
    assert "centre of the right hip" in session.failure
    do(session, session.agree_to_bones)
    do(session, session.agree_to_landmarks)
    assert session.step == "landmarks"
    session.place("hip_center_right", session.landmarks["hip_center_right"].lps_mm)
    do(session, session.agree_to_landmarks)
    assert session.step == "plan", session.failure
    do(session, lambda: session.write_case(tmp_path / "planned"))
    assert session.failure == ""
    assert set(read_case(tmp_path / "planned").plan.given.landmarks) == {"hip_center_right"}


@pytest.mark.slow
def test_another_side_has_its_bones_looked_for_anew(planned_case, stored):
    """Whether a hip is shown whole is judged for its own side."""
    session = with_landmarks(planned_case, stored)
    session.place("psis_right", session.landmarks["psis_right"].lps_mm)
    session.back_to("side")
    session.choose_side("right")
    assert session.labels is not None
    session.back_to("side")
    session.choose_side("left")
    assert session.labels is None
    assert session.given == {}
    with pytest.raises(InputError):
        session.agree_to_bones()


def test_a_folder_without_images_is_told_in_one_line(tmp_path):
    session = StartSession()
    do(session, lambda: session.look_into(tmp_path))
    assert session.failure
    assert "\n" not in session.failure
    assert session.step == STEPS[0]


def test_a_series_that_cannot_be_planned_on_is_refused_by_its_number(planned_case):
    session = StartSession()
    do(session, lambda: session.look_into(planned_case.series))
    assert session.series[0].plannable
    with pytest.raises(InputError, match="no series 7"):
        session.choose_series(7)


def test_steps_cannot_be_skipped():
    session = StartSession()
    for act in (session.look_for_bones, session.agree_to_bones, session.agree_to_landmarks):
        with pytest.raises(InputError) as raised:
            act()
        assert raised.value.code == "step-order"
    with pytest.raises(ValueError, match="middle"):
        session.choose_side("middle")
    assert session.side is None


def test_a_fault_of_ours_does_not_leave_the_page_waiting(planned_case):
    def broken(*_, **__):
        raise ZeroDivisionError

    session = StartSession(find=broken)
    do(session, lambda: session.look_into(planned_case.series))
    do(session, lambda: session.choose_series(1))
    session.choose_side(Side.LEFT)
    do(session, session.look_for_bones)
    assert "ZeroDivisionError" in session.failure


def test_an_existing_folder_is_never_written_over(tmp_path):
    session = StartSession()
    session.source, session.side = tmp_path / "Samplethwaite_Sunniva", Side.LEFT
    first = session.suggested_folder()
    assert first.name == "case-left"  # nothing of how the scan's folder is called
    first.mkdir()
    assert session.suggested_folder().name == "case-left-2"
