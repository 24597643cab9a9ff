from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.component import LEAST_LINER_MM, Cup
from cotyle.errors import InputError
from cotyle.space.side import Side


def cup(diameter: float) -> Cup:
    return Cup(Side.LEFT, np.zeros(3), np.array([2.0, 0.0, 0.0]), diameter)


@pytest.mark.parametrize("diameter", [5.0, 35.9, 80.1, 500.0, float("nan"), float("inf"), -52.0])
def test_sizes_that_no_cup_has_are_refused(diameter):
    with pytest.raises(InputError, match="cup-size"):
        cup(diameter)


def test_the_pole_lies_one_radius_against_the_opening_axis():
    placed = cup(52)
    assert placed.opening_axis_lps == pytest.approx([1, 0, 0])
    assert placed.pole_lps_mm == pytest.approx([-26, 0, 0])
    assert placed.moved([0, 1, 2]).pole_lps_mm == pytest.approx([-26, 1, 2])


@pytest.mark.parametrize("diameter", [36, 40, 44, 48, 50, 52, 54, 60, 80])
def test_shell_liner_and_head_fill_the_cup(diameter):
    placed = cup(diameter)
    layers = placed.head_diameter_mm + 2 * (placed.liner_thickness_mm + placed.shell_thickness_mm)
    assert layers == pytest.approx(diameter)
    assert placed.liner_thickness_mm >= LEAST_LINER_MM


def test_a_larger_cup_never_takes_a_smaller_head():
    heads = [cup(size).head_diameter_mm for size in range(36, 81, 2)]
    assert heads == sorted(heads)
    # usual pairs, common practice, no source: 36 mm heads from 52 mm cups on
    assert cup(52).head_diameter_mm == 36
    assert cup(48).head_diameter_mm == 32
