"""Files of every version that was ever written are read, with every value that they hold.

The files are of synthetic hips, as the software of that version wrote them; ``first`` ones are of its first day, when
some of today's fields were not there. Never write them anew: add one when a version is added.
"""

import json
from pathlib import Path

import pytest
from cotyle.anatomy.landmark_files import LandmarkFile
from cotyle.case.json_text import read_json
from cotyle.case.schema import validated
from cotyle.case.schema_files import file_kinds
from cotyle.errors import InputError

GOLDEN = Path(__file__).parent / "golden"
FILES = sorted(path.name for path in GOLDEN.glob("*.json"))
REFUSED = {"measurements-1-first.json": "this field is missing .and 1 more.. Measure the case again"}
"""Results from before the verdict: none is made up for them, the plan beside them is read and measured again."""

SETTLED = {"plan", "measurements", "review", "comparison", "distortion"}
"""Kinds whose present version is kept here, too."""


def kind_of(name):
    """Return the newest model of a golden file's kind."""
    word = name.split("-")[0].removesuffix(".json")
    return next(model for kind, model in file_kinds().items() if kind.rsplit("-", 1)[0] == word)


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


def test_there_is_a_golden_file_of_each_version_of_each_kind():
    """Younger kinds, of decisions and cohorts, keep one as soon as a second version follows their first."""
    wanted = {"landmarks"}
    for kind in file_kinds():
        if kind != "landmarks":
            stem, newest = kind.rsplit("-", 1)
            wanted |= {f"{stem}-{version}" for version in range(1, int(newest) + (stem in SETTLED))}
    there = {name.removesuffix(".json").removesuffix("-first") for name in FILES}
    assert len(wanted) >= 6
    assert wanted <= there, "copy a file that the software wrote into tests/case/golden"


def test_landmarks_have_no_version_and_keep_their_form():
    content = read_json(GOLDEN / "landmarks.json")
    assert set(validated(LandmarkFile, content, "landmarks.json").root) == set(content)
