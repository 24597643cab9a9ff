"""Landmarks in files: three kinds, two coordinate systems, and every way to get them wrong."""

import json

import numpy as np
import pytest
from cotyle.anatomy.landmark_files import LandmarkFile, landmarks_from_records, read_landmarks, write_landmarks
from cotyle.anatomy.landmarks import GIVEN_UNCERTAINTY_MM, Landmark, Origin, with_given
from cotyle.errors import InputError
from cotyle.image.volume import Volume


def _write(folder, text, name="points.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def _markups(system="LPS", **changes):
    point = {"label": "ASIS left", "position": [1.0, 2.0, 3.0], "positionStatus": "defined"}
    markup = {"type": "Fiducial", "coordinateSystem": system, "coordinateUnits": "mm", "controlPoints": [point]}
    markup.update(changes)
    return json.dumps({"markups": [{k: v for k, v in markup.items() if v is not None}]})


def test_what_is_written_is_read_back_as_given(tmp_path):
    found = {"asis_left": Landmark("asis_left", np.array([1.25, -2.5, 3.125]), Origin.DETECTED, 0.75)}
    path = tmp_path / "landmarks.json"
    write_landmarks(found, path)
    assert json.loads(path.read_text()) == {
        "asis_left": {
            "lps_mm": [1.25, -2.5, 3.125],
            "origin": "detected",
            "uncertainty_mm": 0.75,
            "found_lps_mm": [1.25, -2.5, 3.125],
        }
    }
    back = read_landmarks(path)["asis_left"]
    np.testing.assert_array_equal(back.lps_mm, [1.25, -2.5, 3.125])
    assert back.origin is Origin.GIVEN
    assert back.uncertainty_mm == 0.75
    kept = landmarks_from_records(LandmarkFile.model_validate_json(path.read_text()).root)["asis_left"]
    assert kept.origin is Origin.DETECTED


@pytest.mark.parametrize(("system", "expected"), [("LPS", [1, 2, 3]), ("RAS", [-1, -2, 3])])
def test_markups_are_read_in_the_system_they_name(tmp_path, system, expected):
    path = _write(tmp_path, _markups(system), "points.mrk.json")
    np.testing.assert_array_equal(read_landmarks(path)["asis_left"].lps_mm, expected)


@pytest.mark.parametrize("system", [None, "IJK", "", 1])
def test_markups_without_a_known_coordinate_system_are_refused(tmp_path, system):
    with pytest.raises(InputError, match="LPS or RAS") as caught:
        read_landmarks(_write(tmp_path, _markups(system), "points.mrk.json"))
    assert caught.value.code == "landmark-coordinates"


def test_markups_in_other_units_are_refused(tmp_path):
    with pytest.raises(InputError, match="millimetres"):
        read_landmarks(_write(tmp_path, _markups(coordinateUnits="cm"), "points.mrk.json"))


def test_markup_points_that_are_not_placed_are_skipped(tmp_path):
    points = [
        {"label": "asis_left", "position": [1, 2, 3], "positionStatus": "undefined"},
        {"label": "asis_right", "position": [4, 5, 6]},
    ]
    assert set(read_landmarks(_write(tmp_path, _markups(controlPoints=points), "p.json"))) == {"asis_right"}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("name,x,y,z\nasis_left,1,2,3\n", [1, 2, 3]),
        ("asis_left,1,2,3\n", [1, 2, 3]),
        ("# coordinate system: RAS\nname,x,y,z\nasis_left,1,2,3\n", [-1, -2, 3]),
        ("# CoordinateSystem = LPS\nname;x;y;z\nasis_left;1;2;3\n", [1, 2, 3]),
        ("name,x,y,z,coordinate_system\nasis_left,1,2,3,RAS\n", [-1, -2, 3]),
        ("name\tx\ty\tz\n ASIS-left \t1\t2\t3\n\n", [1, 2, 3]),
        ("\ufeffname,x,y,z\r\nasis_left,1,2,3\r\n", [1, 2, 3]),
    ],
)
def test_csv_is_lps_unless_it_says_ras(tmp_path, text, expected):
    np.testing.assert_array_equal(read_landmarks(_write(tmp_path, text))["asis_left"].lps_mm, expected)


def test_csv_may_state_an_uncertainty(tmp_path):
    text = "name,x,y,z,uncertainty_mm\nasis_left,1,2,3,0.5\nasis_right,-1,2,3,\n"
    found = read_landmarks(_write(tmp_path, text))
    assert found["asis_left"].uncertainty_mm == 0.5
    assert found["asis_right"].uncertainty_mm == GIVEN_UNCERTAINTY_MM


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("name,x,y,z\nasis_middle,1,2,3\n", "landmark-unknown"),
        ("name,x,y,z\nasis_left,1,2,nan\n", "landmark-not-finite"),
        ("name,x,y,z\nasis_left,1,2,inf\n", "landmark-not-finite"),
        ("name,x,y,z\nasis_left,1e308,2,3\n", "landmark-not-finite"),
        ("name,x,y,z\nasis_left,1,2,\n", "landmark-not-finite"),
        ("name,x,y,z\nasis_left,1,2,3\nASIS left,1,2,3\n", "landmark-duplicate"),
        ('{"asis_left": {"lps_mm": [1, 2, 3]}, "asis_left": {"lps_mm": [4, 5, 6]}}', "landmark-file"),
        ("# coordinate system: IJK\nname,x,y,z\nasis_left,1,2,3\n", "landmark-coordinates"),
        ("# coordinate system: RAS\nname,x,y,z,coordinate_system\nasis_left,1,2,3,LPS\n", "landmark-coordinates"),
        ("name,x,y,z,uncertainty_mm\nasis_left,1,2,3,-1\n", "landmark-uncertainty"),
        ("label,i,j,k\nasis_left,1,2,3\n", "landmark-file"),
        ("", "landmark-file"),
        ("# only a comment\n", "landmark-file"),
        ("{", "landmark-file"),
        ("{}", "landmark-file"),
        ("[1, 2]", "landmark-file"),
        ('{"asis_left": [1, 2, 3]}', "landmark-file"),
        ('{"asis_left": {"lps_mm": [1, 2]}}', "landmark-file"),
        ('{"asis_left": {"lps_mm": [1, 2, NaN]}}', "landmark-not-finite"),
        ('{"asis_left": {"lps_mm": [1, 2, true]}}', "landmark-file"),
        ('{"femur": {"lps_mm": [1, 2, 3]}}', "landmark-unknown"),
        ('{"markups": 3}', "landmark-file"),
        ('{"markups": [{"coordinateSystem": "LPS", "controlPoints": [7]}]}', "landmark-file"),
        ('{"markups": [{"coordinateSystem": "LPS", "controlPoints": [{"label": "symphysis"}]}]}', "landmark-file"),
    ],
)
def test_a_file_that_cannot_be_used_is_named_by_its_fault(tmp_path, text, code):
    with pytest.raises(InputError) as caught:
        read_landmarks(_write(tmp_path, text))
    assert caught.value.code == code
    assert "\n" not in str(caught.value)


def test_a_missing_or_binary_file_is_refused(tmp_path):
    with pytest.raises(InputError) as caught:
        read_landmarks(tmp_path / "none.csv")
    assert caught.value.code == "file-missing"
    (tmp_path / "binary.csv").write_bytes(bytes(range(256)))
    with pytest.raises(InputError) as caught:
        read_landmarks(tmp_path / "binary.csv")
    assert caught.value.code == "landmark-file"


def test_a_point_outside_the_image_is_refused(tmp_path):
    image = Volume(np.zeros((10, 10, 10), dtype=np.int16), np.diag([2.0, 2.0, 2.0, 1.0]))
    inside = _write(tmp_path, "asis_left,18.5,0,0\n", "in.csv")
    assert set(read_landmarks(inside, image)) == {"asis_left"}
    outside = _write(tmp_path, "# coordinate system: RAS\nasis_left,18.5,0,0\n", "out.csv")
    with pytest.raises(InputError, match="asis_left") as caught:
        read_landmarks(outside, image)
    assert caught.value.code == "landmark-outside"


def test_the_users_points_win():
    detected = {n: Landmark(n, np.zeros(3), Origin.DETECTED, 1.0) for n in ("symphysis", "asis_left")}
    user = {"symphysis": Landmark("symphysis", np.ones(3), Origin.GIVEN, 2.0)}
    both = with_given(detected, user)
    assert list(both) == ["asis_left", "symphysis"]
    assert both["symphysis"].origin is Origin.GIVEN
