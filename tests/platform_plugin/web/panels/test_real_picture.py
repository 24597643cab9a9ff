import asyncio
import io
import json

import numpy as np
import pytest
from cotyle.xray.pictures.patient_mark import mark_of
from cotyle_platform.web.panels.real_picture import RealPicture
from PIL import Image

from tests.xray.pictures.makers import PLANTED_ID, PLANTED_NAME, body, dicom, shown
from tests.xray.registration.scenes import SIZE, take

NAME = "Sample^Anna-1234.png"
ANSWERS = {
    "polarity": "bone_dark",
    "patient_orientation": "L/F",
    "pixel_pitch_mm": "0,4",
    "tube": "under_table",
    "source_detector_mm": "1000",
    "source_isocenter_mm": "700",
}


@pytest.fixture
def real(desk):
    return RealPicture(desk.server, desk.session)


def png(pixels=None):
    buffer = io.BytesIO()
    Image.fromarray(shown(body()) if pixels is None else pixels).save(buffer, format="png")
    return buffer.getvalue()


def dcm(**fields):
    buffer = io.BytesIO()
    dicom(shown(body()), **fields).save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def send(desk, content, name=NAME):
    desk.set(real_picture_file={"name": name, "size": len(content), "type": "", "content": content})


def answer_all(real, **more):
    for question, value in (ANSWERS | more).items():
        real.answer(question, value)


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
        await real._reads

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


def test_a_picture_of_another_patient_is_refused_in_one_line_and_nothing_is_lost(desk):
    desk.session.patient = mark_of({"PatientID": "77-1", "PatientName": "Sample^Anna", "PatientBirthDate": "19500101"})
    real = RealPicture(desk.server, desk.session)
    send(desk, png())
    before = desk.state.real_picture["real"]
    send(desk, dcm(), "IM0001")
    assert "different patients" in desk.state.real_picture_message
    assert desk.state.real_picture["real"] == before
    del real


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
    real.start()
    assert "still to be said" in desk.state.real_picture_message
    answer_all(real)
    real.start()
    assert "which view" in desk.state.real_picture_message
    assert not desk.state.real_picture_busy


def test_a_picture_put_away_is_gone_from_everywhere(desk, real):
    send(desk, png())
    real.take_away()
    assert desk.state.real_picture is None
    assert desk.state.real_picture_questions == []
    assert real.desk.comparison is None


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

    async def keep():
        real.keep()
        await real._working

    asyncio.run(keep())
    assert desk.state.real_picture_message == ""
    kept = desk.state.real_picture_result["kept"]
    file = json.loads((viewed_case / f"{kept}.json").read_text(encoding="utf-8"))
    assert file["verdict"] == "converged"
    assert "a real picture against the plan" in (viewed_case / "report.html").read_text(encoding="utf-8")
    desk.session.move(along_axis_mm=1.0)
    assert desk.state.real_picture_result["old"]
    real.keep()
    assert "save it" in desk.state.real_picture_message
    assert not (viewed_case / "comparison-2.json").exists()
