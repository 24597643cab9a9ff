import json

import pytest
from cotyle.case.asked_view import POSTURE
from cotyle.case.plan_file import PlanFile
from cotyle_platform.web.panels import PosturePanel, ScreenPanel
from cotyle_platform.web.panels.posture import PostureMark, seated_in


@pytest.fixture
def posture(desk):
    desk.session.change(posture={"standing_tilt_change_deg": -9.0, "measured": True})
    desk.screen = ScreenPanel(desk.server, desk.session)
    return PosturePanel(desk.server, desk.session)


def names(desk):
    return [mark["name"] for mark in desk.state.posture["marks"]]


def test_lying_and_standing_are_marked_and_seated_only_where_it_was_given(desk, posture):
    assert names(desk) == ["lying", "standing"]
    posture.seat("-28,5")
    assert names(desk) == ["lying", "standing", "seated"]
    posture.seat("far")
    assert desk.state.posture["refused"]
    assert desk.state.posture_seated == -28.5
    posture.seat("-90")
    assert desk.state.posture["refused"]
    assert desk.session.plan.posture.seated_tilt_change_deg == -28.5
    posture.seat("")
    assert names(desk) == ["lying", "standing"]


def test_how_the_pelvis_sits_is_kept_in_the_plan_and_moves_no_number(desk, posture, tmp_path):
    session, before = desk.session, desk.session.plan
    numbers = session.numbers
    posture.seat("-31")
    assert session.plan == before.model_copy(
        update={"posture": before.posture.model_copy(update={"seated_tilt_change_deg": -31.0})}
    )
    assert (session.numbers.cup, session.numbers.wall) == (numbers.cup, numbers.wall)
    session.undo()
    assert desk.state.posture_seated is None
    assert (session.plan, names(desk)) == (before, ["lying", "standing"])
    session.redo()
    assert names(desk) == ["lying", "standing", "seated"]
    session.plan.write(tmp_path / "plan.json")
    assert PlanFile.read(tmp_path / "plan.json") == session.plan


def test_the_plans_word_goes_before_what_decisions_were_given_and_says_that_they_differ(desk, posture):
    posture._decided = PostureMark("seated", -22.0, "from two sacral slopes")
    posture.refresh()
    assert "-22 deg, from two sacral slopes" in desk.state.posture["marks"][-1]["words"]
    posture.seat("-31")
    assert desk.state.posture["marks"][-1]["words"].startswith("-31 deg, given, in the plan; decisions go by -22 deg")
    posture.seat("")
    assert desk.state.posture["marks"][-1]["words"].startswith("-22 deg")


def test_a_posture_is_told_in_words_with_the_cups_angles_in_it(desk, posture):
    posture.choose("standing")
    standing = desk.session.numbers.orientations["standing"][desk.session.angles_in[0]]
    words = desk.state.posture["words"]
    assert words.startswith("standing, measured: ")
    assert f"{standing.inclination_deg:.1f} and {standing.anteversion_deg:.1f} deg" in words
    posture.slide(-20)
    assert desk.state.posture["words"].startswith("-20 deg from lying: ")
    assert desk.state.posture["at"] == ""


def test_the_simulated_view_follows_and_the_plan_stays(desk, posture):
    posture.seat("-28")
    before, revision = desk.session.plan, desk.session.revision
    for name, frame in (("standing", "standing"), ("seated", POSTURE), ("lying", "supine")):
        posture.choose(name)
        assert desk.state.screen_frame == frame
        assert desk.screen._asked.frame == frame
    posture.slide(-14)
    assert desk.screen._asked.tilt_change_deg == -14.0
    desk.set(screen_frame="standing")
    assert desk.state.posture_tilt == -9.0
    assert (desk.session.plan, desk.session.revision) == (before, revision)


def test_seated_is_read_where_it_was_given_to_decide_and_not_where_it_is_assumed(tmp_path):
    (tmp_path / "decision").mkdir()
    for how, found in (("assumed", None), ("from two sacral slopes", -31.0)):
        seated = {"how": how, "change_from_supine_deg": -31.0}
        (tmp_path / "decision" / "posture.json").write_text(json.dumps({"postures": {"seated": seated}}))
        mark = seated_in(tmp_path)
        assert found == (None if mark is None else mark.tilt_deg)
    (tmp_path / "decision" / "posture.json").write_text("{")
    assert seated_in(tmp_path) is None
