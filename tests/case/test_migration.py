"""Older files are brought up step by step, newer ones refused; shown on a kind of file that only the tests know."""

import copy
import json

import pytest
from cotyle.case import migration
from cotyle.case.migration import STEPS, migrated
from cotyle.case.schema import FileModel, validated
from cotyle.case.schema_files import file_kinds
from cotyle.errors import InputError
from hypothesis import given
from hypothesis import strategies as st

from tests.case import boxes
from tests.case.boxes import OLD, SCHEMA, Box, Crate

OURS = [model for model in file_kinds().values() if issubclass(model, FileModel)]

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@pytest.fixture(autouse=True)
def steps(monkeypatch):
    monkeypatch.setattr(migration, "STEPS", boxes.STEPS)


def refusal(model, content):
    with pytest.raises(InputError) as caught:
        validated(model, content, "box.json")
    assert "\n" not in str(caught.value)
    return caught.value


@pytest.mark.parametrize("content", OLD[:3], ids=["version 1", "version 2", "version 3"])
def test_every_version_says_the_same_today(content):
    box = validated(Box, content, "box.json")
    assert (box.version, box.size_mm, box.filled) == (3, (12.0, 12.0), None)


def test_a_file_inside_a_file_is_brought_up_too():
    assert validated(Crate, OLD[3], "crate.json").box.size_mm == (12.0, 12.0)


@pytest.mark.parametrize("content", OLD)
def test_a_step_changes_nothing_that_it_is_given(content):
    before = copy.deepcopy(content)
    validated(Crate if "box" in content else Box, content, "box.json")
    assert content == before


def test_a_newer_file_is_refused_with_the_software_to_use():
    error = refusal(Box, {"schema": SCHEMA, "version": 4, "software": "cotyle 7.1.0", "anything": 1})
    assert error.code == "schema-newer"
    assert "version 4" in str(error)
    assert "Use the cotyle 7.1.0 that wrote it or a newer one" in str(error)


def test_what_a_newer_file_calls_its_software_is_not_repeated_unless_it_is_ours():
    said = str(refusal(Box, {"schema": SCHEMA, "version": 4, "software": "Sample^Anna \x1b[2J"}))
    assert "Sample" not in said
    assert "the cotyle that wrote it" in said


def test_a_field_of_a_newer_cotyle_is_named_with_what_to_do():
    error = refusal(Box, {**OLD[2], "colour": "red"})
    assert error.code == "field-invalid"
    assert "colour: there is no such field" in str(error)
    assert "use the cotyle that wrote it" in str(error)


@pytest.mark.parametrize("version", [0, -1, True, None, "1", 1.0, [1], 10**400])
def test_a_version_that_is_none_is_refused(version):
    assert refusal(Box, {"schema": SCHEMA, "version": version}).code in {"schema-mismatch", "schema-newer"}


@pytest.mark.parametrize("broken", [{"width": "wide"}, {"width": None}, {}, {"width": {"a": 1}}])
def test_an_old_file_that_is_not_what_it_says_is_refused(broken):
    assert refusal(Box, {"schema": SCHEMA, "version": 1, **broken}).code == "field-invalid"


@given(content=st.dictionaries(st.sampled_from(["schema", "version", "width", "width_mm", "box", "note"]), json_values))
def test_whatever_an_old_file_holds_it_is_read_or_refused(content):
    named = {"schema": SCHEMA, **content}
    try:
        box = Box.model_validate(migrated(named, SCHEMA, 3, "box.json", boxes.STEPS[SCHEMA]))
    except InputError:
        return
    except ValueError:  # the model's own refusal
        return
    json.dumps(box.as_dict(), allow_nan=False)


@pytest.mark.parametrize("model", OURS, ids=lambda model: model.__name__)
def test_each_kind_has_a_step_from_each_older_version(model):
    schema, version = (model.model_fields[name].default for name in ("schema_name", "version"))
    assert len(STEPS.get(schema, ())) == version - 1
