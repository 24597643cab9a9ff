"""Files of every version that was ever written are read, with every value that they hold.

The files are of synthetic hips, as the software of that version wrote them; ``first`` ones are of its first day, when
some of today's fields were not there. Never write them anew: add one when a version is added.
"""

import json
import re
from pathlib import Path

import pytest
from cotyle.anatomy.landmark_files import LandmarkFile
from cotyle.case.cohort.manifest import read_manifest
from cotyle.case.json_text import read_json
from cotyle.case.schema import Strict, validated
from cotyle.case.schema_files import file_kinds
from cotyle.errors import InputError

GOLDEN = Path(__file__).parent / "golden"
FILES = sorted(path.name for path in GOLDEN.glob("*.json"))
REFUSED = {"measurements-1-first.json": "this field is missing .and 1 more.. Measure the case again"}
"""Results from before the verdict: none is made up for them, the plan beside them is read and measured again."""

VERSIONED = [name for name in FILES if not name.startswith("landmarks") and name not in REFUSED]


def kind_of(name):
    """Return the newest model of a golden file's kind."""
    word = re.sub(r"(-\d+)?(-first)?\.json$", "", name)
    return next(model for kind, model in file_kinds().items() if re.sub(r"-\d+$", "", kind) == word)


@pytest.mark.parametrize("name", [name for name in FILES if name not in REFUSED])
def test_a_golden_file_is_read_whole(name):
    content = read_json(GOLDEN / name)
    model = validated(kind_of(name), content, name)
    assert_within(content, json.loads(model.model_dump_json(by_alias=True)))


def assert_within(part, whole):
    """Check that each value of the older file stands in what was read; newer fields may stand beside it."""
    if isinstance(part, dict):
        for key, value in part.items():
            assert_within(value, whole[key])
    elif isinstance(part, list):
        assert len(part) == len(whole)
        for inner, outer in zip(part, whole, strict=True):
            assert_within(inner, outer)
    elif isinstance(part, float):
        assert part == pytest.approx(whole, abs=1e-9)
    else:
        assert part == whole


@pytest.mark.parametrize("name", REFUSED)
def test_a_golden_file_that_lacks_a_result_is_refused_with_what_lacks(name):
    with pytest.raises(InputError, match=REFUSED[name]):
        kind_of(name).read(GOLDEN / name)


@pytest.mark.parametrize("name", [name for name in VERSIONED if "-first" not in name])
def test_a_golden_file_is_the_same_after_it_was_read_and_written(name, tmp_path):
    """Every value of the file, no other values in its fields; and what was written comes back to the byte."""
    kind, content = kind_of(name), read_json(GOLDEN / name)
    kind.read(GOLDEN / name).write(tmp_path / name)
    assert_within(content, read_json(tmp_path / name))
    again = kind.read(tmp_path / name)
    assert again.to_json() == (tmp_path / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("name", VERSIONED)
def test_a_golden_file_of_an_unknown_version_is_refused_in_one_line(name):
    content = read_json(GOLDEN / name)
    newer = content["version"] + 40
    with pytest.raises(InputError, match=f"version {newer}") as error:
        validated(kind_of(name), {**content, "version": newer}, name)
    assert error.value.code == "schema-newer"
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("name", VERSIONED)
def test_a_golden_file_with_an_unknown_field_is_refused_in_one_line_that_names_it(name):
    content = read_json(GOLDEN / name)
    with pytest.raises(InputError, match="surprise_mm: there is no such field") as error:
        validated(kind_of(name), {**content, "surprise_mm": 1.0}, name)
    assert error.value.code == "field-invalid"
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("name", VERSIONED)
def test_an_unknown_field_is_refused_however_deep_it_stands(name):
    content = read_json(GOLDEN / name)
    inner = next((key for key, field in kind_of(name).model_fields.items() if is_part(field, content.get(key))), None)
    if inner is None:
        return
    with pytest.raises(InputError, match=f"{inner}.surprise_mm: there is no such field"):
        validated(kind_of(name), {**content, inner: {**content[inner], "surprise_mm": 1.0}}, name)


def is_part(field, value):
    return isinstance(value, dict) and isinstance(field.annotation, type) and issubclass(field.annotation, Strict)


def test_a_golden_table_of_a_cohort_is_read_whole():
    """A table has no version: titles that are known today stay known, and a row asks for the same as it did."""
    first, second, third = read_manifest(GOLDEN / "manifest.csv")
    assert (first.name, second.name, third.name) == ("hip-1", "hip-2", "hip_3")
    assert first.arguments == (
        str(GOLDEN / "scans" / "a"),
        "--side=right",
        "--series=2",
        "--standing-tilt-change=-6.5",
        "--repair",
    )
    assert second.arguments == (
        str(GOLDEN / "scans" / "b.nrrd"),
        "--side=left",
        f"--labels={GOLDEN / 'labels' / 'b.nrrd'}",
        "--inclination=42.5",
        "--definition=radiographic",
        "--frame=app",
    )
    assert third.arguments == (str(GOLDEN / "scans" / "c"), "--side=left")


@pytest.mark.parametrize(
    ("before", "after", "code"),
    [
        ("series", "surprise", "manifest-titles"),
        ("hip-2,", "hip/2,", "manifest-row"),
        ("hip-2,", "hip-1,", "manifest-row"),
    ],
)
def test_a_golden_table_with_an_unknown_title_or_a_wrong_name_is_refused_in_one_line(before, after, code, tmp_path):
    text = (GOLDEN / "manifest.csv").read_text(encoding="utf-8")
    (tmp_path / "manifest.csv").write_text(text.replace(before, after), encoding="utf-8")
    with pytest.raises(InputError) as error:
        read_manifest(tmp_path / "manifest.csv")
    assert error.value.code == code
    assert "\n" not in str(error.value)


def test_there_is_a_golden_file_of_each_version_of_each_kind():
    wanted = {"landmarks"}
    for kind in file_kinds():
        if kind != "landmarks":
            stem, newest = kind.rsplit("-", 1)
            wanted |= {f"{stem}-{version}" for version in range(1, int(newest) + 1)}
    there = {name.removesuffix(".json").removesuffix("-first") for name in FILES}
    assert len(wanted) >= 15
    assert wanted <= there, "copy a file that the software wrote into tests/case/golden"


def test_landmarks_have_no_version_and_keep_their_form():
    content = read_json(GOLDEN / "landmarks.json")
    assert set(validated(LandmarkFile, content, "landmarks.json").root) == set(content)
