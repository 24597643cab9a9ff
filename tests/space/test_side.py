"""Sides are mirrored by the sign of one axis, never by a left-handed frame."""

import pytest
from cotyle.space.side import Side


def test_lateral_is_plus_left_for_a_left_hip_and_minus_left_for_a_right_one():
    assert Side.LEFT.lateral_sign == 1.0
    assert Side.RIGHT.lateral_sign == -1.0


def test_opposite_of_the_opposite_is_the_side_itself():
    assert Side.LEFT.opposite is Side.RIGHT
    assert all(side.opposite.opposite is side for side in Side)


def test_there_is_no_third_side_and_no_default():
    with pytest.raises(ValueError, match="middle"):
        Side("middle")
    with pytest.raises(TypeError):
        Side()
