import json

import pytest
from cotyle.case.asked_view import POSTURE
from cotyle_platform.web.panels import PosturePanel, ScreenPanel
from cotyle_platform.web.panels.posture import seated_in


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
    assert desk.state.posture_seated == -28.5
    posture.seat("-90")
    assert desk.state.posture["refused"]
    posture.seat("")
    assert names(desk) == ["lying", "standing"]


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
    before, revision = desk.session.plan, desk.session.revision
    posture.seat("-28")
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
