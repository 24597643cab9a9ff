"""What it means that no option is beaten."""

import numpy as np
from cotyle.cup.options.figures import OBJECTIVES, Figures, dominates, gains, undominated
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

rows = arrays.arrays(float, st.tuples(st.integers(1, 30), st.integers(1, 5)), elements=st.integers(0, 4).map(float))


@given(rows)
def test_exactly_those_stay_that_no_other_dominates(table):
    by_definition = [not any(dominates(other, row) for other in table) for row in table]
    assert undominated(table).tolist() == by_definition


@given(rows)
def test_something_always_stays_and_order_does_not_matter(table):
    kept = undominated(table)
    assert kept.any()
    assert np.array_equal(undominated(table[::-1])[::-1], kept)


def test_bone_beyond_enough_is_no_gain_and_less_bone_taken_is():
    thick = Figures(0.8, 0.9, 0.7, 0.7, 12.0, 9.0, 8.0, 6.0, 4.0, 3.0, 1.0)
    thin = Figures(0.8, 0.9, 0.7, 0.7, 6.0, 5.5, 8.0, 6.0, 3.0, 3.0, 1.0)
    first, second = gains([thick, thin], enough_mm=5.0)
    assert dominates(second, first)
    assert len(first) == len(OBJECTIVES)
