from types import SimpleNamespace

import pytest
from cotyle.case.measurements import Angles
from cotyle.cup.orientation import Definition
from cotyle_platform.web.panels import OrientationField

from tests.platform_plugin.web.panels.decided_stand_in import decided_on


@pytest.fixture
def field(desk):
    return OrientationField(desk.server, desk.session)


def angles(desk):
    return desk.state.orientation_field["inclination"], desk.state.orientation_field["anteversion"]


def kinds(desk):
    return {mark["kind"] for mark in desk.state.orientation_field["marks"]}


def test_a_drag_turns_the_cup_in_the_targets_words_and_is_one_step_of_undo(desk, field):
    before = desk.session.plan
    for inclination, anteversion in ((41.23, 17.0), (43.0, 19.0)):
        desk.set(orientation_field_hand={"inclination": inclination, "anteversion": anteversion})
    # the last place comes with the end of the drag: the page may send both as one
    desk.set(orientation_field_hand={"inclination": 44.26, "anteversion": 21.14, "ends": True})
    assert desk.state.orientation_field_hand is None
    assert angles(desk) == pytest.approx((44.3, 21.1))
    chosen, targets = desk.session.plan.cup.orientation, desk.session.plan.targets
    assert (chosen.inclination_deg, chosen.anteversion_deg) == (44.3, 21.1)
    assert (chosen.definition, chosen.frame) == (targets.definition, targets.frame)
    desk.session.undo()
    assert desk.session.plan == before
    assert not desk.session.can_undo


def test_each_press_of_a_key_turns_by_its_step(desk, field):
    inclination, anteversion = angles(desk)
    for _ in range(2):
        desk.set(orientation_field_step={"inclination": 0.5, "anteversion": 0})
    desk.set(orientation_field_step={"inclination": 0, "anteversion": -0.5})
    assert angles(desk) == pytest.approx((inclination + 1.0, anteversion - 0.5), abs=0.051)


def test_angles_that_make_no_cup_are_refused_in_a_line_and_nothing_changes(desk, field):
    before = desk.session.plan
    desk.set(orientation_field_hand={"inclination": 40.0, "anteversion": 200.0})
    assert desk.state.orientation_field_refused
    assert "\n" not in desk.state.orientation_field_refused
    desk.set(orientation_field_hand=None)
    assert desk.session.plan == before
    desk.set(orientation_field_step={"inclination": 0.5, "anteversion": 0})
    assert desk.state.orientation_field_refused == ""


def test_marks_are_those_of_the_report_and_of_what_is_compared(desk, field):
    assert {"native", "plan_supine", "plan_app"} <= kinds(desk)
    field.desk.keep(desk.session.numbers)
    frame = desk.session.plan.targets.frame
    found, spread = (
        {frame: {Definition.RADIOGRAPHIC: Angles(inclination_deg=inclination, anteversion_deg=anteversion)}}
        for inclination, anteversion in ((45.0, 12.0), (0.8, 1.5))
    )
    file = SimpleNamespace(orientation=found, uncertainty=SimpleNamespace(orientation=spread))
    field.desk.compared(file, desk.session.revision)
    found = next(mark for mark in desk.state.orientation_field["marks"] if mark["kind"] == "found")
    assert (found["inclination_deg"], found["anteversion_deg"], found["sd_deg"]) == (45.0, 12.0, (0.8, 1.5))
    assert "kept" in kinds(desk)
    assert not desk.state.orientation_field["found_old"]
    desk.session.change_orientation(inclination_deg=42.0)
    assert desk.state.orientation_field["found_old"]


def test_where_procedures_end_is_shown_in_their_own_angles_only(desk, field):
    plan = desk.session.plan
    field.desk.decide(decided_on(plan))
    ends = desk.state.orientation_field_ends
    assert ends["kept"] == "M40 -17.5h0M36 -12h0"
    assert ends["thin"] == "M45 -20h0"
    assert "3 procedures" in ends["words"]
    targets = plan.targets.model_copy(update={"frame": "app"})
    field.desk.decide(decided_on(plan.model_copy(update={"targets": targets})))
    assert desk.state.orientation_field_ends is None
