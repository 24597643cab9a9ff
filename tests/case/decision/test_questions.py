"""What the user may give: everything is optional, and what is wrong is named in one line."""

import json

import pytest
from cotyle.case.decision.questions import Questions, read_questions
from cotyle.errors import InputError


def file_of(tmp_path, content):
    path = tmp_path / "given.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return path


def test_without_a_file_there_are_defaults():
    assert read_questions(None) == Questions()
    assert Questions().given() == {}


def test_schema_and_version_may_be_left_out_and_what_was_given_is_remembered(tmp_path):
    found = read_questions(file_of(tmp_path, {"posture": {"standing": {"anterior_tilt_deg": -4}}}))
    assert found.posture.standing.anterior_tilt_deg == -4
    assert found.given() == {"posture": {"standing": {"anterior_tilt_deg": -4}}}
    named = {"schema": "cotyle/questions", "version": 1, "screws": {"hand_deg": 3}}
    assert read_questions(file_of(tmp_path, named)).screws.hand_deg == 3


@pytest.mark.parametrize(
    ("content", "code", "words"),
    [
        ("{not json", "json-unreadable", "given.json"),
        ("[1, 2]", "field-invalid", "given.json"),
        ('{"posture": {"standing": {"anterior_tilt_deg": NaN}}}', "json-unreadable", "NaN"),
        ({"schema": "cotyle/plan", "version": 1}, "schema-mismatch", "cotyle/plan"),
        ({"postures": {}}, "field-invalid", "postures"),
        ({"posture": {"standing": {"anterior_tilt_deg": 400}}}, "field-invalid", "anterior_tilt_deg"),
        ({"posture": {"standing": {"anterior_tilt_deg": "8"}}}, "field-invalid", "anterior_tilt_deg"),
        ({"posture": {"seated_ante_inclination_deg": [60, 40]}}, "field-invalid", "lower bound"),
        ({"screws": {"screws": [{"from_pole_deg": 120, "around_deg": 0}]}}, "field-invalid", "from_pole_deg"),
        ({"screws": {"screws": [{"around_deg": 0}]}}, "field-invalid", "from_pole_deg"),
        ({"bone": {"uneven_from": 0.5}}, "field-invalid", "uneven_from"),
        ({"bone": {"soft_below_hu": 10**400}}, "field-invalid", "soft_below_hu"),
        ('{"bone": {}, "bone": {"soft_below_hu": 9}}', "json-unreadable", "twice"),
        ({"motion": {"motions": [{"name": "flexion", "move": "flexion"}]}}, "field-invalid", "called flexion"),
        ({"motion": {"motions": [{"name": "bow", "move": "flexion"}] * 2}}, "field-invalid", "called bow"),
        (
            {"screws": {"screws": [{"from_pole_deg": 1, "around_deg": 0, "direction_lps": [1e308, 0, 0]}]}},
            "field-invalid",
            "direction_lps",
        ),
    ],
)
def test_what_is_wrong_is_named(tmp_path, content, code, words):
    with pytest.raises(InputError) as caught:
        read_questions(file_of(tmp_path, content))
    assert caught.value.code == code
    assert words in str(caught.value)


def test_a_file_that_is_not_there_is_said_so(tmp_path):
    with pytest.raises(InputError, match=r"no file given\.json"):
        read_questions(tmp_path / "given.json")
