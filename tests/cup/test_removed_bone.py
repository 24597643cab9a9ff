from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.cup.removed_bone import removed_bone, shares_by_zone
from cotyle.space.rotations import angle_between_deg, rotate
from cup_solids import box, socket_block, sphere

INWARD = np.array([-0.5, 0.3, 0.8]) / np.linalg.norm([-0.5, 0.3, 0.8])
BLOCK = box([-90, -90, -90], [90, 90, 90], 30)


# 2/3 pi r^3 (textbook)
@pytest.mark.parametrize(("diameter", "volume"), [(48, 28952.92), (50, 32724.92), (52, 36811.09), (54, 41223.98)])
def test_a_reamer_wholly_in_bone_removes_its_half_ball(diameter, volume):
    found = removed_bone(BLOCK, step_along(diameter, [1, 2, 3], INWARD))
    assert found.volume_mm3 == pytest.approx(volume, rel=5e-3)


# 2/3 pi (r2^3 - r1^3) (textbook), same centre, full bone
@pytest.mark.parametrize(
    ("first", "second", "volume"), [(50, 51, 2003.03), (51, 52, 2083.14), (52, 54, 4412.89), (44, 52, 14509.97)]
)
def test_a_size_up_at_the_same_centre_removes_the_shell_between(first, second, volume):
    steps = [step_along(size, [1, 2, 3], INWARD) for size in (first, second)]
    assert removed_bone(BLOCK, steps[1], steps[:1]).volume_mm3 == pytest.approx(volume, rel=0.02)


def test_going_in_removes_a_cylinder_more():
    # pi r^2 dx: r 25, 2 mm, 3926.99 mm3 (textbook)
    first = step_along(50, [0, 0, 0], INWARD)
    second = step_along(50, 2.0 * INWARD, INWARD, travel_mm=2.0)
    assert removed_bone(BLOCK, second, [first]).volume_mm3 == pytest.approx(3926.99, rel=0.02)


# cap: pi h^2 (3r - h) / 3, r 26 (textbook)
@pytest.mark.parametrize(("depth", "volume"), [(5, 1911.136), (13, 11503.465), (20, 24294.983)])
def test_a_reamer_that_dips_into_a_plane_removes_a_cap(depth, volume):
    bone = box([-60, -80, -80], [0, 80, 80], 20)
    step = step_along(52, [26 - depth, 1, 2], [-1, 0, 0], travel_mm=30)
    assert removed_bone(bone, step).volume_mm3 == pytest.approx(volume, rel=5e-3)


def test_a_ball_of_bone_loses_a_lens():
    # lens of two spheres: pi (r1+r2-d)^2 (d^2 + 2d(r1+r2) - 3(r1-r2)^2) / (12 d) (textbook)
    r1, r2, d = 26.0, 25.0, 40.0
    volume = np.pi * (r1 + r2 - d) ** 2 * (d * d + 2 * d * (r1 + r2) - 3 * (r1 - r2) ** 2) / (12 * d)
    found = removed_bone(sphere(d * INWARD, r1, level=5), step_along(2 * r2, [0, 0, 0], INWARD))
    assert found.volume_mm3 == pytest.approx(volume, rel=0.01)


def test_an_earlier_reamer_of_another_direction_is_taken_off():
    # of a half-ball turned by an angle the part angle / 180 lies outside the first (lune, geometry)
    first, second = step_along(50, [0, 0, 0], INWARD), step_along(50, [0, 0, 0], rotate(INWARD, [0.3, 1, 0.2], 70))
    turned = angle_between_deg(first.direction_lps, second.direction_lps)
    assert removed_bone(BLOCK, second, [first]).volume_mm3 == pytest.approx(32724.92 * turned / 180, rel=0.01)


def test_a_reamer_larger_than_the_mouth_first_touches_where_it_stands_proud():
    # sqrt(R^2 - r^2) before the rim plane (Pythagoras): R 24.5 on a rim of 24 mm, 4.92 mm
    step = step_along(49, [0, 0, 0], [-1, 0, 0])
    found = removed_bone(socket_block(24, 34), step, pitch_mm=0.2)
    assert found.first_touch_mm == pytest.approx(np.sqrt(24.5**2 - 24**2), abs=0.25)
    assert 0 < found.bears_mm < found.first_touch_mm


def test_a_reamer_in_a_hollow_larger_than_itself_touches_nothing():
    found = removed_bone(socket_block(24, 34), step_along(46, [0, 0, 0], [-1, 0, 0]))
    assert (found.volume_mm3, found.first_touch_mm, found.bears_mm) == (0, 0, 0)


def test_zones_tell_floor_from_rim():
    block = socket_block(24, 34)
    deep = step_along(44, [-3, 0, 0], [-1, 0, 0], 3)  # 22 mm in a hollow of 24: 1 mm into the floor, clear of the rim
    floor, rim = shares_by_zone(removed_bone(block, deep), 22)
    assert floor > 0.2
    assert rim == 0
    wide = step_along(48.6, [0.6, 0, 0], [-1, 0, 0])  # wider than the mouth, short of the floor
    floor, rim = shares_by_zone(removed_bone(block, wide, pitch_mm=0.25), 24.3)
    assert floor == 0
    assert rim > 0
