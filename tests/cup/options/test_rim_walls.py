"""Front and back wall of solids whose thickness is known."""

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.cup.component import Cup
from cotyle.cup.options.rim_walls import rim_walls
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.side import Side
from cup_solids import box, shell
from option_problem import PELVIS


def cup_at(center, inclination, anteversion, side=Side.LEFT, diameter=52.0):
    axis = axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, PELVIS, side)
    return Cup(side, np.asarray(center, float), axis, diameter)


def walls_of(bone, cup):
    last = step_along(cup.outer_diameter_mm - 1.0, cup.center_lps_mm, -cup.opening_axis_lps)
    return rim_walls(bone, cup, last, PELVIS)


def test_a_shell_about_the_cup_is_as_thick_in_front_as_behind():
    found = walls_of(shell((0, 0, 0), 40.0, 22.0), cup_at((0, 0, 0), 40.0, 15.0))
    assert found.front_mm == pytest.approx(40.0 - 25.5, abs=0.05)
    assert found.back_mm == pytest.approx(40.0 - 25.5, abs=0.05)


def test_a_cup_moved_backwards_gains_in_front_what_it_loses_behind():
    """Faces at y = -40 (front) and 40 (back); the middle line leaves the floor at 60 deg from the pole."""
    bone = box((-60, -40, -60), (60, 40, 60), cell_mm=20.0)
    for shift in (-3.0, 0.0, 4.0):
        cup = cup_at((0.0, shift, 0.0), 90.0, 0.0)
        found = walls_of(bone, cup)
        # the lines at 0, 10, 20, 30 deg of azimuth off the middle meet the face at rising lengths: 20 deg is the median
        # of |0, 10, 10, 20, 20, 30, 30|, whose fourth is 20
        slope = np.cos(np.radians(30.0)) * np.cos(np.radians(20.0))
        assert found.front_mm == pytest.approx((40.0 + shift) / slope - 25.5, abs=0.02)
        assert found.back_mm == pytest.approx((40.0 - shift) / slope - 25.5, abs=0.02)


def test_bone_that_begins_beside_the_floor_counts_up_to_five_millimetres_off():
    near = shell((0, 0, 0), 40.0, 25.5 + 4.5)
    far = shell((0, 0, 0), 40.0, 25.5 + 5.5)
    cup = cup_at((0, 0, 0), 40.0, 15.0)
    assert walls_of(near, cup).front_mm == pytest.approx(10.0, abs=0.05)
    assert walls_of(far, cup).front_mm == 0.0


def test_left_and_right_have_the_same_walls():
    bone = box((-60, -35, -60), (60, 45, 60), cell_mm=20.0)
    left, right = (walls_of(bone, cup_at((0, 0, 0), 42.0, 18.0, side)) for side in Side)
    assert left.front_mm == pytest.approx(right.front_mm, abs=1e-3)
    assert left.back_mm == pytest.approx(right.back_mm, abs=1e-3)
