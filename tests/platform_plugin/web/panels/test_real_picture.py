import asyncio
import json

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle_platform.web.panels.comparison_shown import ShownComparison
from cotyle_platform.web.panels.picture_tray import picture_of_view
from cotyle_platform.web.panels.real_picture import RealPicture

from tests.platform_plugin.web.panels.sent_pictures import ANSWERS, NAME, answer_all, dcm, png, send
from tests.xray.pictures.makers import PLANTED_ID, PLANTED_NAME, body, shown
from tests.xray.registration.scenes import SIZE, take


def done(real, act):
    """Do something on the panel and wait for what it set going."""

    async def run():
        act()
        await real._working
        await asyncio.gather(*(each for each in asyncio.all_tasks() if each is not asyncio.current_task()))

    asyncio.run(run())


def open_questions(desk):
    return {each["name"] for each in desk.state.real_picture_questions if each["open"]}


def test_what_nobody_said_is_asked_and_what_is_answered_is_not_asked_again(desk, real):
    send(desk, png())
    assert {"patient_orientation", "pixel_pitch_mm", "tube"} <= open_questions(desk)
    answer_all(real)
    assert open_questions(desk) == set()
    assert desk.state.real_picture["sides"] == ["R", "L"]
    real.answer("tube", "")
    assert open_questions(desk) == {"tube"}


def test_answers_that_come_while_the_picture_is_read_are_all_taken(desk, real):
    async def answer():
        send(desk, png())
        answer_all(real)
        assert desk.state.real_picture_reading
        await asyncio.gather(*real._tasks)

    asyncio.run(answer())
    assert desk.state.real_picture_answers == ANSWERS
    assert open_questions(desk) == set()
    assert not desk.state.real_picture_reading


def test_an_answer_that_is_no_number_is_refused_and_the_others_stay(desk, real):
    send(desk, png())
    answer_all(real)
    real.answer("source_detector_mm", "far")
    assert "must be a number" in desk.state.real_picture_message
    assert desk.state.real_picture_answers["source_detector_mm"] == "1000"


def test_a_bad_file_is_refused_in_one_line_and_nothing_is_lost(desk, real):
    send(desk, png())
    answer_all(real)
    before = desk.state.real_picture["real"]
    send(desk, b"no picture at all", "notes.txt")
    assert desk.state.real_picture_message.startswith("this is no picture")
    assert "\n" not in desk.state.real_picture_message
    assert desk.state.real_picture["real"] == before
    assert desk.state.real_picture_answers == ANSWERS


def test_neither_the_files_name_nor_the_patients_comes_to_the_page(desk, real):
    send(desk, dcm(), NAME)
    shown_text = json.dumps({k: v for k, v in desk.state.to_dict().items() if k.startswith("real_")}, default=str)
    for planted in ("Sample", PLANTED_ID, PLANTED_NAME.split("^")[0]):
        assert planted.lower() not in shown_text.lower()
    assert desk.state.real_picture_file is None


def test_it_is_said_that_a_case_cannot_tell_whose_picture_it_is(desk, real):
    send(desk, dcm())
    answer_all(real)
    assert any("the CT and the picture show the same patient" in doubt for doubt in desk.state.real_picture["doubts"])


def test_comparing_waits_for_the_view_and_for_the_answers(desk, real):
    desk.session.settle()
    send(desk, png())
    done(real, real.start)
    assert "still to be said" in desk.state.real_picture_message
    answer_all(real)
    done(real, real.start)
    assert "which view" in desk.state.real_picture_message
    assert not desk.state.real_picture_busy


def test_several_pictures_of_a_moment_have_answers_and_views_of_their_own(desk, real):
    send(desk, png())
    answer_all(real)
    desk.set(real_picture_view="ap_hip")
    send(desk, png(shown(body())[:, ::-1]))
    assert open_questions(desk) > {"tube"}
    assert desk.state.real_picture_view == ""
    desk.set(real_picture_view="inlet")
    assert [words[:2] for words in desk.state.real_picture_tabs] == ["1:", "2:"]
    done(real, real.start)
    assert desk.state.real_picture_message.startswith("picture 2: still to be said")
    real.choose(0)
    assert desk.state.real_picture_answers == ANSWERS
    assert desk.state.real_picture_view == "ap_hip"
    real.take_away()
    assert desk.state.real_picture_view == "inlet"
    assert len(desk.state.real_picture_tabs) == 1


def test_pictures_of_two_patients_are_refused_in_one_line_and_the_first_stays(desk, real):
    send(desk, dcm())
    before = desk.state.real_picture["real"]
    send(desk, dcm(PatientID="77-1", PatientName="Sample^Sven", PatientBirthDate="19500101"))
    assert "different patients" in desk.state.real_picture_message
    assert "Sven" not in desk.state.real_picture_message
    assert len(desk.state.real_picture_tabs) == 1
    assert desk.state.real_picture["real"] == before


def test_more_pictures_than_are_compared_together_are_refused(desk, real):
    for _ in range(5):
        send(desk, png())
    assert len(desk.state.real_picture_tabs) == 4
    assert "no more than 4" in desk.state.real_picture_message


def test_a_clicked_point_stays_where_it_is_in_the_body_when_the_picture_is_turned(desk, real):
    send(desk, png())
    answer_all(real)
    columns = desk.state.real_picture["columns"]
    real.point("teardrop_left", 30.0, 40.0)
    real.point("teardrop_left", 31.0, 42.0)  # a place is one point: the last click counts
    assert desk.state.real_picture_points == {"teardrop_left": [(31.0, 42.0)]}
    real.answer("patient_orientation", "R/F")
    assert desk.state.real_picture_points == {"teardrop_left": [(columns - 1 - 31.0, 42.0)]}
    real.set_points("teardrop_left", [])
    assert desk.state.real_picture_points == {}


def test_no_point_is_taken_before_it_is_said_which_way_the_picture_is_shown(desk, real):
    send(desk, png())
    real.point("rim", 30.0, 40.0)
    assert "must be said" in desk.state.real_picture_message
    assert desk.state.real_picture_points == {}


def test_clicked_points_and_the_machines_angles_reach_the_comparison(desk, real):
    rim = [(60 + 12 * np.cos(turn), 50 + 7 * np.sin(turn)) for turn in np.arange(6)]
    send(desk, png())
    answer_all(real, patient_orientation="R/F", primary_deg="12", secondary_deg="-3,5")
    desk.set(real_picture_view="ap_hip")
    for at in rim:
        real.point("rim", *at)
    real.point("symphysis", 20.0, 30.0)
    picture = picture_of_view(real._slot)
    np.testing.assert_allclose(picture.rim_px, rim)
    np.testing.assert_allclose(picture.clicked_px["symphysis"], (20.0, 30.0))
    assert picture.turned_to_deg == (12.0, -3.5)
    real.answer("secondary_deg", "")
    with pytest.raises(InputError, match="only one of"):
        picture_of_view(real._slot)


def test_a_ball_of_known_size_tells_the_size_of_a_pixel(desk, real):
    send(desk, png())
    answer_all(real, pixel_pitch_mm="")
    desk.set(real_picture_view="ap_hip")
    assert open_questions(desk) == {"pixel_pitch_mm"}
    rows, columns = desk.state.real_picture["rows"], desk.state.real_picture["columns"]
    middle = np.array([columns - 1, rows - 1]) / 2
    for turn in np.deg2rad([0, 90, 180, 270]):
        real.point("sphere", *(middle + 25.0 * np.array([np.cos(turn), np.sin(turn)])))
    assert open_questions(desk) == {"pixel_pitch_mm"}
    real.answer("sphere_diameter_mm", "28")
    assert open_questions(desk) == set()
    pitch, _ = picture_of_view(real._slot).radiograph.geometry.pixel_pitch_mm
    # a ball in the central ray 700 mm away, its outline where rays touch it: 1000 tan(asin(14 / 700)) mm across it
    assert pitch == pytest.approx(1000 * np.tan(np.arcsin(14 / 700)) / 25.0, rel=1e-3)


def test_a_picture_put_away_is_gone_from_everywhere(desk, real):
    send(desk, png())
    real.take_away()
    assert desk.state.real_picture is None
    assert desk.state.real_picture_questions == []
    assert real.desk.comparison is None


def test_a_comparison_belongs_to_its_plan_also_when_that_comes_back(desk):
    session, file, said = desk.session, object(), None
    shown = ShownComparison(file, said, (), session.revision, session.state).beside(session)
    assert shown.revision == session.revision
    session.move(along_axis_mm=1.0)
    moved = shown.beside(session)
    assert moved.revision != session.revision
    session.undo()
    assert moved.beside(session).revision == session.revision
    session.redo()
    assert moved.beside(session).beside(session).revision != session.revision


def shown_again(case):
    """Open a case anew, with its panels."""
    from types import SimpleNamespace

    from cotyle_platform.session import PlanningSession
    from cotyle_platform.web.panels import OrientationField
    from trame_server import Server

    session, server = PlanningSession.open(case), Server("again", vn_constructor=None)
    server.client_type = "vue3"
    server.state.ready()
    real = RealPicture(server, session)
    OrientationField(server, session)
    marks = server.state.orientation_field["marks"]
    return SimpleNamespace(session=session, state=server.state, real=real, field=marks)


def test_a_kept_comparison_that_is_damaged_is_said_in_one_line(own_case):
    (own_case / "comparison-3.json").write_text("{")
    again = shown_again(own_case)
    assert again.state.real_picture_message.startswith("comparison-3 can't be shown")
    assert again.state.real_picture_keeps == []
    again.session.close()


@pytest.mark.slow
def test_a_picture_of_the_case_is_compared_with_the_plan_and_kept(desk, real, sample_series, viewed_case):
    from cotyle.space.side import Side

    _, volume, truth = sample_series
    scene = take(volume, truth, Side.RIGHT)
    grey = scene.picture.attenuation
    low, high = np.percentile(grey, [0.5, 99.9])
    desk.session.settle()
    send(desk, png((65535 * np.clip((grey - low) / (high - low), 0, 1)).astype(np.uint16)))
    answer_all(real, polarity="bone_light", pixel_pitch_mm=str(300.0 / SIZE), source_isocenter_mm="680")
    desk.set(real_picture_view="ap_hip", real_picture_size="50")

    async def compare():
        real.start()
        assert desk.state.real_picture_busy
        await real._working

    asyncio.run(compare())
    assert not desk.state.real_picture_busy
    result = desk.state.real_picture_result
    assert result["verdict"] == "converged"
    assert any(row[0].startswith("inclination") for row in result["rows"])
    picture = desk.state.real_picture
    assert picture["compared"]
    assert {line["kind"] for line in picture["lines"]} >= {"edge", "planned_outline", "found_outline"}
    assert real.desk.comparison.cup is not None
    done(real, real.keep)
    assert desk.state.real_picture_message == ""
    kept = desk.state.real_picture_result["kept"]
    file = json.loads((viewed_case / f"{kept}.json").read_text(encoding="utf-8"))
    assert file["verdict"] == "converged"
    assert "a real picture against the plan" in (viewed_case / "report.html").read_text(encoding="utf-8")
    again = shown_again(viewed_case)
    assert again.state.real_picture is None  # the simulated view comes first
    assert again.state.real_picture_keeps == [{"number": 1, "words": "1: ap hip, converged"}]
    same = ("verdict", "words", "rows", "doubts", "kept")
    assert {key: again.state.real_picture_result[key] for key in same} == {
        key: desk.state.real_picture_result[key] for key in same
    }
    assert again.real.desk.comparison.as_dict() == real.desk.comparison.as_dict()
    assert any(mark["kind"] == "found" for mark in again.field)
    again.real.show_kept(1)
    assert again.state.real_picture["compared"]
    assert again.state.real_picture["real"].startswith("data:image/png")
    again.session.close()
    desk.session.move(along_axis_mm=1.0)
    assert desk.state.real_picture_result["old"]
    desk.session.undo()  # the plan is the one again that was compared
    assert not desk.state.real_picture_result["old"]
    assert real.desk.compared_revision == desk.session.revision
    desk.session.redo()
    assert desk.state.real_picture_result["old"]
    real.keep()
    assert "save it" in desk.state.real_picture_message
    assert not (viewed_case / "comparison-2.json").exists()
    (viewed_case / "comparison-1.json").unlink()  # as saving another plan does
    real.heard("saved", desk.session.revision)
    assert desk.state.real_picture_keeps == []
    assert "no longer in the case" in desk.state.real_picture_message
