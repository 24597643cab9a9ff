"""A landmark moved in a session: what rests on it follows as ``repair`` has it, and undo takes it back."""

import json

import numpy as np
import pytest
from cotyle.anatomy.landmarks import Origin
from cotyle.case.stages import cup_of

LONG = 120.0
NAME = "asis_right"


def moved(session, way):
    session.move_landmark(NAME, session.landmarks[NAME].lps_mm + way)


def test_frames_and_proposal_follow_a_moved_landmark(session, heard, command, own_case, tmp_path):
    point = session.landmarks[NAME].lps_mm + [0.0, -6.0, 4.0]
    session.move_landmark(NAME, point)
    assert session.surveying
    assert session.stale
    assert np.array_equal(session.landmarks[NAME].lps_mm, point)
    assert session.settle(LONG)
    assert not session.surveying
    assert session.anatomy.landmarks[NAME].origin is Origin.GIVEN
    # the command line, given the same point in a file, plans the same cup
    corrected = tmp_path / "points.json"
    corrected.write_text(json.dumps({NAME: {"lps_mm": list(point), "origin": "given", "uncertainty_mm": 2.0}}))
    code, out, err = command("repair", own_case, "--landmarks", corrected, "--no-pdf", "--json")
    assert code == 0, err
    repaired = json.loads(out)
    assert session.numbers.cup.center_lps_mm == pytest.approx(repaired["cup"]["center_lps_mm"], abs=1e-9)
    assert session.numbers.cup.opening_axis_lps == pytest.approx(repaired["cup"]["opening_axis_lps"], abs=1e-9)
    assert session.numbers.wall.along_axis_mm == pytest.approx(repaired["wall"]["along_axis_mm"], abs=1e-9)
    assert session.full.measured.as_dict()["pelvis"] == repaired["pelvis"]


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


def test_a_landmark_can_be_put_back_where_it_was_found(session):
    found = session.landmarks[NAME].lps_mm
    moved(session, [0.0, -6.0, 4.0])
    assert session.settle(LONG)
    session.reset_landmark(NAME)
    assert session.settle(LONG)
    assert session.landmarks[NAME].origin is Origin.DETECTED
    np.testing.assert_allclose(session.landmarks[NAME].lps_mm, found, atol=1e-9)
