"""Quadrants on the cup: where they lie, on both sides, and the way there and back."""

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.cup.screws.quadrants import Quadrant, quadrant_at, quadrants_of
from cotyle.errors import InputError
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

POSTERIOR = np.array([0.0, 1.0, 0.0])


def cup_and_asis(side):
    """A cup at 40 / 15 and an ASIS above and in front of it, as in a person."""
    sign = side.lateral_sign
    axis = np.array([0.62 * sign, -0.26, -0.74])
    return Cup(side, np.array([87.0 * sign, 10.0, -66.0]), axis, 52.0), np.array([120.0 * sign, -40.0, 0.0])


def across(cup, direction):
    axis = cup.opening_axis_lps
    return direction - (direction @ axis) * axis


# the four corners, in LPS: above and behind, below and behind, below and in front, above and in front of the centre
@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(
    ("towards", "quadrant"),
    [
        ((0.0, 0.6, 1.0), Quadrant.POSTERIOR_SUPERIOR),
        ((0.0, 1.0, -0.6), Quadrant.POSTERIOR_INFERIOR),
        ((0.0, -0.6, -1.0), Quadrant.ANTERIOR_INFERIOR),
        ((0.0, -1.0, 0.1), Quadrant.ANTERIOR_SUPERIOR),
    ],
)
def test_a_place_of_the_socket_lies_in_its_quadrant(side, towards, quadrant):
    cup, asis = cup_and_asis(side)
    lines = quadrants_of(cup, asis, POSTERIOR)
    place = -cup.opening_axis_lps + across(cup, np.array(towards))
    _, around = lines.places_deg((place / np.linalg.norm(place))[None])
    assert quadrant_at(float(around[0])) is quadrant


@pytest.mark.parametrize("side", list(Side))
def test_the_first_line_lies_in_the_plane_of_axis_and_asis_and_the_second_square_to_it(side):
    cup, asis = cup_and_asis(side)
    lines = quadrants_of(cup, asis, POSTERIOR)
    normal = np.cross(cup.opening_axis_lps, asis - cup.center_lps_mm)
    assert lines.towards_asis_lps @ normal == pytest.approx(0.0, abs=1e-9)
    assert lines.towards_asis_lps @ (asis - cup.center_lps_mm) > 0
    assert lines.towards_asis_lps @ lines.posterior_lps == pytest.approx(0.0, abs=1e-12)
    assert lines.posterior_lps @ POSTERIOR > 0
    for each in (lines.towards_asis_lps, lines.posterior_lps):
        assert each @ cup.opening_axis_lps == pytest.approx(0.0, abs=1e-12)


@given(st.floats(1.0, 89.0), st.floats(0.0, 359.9))
def test_there_and_back(from_pole, around):
    cup, asis = cup_and_asis(Side.RIGHT)
    lines = quadrants_of(cup, asis, POSTERIOR)
    direction = lines.directions([from_pole], [around])
    assert np.linalg.norm(direction) == pytest.approx(1.0)
    back = lines.places_deg(direction)
    assert back[0][0] == pytest.approx(from_pole, abs=1e-9)
    assert (back[1][0] - around + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-9)


def test_left_and_right_have_the_same_places():
    here, there = (quadrants_of(*cup_and_asis(side), POSTERIOR) for side in Side)
    mirrored = here.directions([30.0, 60.0], [20.0, 250.0]) * [-1.0, 1.0, 1.0]
    assert there.directions([30.0, 60.0], [20.0, 250.0]) == pytest.approx(mirrored)


def test_an_asis_on_the_axis_of_the_cup_draws_no_line():
    cup, _ = cup_and_asis(Side.LEFT)
    with pytest.raises(InputError, match="ASIS"):
        quadrants_of(cup, cup.center_lps_mm + 80.0 * cup.opening_axis_lps, POSTERIOR)
