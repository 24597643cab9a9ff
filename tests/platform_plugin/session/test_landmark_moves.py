"""A landmark moved in a session: what rests on it follows as ``repair`` has it, and undo takes it back."""

import json

import numpy as np
import pytest
from cotyle.anatomy.landmarks import Origin
from cotyle.case.stages import cup_of
from cotyle.errors import InputError
from cotyle.space.mesh_queries import MeshQuery
from cotyle_platform.session import PlanningSession

LONG = 120.0
NAME = "asis_right"


def moved(session, way):
    session.move_landmark(NAME, session.landmarks[NAME].lps_mm + way)


def save_as_repair_does(session, name, point, command, case, folder):
    """The command line, given the same point in a file, plans and measures the same to the last digit."""
    corrected, other = folder / "points.json", folder / "repaired"
    corrected.write_text(json.dumps({name: {"lps_mm": list(point), "origin": "given"}}))
    code, _, err = command("repair", case, "--landmarks", corrected, "--out", other, "--no-pdf", "--json")
    assert code == 0, err
    session.save()
    assert session.settle(LONG)
    for written in ("measurements.json", "plan.json", "landmarks.json"):
        assert (case / written).read_bytes() == (other / written).read_bytes(), written


def test_frames_and_proposal_follow_a_moved_landmark(session, heard, command, own_case, tmp_path):
    point = session.landmarks[NAME].lps_mm + [0.0, -6.0, 4.0]
    session.move_landmark(NAME, point)
    assert session.surveying
    assert session.stale
    np.testing.assert_allclose(session.landmarks[NAME].lps_mm, point, atol=0.0005)
    assert session.settle(LONG)
    assert not session.surveying
    assert session.anatomy.landmarks[NAME].origin is Origin.GIVEN
    save_as_repair_does(session, NAME, point, command, own_case, tmp_path)
    reopened = PlanningSession.open(own_case)
    assert reopened.settle(LONG)
    assert reopened.full.measured.as_dict() == session.full.measured.as_dict()
    reopened.close()


def test_a_landmark_is_brought_onto_its_bone_or_refused_where_it_is_too_far_away(session):
    session.move_landmark(NAME, session.landmarks[NAME].lps_mm + [0.0, -4.0, 3.0], onto_bone=True)
    surface = session.anatomy.surfaces["right_hip_bone"]
    place = session.landmarks[NAME].lps_mm
    assert MeshQuery(surface).signed_distance(place[None])[0] == pytest.approx(0, abs=0.002)
    before = session.landmarks
    with pytest.raises(InputError, match="landmark-off-bone"):
        session.move_landmark(NAME, place + [0.0, -60.0, 0.0], onto_bone=True)
    assert session.landmarks == before


def test_a_landmark_that_stays_where_it_is_does_not_become_one_placed_by_hand(session):
    session.move_landmark(NAME, session.landmarks[NAME].lps_mm + 0.01)
    session.reset_landmark(NAME)
    assert not session.surveying
    assert session.landmarks[NAME].origin is Origin.DETECTED


def test_a_landmark_moved_while_the_cup_is_dragged_is_a_step_of_its_own(session):
    before = session.plan
    moved(session, [0.0, -6.0, 4.0])
    with session.drag():
        session.move(along_axis_mm=1.0)
        dragged = session.plan
        assert session.settle(LONG)
        session.move(along_axis_mm=0.5)
    session.undo()
    assert session.landmarks[NAME].origin is Origin.GIVEN
    session.undo()
    assert session.plan == dragged
    assert session.landmarks[NAME].origin is Origin.DETECTED
    session.undo()
    assert session.plan == before


def test_nothing_is_made_again_over_a_landmark_that_is_being_worked_out(session):
    session.move(along_axis_mm=1.0)
    session.undo()
    assert session.can_redo
    moved(session, [0.0, -6.0, 4.0])
    assert not session.can_redo
    session.redo()
    assert session.settle(LONG)
    assert session.landmarks[NAME].origin is Origin.GIVEN


def test_undo_takes_a_landmark_back_and_redo_moves_it_again(session):
    plan, anatomy = session.plan, session.anatomy
    moved(session, [0.0, -6.0, 4.0])
    assert session.settle(LONG)
    changed = session.plan
    session.undo()
    assert session.plan == plan
    assert session.anatomy is anatomy
    session.redo()
    assert session.plan == changed
    assert session.anatomy.landmarks[NAME].origin is Origin.GIVEN


def test_undo_while_it_is_being_worked_out_takes_the_move_back(session, heard):
    session.move(along_axis_mm=1.0)
    plan = session.plan
    moved(session, [0.0, -6.0, 4.0])
    session.undo()
    assert not session.surveying
    assert session.settle(LONG)
    assert session.plan == plan
    assert session.can_undo
    assert session.landmarks[NAME].origin is Origin.DETECTED


def test_a_cup_that_was_chosen_stays_where_it_is(session):
    session.move(along_axis_mm=1.0)
    center = session.plan.cup.center_lps_mm
    moved(session, [0.0, -6.0, 4.0])
    assert session.settle(LONG)
    assert session.plan.cup.center_lps_mm == center
    assert np.array_equal(cup_of(session.plan, session.numbers.pelvis).center_lps_mm, center)


def test_a_landmark_outside_the_scan_goes_back_with_one_line(session, heard):
    before = session.landmarks[NAME]
    moved(session, [0.0, 0.0, 900.0])
    assert session.settle(LONG)
    assert "failed" in heard.kinds()
    assert "landmark-outside" in session.failure
    assert "\n" not in session.failure
    assert session.landmarks[NAME] is before
    assert session.revision == 0
    assert not session.can_undo


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_ours_takes_the_landmark_back_and_is_told(session, monkeypatch):
    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr("cotyle_platform.session.session.surveyed", broken)
    moved(session, [0.0, -6.0, 4.0])
    assert session.settle(LONG)
    assert not session.surveying
    assert "ZeroDivisionError" in session.failure
    assert session.landmarks[NAME].origin is Origin.DETECTED


def test_a_landmark_put_off_its_bone_by_eye_is_taken(session):
    moved(session, [-20.0, -20.0, 0.0])
    assert session.settle(LONG)
    assert session.failure == ""
    assert session.landmarks[NAME].origin is Origin.GIVEN


def test_a_landmark_that_was_not_found_is_added_as_the_command_line_adds_it(session, command, own_case, tmp_path):
    name, sacrum = "coccyx_tip", session.anatomy.surfaces["sacrum"].vertices_lps_mm
    assert name not in session.landmarks
    session.move_landmark(name, sacrum[sacrum[:, 2].argmin()] + [0.0, 0.0, -2.0], onto_bone=True)
    assert session.settle(LONG)
    point = session.anatomy.landmarks[name].lps_mm
    save_as_repair_does(session, name, point, command, own_case, tmp_path)
    reopened = PlanningSession.open(own_case)
    assert reopened.landmarks[name].origin is Origin.GIVEN
    reopened.close()
    session.undo()
    assert name not in session.landmarks


def test_a_landmark_can_be_put_back_where_it_was_found(session):
    found = session.landmarks[NAME].lps_mm
    moved(session, [0.0, -6.0, 4.0])
    assert session.settle(LONG)
    session.reset_landmark(NAME)
    assert session.settle(LONG)
    assert session.landmarks[NAME].origin is Origin.DETECTED
    np.testing.assert_allclose(session.landmarks[NAME].lps_mm, found, atol=1e-9)
