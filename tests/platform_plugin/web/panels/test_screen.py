import base64
import io

import numpy as np
import pytest
from cotyle.case.asked_view import ViewRequest, asked_view
from cotyle.case.simulated import view_cues
from cotyle.report.screen_words import VIEW_WORDS
from cotyle.xray.carm import Tube
from cotyle.xray.outlines import hemisphere_outline
from cotyle.xray.views import view_angles_deg
from cotyle_platform.web.panels import ScreenPanel
from PIL import Image


@pytest.fixture
def screen(desk):
    made = ScreenPanel(desk.server, desk.session)
    desk.session.settle()
    return made


def line(desk, kind):
    text = next((each["points"] for each in desk.state.screen["lines"] if each["kind"] == kind), None)
    return None if text is None else np.array([[float(x) for x in pair.split(",")] for pair in text.split()])


def test_the_first_view_comes_with_its_outlines_and_says_that_it_is_simulated_and_how(desk, screen):
    head, data = desk.state.screen_picture.split(",")
    assert head == "data:image/jpeg;base64"
    picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(data))), dtype=float)
    drawn = desk.session.screen.shown.pixels
    assert picture.shape == drawn.shape
    assert np.abs(picture - drawn).mean() < 2.0
    shown = desk.state.screen
    assert "supine frame" in shown["words"]
    assert "tube under the table" in shown["words"]
    assert list(shown["sides"]) == ["R", "L"]
    assert not desk.state.screen_stale
    kinds = {each["kind"] for each in shown["lines"]}
    assert {"cup_outline", "cup_rim", "reamer_outline", "reamer_axis", "bone_teardrops", "bone_ilioischial"} <= kinds


def test_outlines_follow_the_plan_at_once_over_the_picture_that_is_there(desk, screen):
    picture, before = desk.state.screen_picture, line(desk, "cup_outline")
    desk.session.move(medial_mm=3.0)
    numbers, view = desk.session.numbers, desk.session.screen.shown.view
    expected = hemisphere_outline(view.carm, numbers.cup.rim, 91).silhouette_px
    assert line(desk, "cup_outline") == pytest.approx(expected, abs=0.051)
    assert np.abs(line(desk, "cup_outline") - before).max() > 1.0
    desk.session.settle()
    assert desk.state.screen_picture == picture


def test_the_reamer_moves_with_the_common_position_and_the_cues_are_its_own(desk, screen):
    desk.set(reaming_position=0.0)
    assert desk.state.screen["cues"] == []
    desk.set(screen_tab="cues")
    steps = desk.session.numbers.steps
    assert desk.state.screen["heads"][0] == f"{steps[0].diameter_mm:g} mm reamer here"
    start = line(desk, "reamer_outline")
    desk.set(reaming_position=desk.state.screen["way"])
    assert desk.state.screen["heads"][0] == f"{steps[-1].diameter_mm:g} mm reamer here"
    assert np.abs(line(desk, "reamer_outline").mean(axis=0) - start.mean(axis=0)).max() > 1.0
    seated = {row["words"]: row["values"][1] for row in desk.state.screen["cues"]}
    cues = view_cues(desk.session.numbers, desk.session.screen.shown.view)
    assert seated["edge lateral to the teardrop"].replace("−", "-") == f"{cues['medial_edge_to_teardrop_mm']:.1f}"


@pytest.mark.parametrize("name", ["inlet", "obturator_oblique"])
def test_a_named_view_sets_every_control_back(desk, screen, name):
    desk.set(screen_roll=10.0, screen_left=40.0, screen_primary=12.0)
    screen.named(name)
    state = desk.state
    assert (state.screen_primary, state.screen_secondary) == view_angles_deg(name, desk.session.plan.side)
    assert (state.screen_roll, state.screen_left, state.screen_head) == (0.0, 0.0, 0.0)
    desk.session.settle()
    assert desk.session.screen.shown.view.name == name
    assert name.replace("_", " ") in state.screen["words"]


def test_the_controls_ask_for_the_view_that_they_say(desk, screen):
    desk.set(
        screen_primary=15.0, screen_secondary=-10.0, screen_roll=5.0, screen_left=20.0, screen_head=-8.0,
        screen_far=1100.0, screen_near=650.0, screen_tube="over_table", screen_frame="app",
    )  # fmt: skip
    desk.session.settle()
    expected = ViewRequest(
        "ap_pelvis", "app", 15.0, -10.0, 5.0, (20.0, 0.0, -8.0), Tube.OVER_TABLE,
        source_detector_mm=1100.0, source_isocenter_mm=650.0,
    )  # fmt: skip
    assert desk.session.screen.asked == expected
    carm = asked_view(desk.session.numbers, expected).carm
    assert carm.source_detector_mm == pytest.approx(1100.0)
    assert desk.session.screen.shown.view.carm.source_lps_mm == pytest.approx(carm.source_lps_mm)


def test_controls_that_make_no_view_are_said_in_a_line_and_the_last_picture_stays(desk, screen):
    picture, asked = desk.state.screen_picture, desk.session.screen.asked
    desk.set(screen_near=1500.0)
    assert "source" in desk.state.screen_refused
    assert "\n" not in desk.state.screen_refused
    desk.session.settle()
    assert (desk.state.screen_picture, desk.session.screen.asked) == (picture, asked)
    desk.set(screen_near=700.0)
    assert desk.state.screen_refused == ""


def test_every_view_that_has_a_name_is_one_click_away(desk, screen):
    assert desk.state.screen_views == VIEW_WORDS
