"""The published schemas are those of the models, and an outside validator (jsonschema) says the same as the models."""

import copy
import json
from pathlib import Path

import pytest
from cotyle.case.json_text import read_json
from cotyle.case.schema import FileModel, validated
from cotyle.case.schema_files import file_kinds, json_schema, schema_text
from cotyle.errors import InputError
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from tests.case.test_golden_files import FILES, GOLDEN, REFUSED

PUBLISHED = Path(__file__).parents[2] / "docs" / "schema"
KINDS = sorted(file_kinds())
GOOD = [name for name in FILES if name not in REFUSED]


def validator(kind):
    return Draft202012Validator(json.loads((PUBLISHED / f"{kind}.json").read_text(encoding="utf-8")))


@pytest.mark.parametrize("kind", KINDS)
def test_the_published_schema_is_what_the_models_give(kind):
    text = (PUBLISHED / f"{kind}.json").read_text(encoding="utf-8")
    assert text == schema_text(kind), "run python -m cotyle.case.schema_files docs/schema"


@pytest.mark.parametrize("kind", KINDS)
def test_a_schema_is_one_of_the_draft_that_it_names(kind):
    schema = json_schema(kind)
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(schema)


def test_all_files_of_the_planned_case_are_valid(planned_case):
    for name, kind in (("plan", "plan-1"), ("measurements", "measurements-1"), ("landmarks", "landmarks")):
        assert errors(kind, read_json(planned_case.folder / f"{name}.json")) == []


@pytest.mark.parametrize("name", FILES)
def test_a_golden_file_is_valid_unless_it_is_refused(name):
    kind = name.removesuffix(".json").removesuffix("-first")
    assert bool(errors(kind, read_json(GOLDEN / name))) == (name in REFUSED)


def errors(kind, content):
    return [error.message for error in validator(kind).iter_errors(content)]


def places(content, path=()):
    """Return the path of each value in a file."""
    inner = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    return [path, *(place for key, value in inner for place in places(value, (*path, key)))]


ODD = st.sampled_from(
    [None, True, 0, -1, 2.5, 1e-300, "x", "1", [], {}, [1, 2], [1.5, 2.5, 3.5], {"a": 1}, "left", -90]
)


@pytest.mark.parametrize(
    "name",
    [
        "plan-1.json",
        "review-1.json",
        "comparison-1.json",
        "measurements-1.json",
        "cohort-row-1.json",
        "posture-1.json",
        "revision-1.json",
    ],
)
def test_what_the_schema_refuses_the_program_refuses_and_what_it_takes_is_taken(name):
    """One value of a good file is exchanged, taken out or put in: both must say the same of it."""
    kind = name.removesuffix(".json")
    good, check, model = read_json(GOLDEN / name), validator(kind), file_kinds()[kind]
    found = places(good)

    @given(where=st.sampled_from(found[1:]), what=st.sampled_from(["exchange", "remove", "add"]), odd=ODD)
    def agree(where, what, odd):
        content = copy.deepcopy(good)
        inner = content
        for key in where[:-1]:
            inner = inner[key]
        if what == "remove":
            del inner[where[-1]]
        elif what == "add" and isinstance(inner, dict):
            inner["surprise"] = odd
        else:
            inner[where[-1]] = odd
        refused = refuses(model, content)
        assert check.is_valid(content) == (refused is None) or "the last reamer must be larger" in refused

    agree()


def refuses(model, content):
    try:
        validated(model, content, "file.json")
    except InputError as error:
        return str(error)
    return None


def test_every_file_that_names_a_schema_has_its_schema_published():
    assert {f"{kind}.json" for kind in KINDS} <= {path.name for path in PUBLISHED.glob("*.json")}
    assert all(issubclass(model, FileModel) for kind, model in file_kinds().items() if kind != "landmarks")


def test_golden_files_are_tried_as_they_are():
    assert len(GOOD) >= 6
