import json

import numpy as np
import pytest
from cotyle.case.json_text import read_json, to_json
from cotyle.errors import InputError
from hypothesis import given
from hypothesis import strategies as st

VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.text() | st.floats(-1e6, 1e6),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=15,
)


@given(VALUES)
def test_text_reads_back_by_a_general_reader_and_writes_the_same_again(value):
    text = to_json(value)
    assert to_json(json.loads(text)) == text


def test_numbers_keep_a_millionth_of_a_degree_with_room():
    angle = 40.123456789
    assert abs(json.loads(to_json({"a": angle}))["a"] - angle) < 1e-6


def test_minus_zero_and_order_do_not_show():
    assert to_json({"b": -0.0, "a": np.float64(1)}) == to_json({"a": 1.0, "b": 0.0})


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), np.float64("nan")])
def test_a_number_that_is_not_finite_is_never_written(bad):
    with pytest.raises(ValueError, match="finite"):
        to_json({"a": bad})


# RFC 8259, section 4: what a reader makes of a name that stands twice is unpredictable
@pytest.mark.parametrize(
    "text",
    ["{", '{"a": NaN}', '{"a": Infinity}', "[" * 100_000, "\x00", '{"a": 1, "a": 2}', '[{"b": {"a": 1, "a": 1}}]'],
)
def test_broken_json_is_one_clear_error(tmp_path, text):
    file = tmp_path / "plan.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_json(file)
    assert caught.value.code == "json-unreadable"
    assert "plan.json" in str(caught.value)
