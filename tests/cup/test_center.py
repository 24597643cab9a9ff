from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.center import center_shift, mirrored_about_midline, neck_length_change, shifted
from cotyle.space.frames import SCANNER, Frame
from cotyle.space.rotations import rotate
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

millimetres = st.floats(-30, 30)


@pytest.mark.parametrize(("side", "to"), [(Side.LEFT, [86, 5, 3]), (Side.RIGHT, [-86, 5, 3])])
def test_medial_superior_and_anterior_have_their_signs_on_both_sides(side, to):
    start = [90 * side.lateral_sign, 8, 1]
    found = center_shift(start, to, SCANNER, side)
    assert (found.medial, found.superior, found.anterior) == pytest.approx((4, 2, 3))
    # geometry with the femur unchanged: up shortens, in takes offset
    assert found.leg_length_change_mm == pytest.approx(-2)
    assert found.acetabular_offset_change_mm == pytest.approx(-4)


@given(millimetres, millimetres, millimetres, st.sampled_from(list(Side)), st.floats(-40, 40))
def test_shifting_and_measuring_are_inverse(medial, superior, anterior, side, turn):
    frame = Frame("turned", np.array([1.0, 2.0, 3.0]), *rotate(np.eye(3), [1, 1, 0], turn))
    there = shifted([10, 20, 30], frame, side, medial, superior, anterior)
    found = center_shift([10, 20, 30], there, frame, side)
    assert (found.medial, found.superior, found.anterior) == pytest.approx((medial, superior, anterior), abs=1e-9)


def test_the_mirrored_opposite_is_mirrored_in_the_frames_own_middle():
    frame = Frame("app", np.array([3.0, 0.0, 0.0]), *np.eye(3))
    assert mirrored_about_midline([-87, 10, 20], frame) == pytest.approx([93, 10, 20])
    assert mirrored_about_midline(mirrored_about_midline([5, 6, 7], frame), frame) == pytest.approx([5, 6, 7])


# sin and cos of the neck-shaft angle per mm of neck (geometry)
@pytest.mark.parametrize(
    ("angle", "offset", "leg"), [(125, 0.8192, 0.5736), (130, 0.7660, 0.6428), (135, 0.7071, 0.7071)]
)
def test_a_longer_neck_adds_offset_and_length(angle, offset, leg):
    found = neck_length_change(1.0, angle)
    assert (found.femoral_offset_mm, found.leg_length_mm) == pytest.approx((offset, leg), abs=1e-4)
