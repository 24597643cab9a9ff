"""Vectors and points are checked and locked."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.arrays import any_perpendicular, as_points, as_vector, for_compiled, unit
from hypothesis import given

from tests.space.strategies import directions


@pytest.mark.parametrize("bad", [[1, 2], [1, 2, 3, 4], [[1, 2, 3]], 5.0])
def test_a_vector_holds_three_numbers(bad):
    with pytest.raises(InputError) as caught:
        as_vector(bad, "cup center")
    assert caught.value.code == "vector-shape"
    assert "cup center" in str(caught.value)


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_number_that_is_none_is_refused_by_name(bad):
    with pytest.raises(InputError) as caught:
        as_vector([0.0, bad, 0.0], "cup center")
    assert caught.value.code == "not-finite"
    with pytest.raises(InputError) as caught:
        as_points([[0.0, 0.0, 0.0], [0.0, 0.0, bad]])
    assert caught.value.code == "not-finite"


def test_points_have_three_columns():
    with pytest.raises(InputError) as caught:
        as_points(np.zeros((4, 2)))
    assert caught.value.code == "vector-shape"


def test_a_vector_is_a_locked_copy():
    source = np.array([1.0, 2.0, 3.0])
    vector = as_vector(source)
    source[0] = 99.0
    assert vector[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        vector[0] = 5.0


def test_a_direction_needs_a_length():
    with pytest.raises(InputError) as caught:
        unit([0.0, 0.0, 0.0], "reaming axis")
    assert caught.value.code == "zero-direction"
    np.testing.assert_allclose(unit([0.0, 3.0, 4.0]), [0.0, 0.6, 0.8], atol=1e-15)


@given(directions)
def test_the_perpendicular_is_a_unit_vector_at_a_right_angle(direction):
    other = any_perpendicular(direction)
    assert abs(other @ direction) < 1e-12
    assert np.linalg.norm(other) == pytest.approx(1.0, abs=1e-12)


def test_what_compiled_functions_get_is_one_type_whoever_made_it():
    own, locked = np.arange(6.0).reshape(2, 3), as_vector([1, 2, 3])
    for values in (own, locked, own.T, [[1, 2], [3, 4]]):
        got = for_compiled(values)
        assert (got.flags.c_contiguous, got.flags.writeable, got.dtype) == (True, False, np.float64)
        assert np.array_equal(got, values)
    assert own.flags.writeable
