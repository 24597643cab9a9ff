from __future__ import annotations

import numpy as np
import pytest
from cotyle.case.picture_questions import QUESTION_WORDS, Question, picture_so_far
from cotyle.errors import InputError
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.picture_file import Told
from PIL import Image

from tests.xray.pictures.makers import body, dicom, saved, shown

ALL = Told(
    polarity=Polarity.BONE_DARK,
    pixel_pitch_mm=0.4,
    tube=Tube.UNDER_TABLE,
    source_detector_mm=1000.0,
    source_isocenter_mm=700.0,
    patient_orientation=("L", "F"),
)
PICTURE = shown(body())


def screen_file(folder, pixels=PICTURE):
    path = folder / "screen.png"
    Image.fromarray(pixels).save(path)
    return path


def test_a_picture_of_a_screen_leaves_everything_about_the_machine_open(tmp_path):
    found = picture_so_far(screen_file(tmp_path), None, Told(polarity=Polarity.BONE_DARK))
    assert set(found.open) == set(Question) - {Question.FRAME, Question.POLARITY}
    assert found.open[0] is Question.PATIENT_ORIENTATION
    assert found.radiograph is not None


def test_nothing_is_open_once_all_is_told_and_the_picture_is_in_its_usual_view(tmp_path):
    found = picture_so_far(screen_file(tmp_path), None, ALL)
    assert found.open == ()
    assert found.radiograph.geometry.patient_orientation == ("L", "F")


def test_what_a_dicom_file_says_is_not_asked(tmp_path):
    fields = {
        "DistanceSourceToDetector": 1000.0,
        "DistanceSourceToPatient": 700.0,
        "ImagerPixelSpacing": [0.4, 0.4],
        "PatientOrientation": ["L", "F"],
    }
    found = picture_so_far(saved(dicom(PICTURE, **fields), tmp_path / "carm.dcm"), None, Told())
    # the standard has no field for the place of the tube
    assert found.open == (Question.TUBE,)


def test_one_of_several_frames_is_asked_for_before_anything_else(tmp_path):
    path = saved(dicom(np.stack([PICTURE, PICTURE])), tmp_path / "run.dcm")
    found = picture_so_far(path, None, ALL)
    assert (found.radiograph, found.open) == (None, (Question.FRAME,))
    assert "2 frames" in found.why
    assert picture_so_far(path, 2, ALL).open == ()


def test_a_picture_that_does_not_tell_its_polarity_is_asked_about(tmp_path):
    vague = np.random.default_rng(3).integers(90, 160, (128, 128)).astype(np.uint8)
    found = picture_so_far(screen_file(tmp_path, vague), None, Told())
    assert found.open == (Question.POLARITY,)


def test_what_no_answer_mends_is_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("not a picture")
    with pytest.raises(InputError, match="picture-format"):
        picture_so_far(tmp_path / "notes.txt", None, ALL)


def test_every_question_has_words():
    assert set(QUESTION_WORDS) == set(Question)
