"""A session around a planned case: the plan is the truth, numbers are of this revision, dear results say of which."""

import queue
import threading

import numpy as np
import pytest
from cotyle.case.asked_view import ViewRequest
from cotyle.case.plan_file import OrientationChoice
from cotyle.case.stages import plan_cup
from cotyle.cup.orientation import Definition
from cotyle.errors import InputError
from cotyle.space.rotations import angle_between_deg
from cotyle_platform.session import PlanningSession

LONG = 60.0


def test_an_opened_case_has_the_numbers_of_its_measurements(session, planned_case):
    written = planned_case.measurements
    numbers = session.numbers
    assert round(numbers.wall.along_axis_mm, 9) == written["wall"]["along_axis_mm"]
    assert round(numbers.wall.minimum_mm, 9) == written["wall"]["minimum_mm"]
    assert round(numbers.coverage.fraction, 9) == written["coverage"]["fraction"]
    assert round(numbers.press_fit.proud_mm, 9) == written["press_fit"]["proud_mm"]
    shift = written["center_shift"]["from_native_mm"]
    assert round(numbers.center_shift.medial, 9) == shift["medial"]
    angles = written["orientation"]["supine"]["radiographic"]
    assert (
        round(numbers.orientations["supine"][Definition.RADIOGRAPHIC].inclination_deg, 9) == angles["inclination_deg"]
    )
    assert session.settle(LONG)
    found = session.full.measured.as_dict()
    for part in ("wall", "coverage", "reaming", "orientation", "native", "verdict"):
        assert found[part] == written[part]


def test_every_change_raises_the_revision_and_is_told_at_once(session, heard):
    session.change(outer_diameter_mm=60.0)
    session.move(along_axis_mm=1.0)
    session.change_orientation(anteversion_deg=22.0)
    assert session.revision == 3
    assert [each for each in heard.all if each[0] == "plan"] == [("plan", 1), ("plan", 2), ("plan", 3)]
    assert session.numbers.plan == session.plan
    assert session.numbers.cup.outer_diameter_mm == 60.0


def test_a_change_to_what_is_there_already_is_none(session, heard):
    session.change(outer_diameter_mm=session.plan.cup.outer_diameter_mm)
    session.move()
    assert session.revision == 0
    assert not session.can_undo
    assert "plan" not in heard.kinds()


def test_the_whole_measurement_follows_and_says_of_which_plan(session, heard):
    session.settle(LONG)
    assert (session.full.revision, session.stale) == (0, False)
    session.move(superior_mm=2.0)
    assert session.stale
    assert session.full.revision == 0
    assert session.settle(LONG)
    assert (session.full.revision, session.stale) == (1, False)
    anew = plan_cup(session.anatomy, session.hip.scan, session.plan)
    assert session.full.planned.wall.along_axis_mm == anew.wall.along_axis_mm == session.numbers.wall.along_axis_mm
    assert session.full.planned.coverage.fraction == session.numbers.coverage.fraction
    assert session.full.warnings
    assert heard.all[-1] == ("full", 1)


def test_of_many_changes_only_the_last_is_measured_in_full(session, heard):
    session.settle(LONG)
    heard.all.clear()
    with session.drag():
        for _ in range(8):
            session.move(medial_mm=0.25)
    assert session.settle(LONG)
    revisions = [revision for kind, revision in heard.all if kind == "full"]
    assert revisions[-1] == 8
    assert len(revisions) < 8


def test_a_drag_is_one_step_of_undo(session):
    before = session.plan
    with session.drag():
        for _ in range(3):
            session.move(along_axis_mm=0.5)
    session.undo()
    assert session.plan == before
    assert not session.can_undo
    session.redo()
    assert session.plan != before


def test_undo_brings_back_plan_and_numbers_of_every_kind_of_change(session):
    plan, wall = session.plan, session.numbers.wall.along_axis_mm
    session.change(outer_diameter_mm=46.0)
    session.change(targets={"least_wall_mm": 3.0})
    session.change(posture={"standing_tilt_change_deg": -10.0, "measured": True})
    session.change(reaming={"first_under_mm": 4.0})
    session.shift_to(medial_mm=1.0)
    session.place(opening_axis_lps=session.numbers.cup.opening_axis_lps + [0.05, 0.0, 0.0])
    for _ in range(6):
        session.undo()
    assert session.plan == plan
    assert session.numbers.wall.along_axis_mm == wall
    assert not session.can_undo


@pytest.mark.parametrize(
    "wrong",
    [
        {"outer_diameter_mm": 20.0},
        {"center_lps_mm": (0.0, float("inf"), 0.0)},
        {"targets": {"least_wall_mm": -1.0}},
        {"reaming": {"last_under_mm": 9.0}},
        {"posture": {"standing_tilt_change_deg": 95.0}},
        {"colour": "red"},
    ],
)
def test_a_change_that_makes_no_plan_is_refused_and_changes_nothing(session, heard, wrong):
    before = session.plan
    with pytest.raises(InputError):
        session.change(**wrong)
    assert session.plan is before
    assert session.revision == 0
    assert "plan" not in heard.kinds()


def test_a_cup_that_opens_into_the_body_is_refused(session):
    with pytest.raises(InputError) as caught:
        session.place(opening_axis_lps=-session.numbers.cup.opening_axis_lps)
    assert caught.value.code == "axis-inwards"
    assert session.revision == 0


def test_a_changed_plan_bears_no_verdict_on_another(session):
    assert session.plan.verdict is not None
    diameter = session.plan.cup.outer_diameter_mm
    session.change(outer_diameter_mm=diameter + 2.0)
    assert session.plan.verdict is None
    assert session.unsaved
    session.change(outer_diameter_mm=diameter)
    assert "outer_diameter_mm" not in session.plan.cup.proposed  # it was chosen
    session.undo()
    session.undo()
    assert session.plan.verdict is not None
    assert not session.unsaved


def test_angles_can_be_shown_in_other_words_without_moving_the_cup(session, heard):
    axis, plan = session.numbers.cup.opening_axis_lps, session.plan
    session.show_angles(Definition.ANATOMIC, "app")
    assert session.plan is plan
    assert heard.kinds() == ["plan"]
    shown = session.angles
    assert (shown.definition, shown.frame) == (Definition.ANATOMIC, "app")
    assert shown.inclination_deg == pytest.approx(
        session.numbers.orientations["app"][Definition.ANATOMIC].inclination_deg, abs=1e-9
    )
    session.change_orientation(inclination_deg=shown.inclination_deg + 2.0)
    assert session.angles.inclination_deg == pytest.approx(shown.inclination_deg + 2.0, abs=1e-9)
    assert session.angles.anteversion_deg == pytest.approx(shown.anteversion_deg, abs=1e-9)
    assert angle_between_deg(axis, session.numbers.cup.opening_axis_lps) == pytest.approx(2.0, abs=0.01)


def test_a_handle_puts_the_cup_where_it_was_dragged(session):
    center = session.numbers.cup.center_lps_mm + [1.0, 2.0, 3.0]
    axis = session.numbers.cup.opening_axis_lps + [0.0, 0.05, 0.0]
    session.place(center, axis)
    np.testing.assert_allclose(session.numbers.cup.center_lps_mm, center, atol=1e-8)
    assert angle_between_deg(session.numbers.cup.opening_axis_lps, axis) < 1e-6


def test_an_orientation_can_be_given_whole(session):
    choice = OrientationChoice(inclination_deg=45.0, anteversion_deg=10.0, definition="operative", frame="app")
    session.change(orientation=choice)
    assert session.plan.cup.orientation == choice


def test_the_view_that_was_asked_for_comes_with_the_cues_of_the_plan(session, heard):
    session.view_request(ViewRequest("ap_hip", size_px=96))
    assert session.settle(LONG)
    first = session.screen
    assert (first.revision, first.shown.pixels.shape) == (0, (96, 96))
    session.change_orientation(inclination_deg=50.0)
    assert session.settle(LONG)
    second = session.screen
    assert second.revision == 1
    assert np.array_equal(second.shown.pixels, first.shown.pixels)  # the bone is the same, the cup is drawn over it
    raised = second.shown.cues["apparent_inclination_deg"] - first.shown.cues["apparent_inclination_deg"]
    assert raised == pytest.approx(10.0, abs=2.0)


def test_while_the_machine_moves_views_may_be_coarse_and_the_last_is_fine(session):
    for turn in range(6):
        session.view_request(ViewRequest("ap_hip", primary_deg=float(turn), size_px=96))
    assert session.settle(LONG)
    assert session.screen.asked.primary_deg == 5.0
    assert not session.screen.coarse
    session.view_request(ViewRequest("ap_hip", primary_deg=0.0, size_px=96))
    session.settle(LONG)
    session.view_request(ViewRequest("ap_hip", primary_deg=5.0, size_px=96))
    again = session.screen.shown.pixels
    assert session.settle(LONG)
    assert not np.array_equal(session.screen.shown.pixels, again)


def test_a_view_that_no_machine_takes_fails_in_one_line(session, heard):
    session.view_request(ViewRequest("skyline"))
    assert session.settle(LONG)
    assert "failed" in heard.kinds()
    assert "skyline" in session.failure
    assert "\n" not in session.failure


def test_with_a_loop_all_is_taken_in_and_told_on_its_thread(own_case):
    calls, threads = queue.Queue(), set()
    session = PlanningSession.open(own_case, post=calls.put)
    try:
        session.subscribe(lambda *_: threads.add(threading.current_thread()))
        session.move(along_axis_mm=1.0)
        while session.stale:
            calls.get(timeout=LONG)()
        assert threads == {threading.current_thread()}
    finally:
        session.close()


def test_a_closed_session_says_nothing_more(session, heard):
    session.close()
    session.change(outer_diameter_mm=60.0)
    session.settle(LONG)
    assert heard.all == []


def test_what_is_no_case_is_not_opened(tmp_path):
    with pytest.raises(InputError) as caught:
        PlanningSession.open(tmp_path)
    assert caught.value.code == "case-not"
