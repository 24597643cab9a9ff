from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.cavity import (
    Cavity,
    ReamingStep,
    bullet_distance_mm,
    line_through_step_mm,
    step_along,
)
from cotyle.errors import InputError
from hypothesis import assume, given
from hypothesis import strategies as st

seeds = st.integers(0, 100_000)


# 2/3 pi r^3 and 2 pi r^2, textbook
@pytest.mark.parametrize(("diameter", "volume"), [(48, 28952.92), (50, 32724.92), (52, 36811.09), (56, 45976.16)])
def test_a_reamer_that_does_not_travel_leaves_a_half_ball(diameter, volume):
    assert step_along(diameter, [1, 2, 3], [0, 0, 1]).volume_mm3 == pytest.approx(volume, abs=0.01)


def test_travel_adds_a_cylinder():
    # pi r^2 dx: r 25, 2 mm, 3926.99 mm3 (textbook)
    still, moved = step_along(50, [0, 0, 0], [0, 0, 1]), step_along(50, [0, 0, 0], [0, 0, 1], 2.0)
    assert moved.volume_mm3 - still.volume_mm3 == pytest.approx(3926.99, abs=0.01)


def test_sizing_up_with_the_pole_held_moves_the_centre_out_by_half_the_difference():
    # plain geometry: (d2 - d1) / 2
    small = step_along(50, [0, 0, 0], [0, 0, 1])
    large = step_along(51, small.pole_lps_mm - 25.5 * small.direction_lps, [0, 0, 1])
    assert large.end_center_lps_mm == pytest.approx([0, 0, -0.5])
    assert large.pole_lps_mm == pytest.approx(small.pole_lps_mm)


@given(seeds)
def test_a_line_meets_a_bullet_where_its_points_say(seed):
    rng = np.random.default_rng(seed)
    step = step_along(rng.uniform(32, 70), rng.normal(size=3) * 10, rng.normal(size=3), rng.uniform(0, 30))
    point, direction = rng.normal(size=3) * 25, rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    depth = np.linspace(-150, 150, 6001)
    inside = bullet_distance_mm(step, point + depth[:, None] * direction) < 0
    found = line_through_step_mm(step, point, direction)
    if inside.sum() < 3:
        assume(found is not None)
        assert found[1] - found[0] < 0.2
    else:
        assert found == pytest.approx((depth[inside][0], depth[inside][-1]), abs=0.06)


@given(seeds)
def test_distance_to_a_bullet_is_that_to_its_nearest_sampled_point(seed):
    rng = np.random.default_rng(seed)
    travel = rng.uniform(0, 20)
    step = step_along(40, [0, 0, 0], [0, 0, 1], travel)
    # the solid as densely sampled discs
    heights = np.linspace(-travel, 20, 120)
    widths = np.where(heights > 0, np.sqrt(np.maximum(400 - heights**2, 0)), 20.0)
    point = rng.normal(size=3) * 40
    assume(bullet_distance_mm(step, point[None])[0] > 0)
    across = max(np.hypot(point[0], point[1]), 1e-9)
    nearest = np.hypot(np.maximum(across - widths, 0), point[2] - heights).min()
    assert bullet_distance_mm(step, point[None])[0] == pytest.approx(nearest, abs=0.2)


def test_the_cavity_is_the_union_of_its_steps():
    first, last = step_along(47, [-5, 0, 0], [-1, 0, 0]), step_along(49, [0, 0, 0], [-1, 0, 0])
    cavity = Cavity((first, last))
    points = np.array([[-28.0, 0, 0], [-24.2, 0, 0], [-28.6, 0, 0], [0.5, 0, 0]])
    assert cavity.inside(points).tolist() == [True, True, False, False]
    assert len(cavity.floors) == 2


def test_a_floor_within_a_later_reamer_does_not_count():
    first, last = step_along(47, [0, 0, 0], [-1, 0, 0.5]), step_along(49, [0, 0, 0], [-1, 0, 0])
    assert Cavity((first, last)).floors == (last,)


def test_a_reamer_that_moves_across_its_own_direction_is_refused():
    with pytest.raises(InputError, match="reaming-direction"):
        ReamingStep(50, np.zeros(3), np.array([-5.0, 0, 1]), np.array([-1.0, 0, 0]))
    with pytest.raises(InputError, match="reamer-size"):
        step_along(5, [0, 0, 0], [1, 0, 0])
    with pytest.raises(InputError, match="cavity-empty"):
        Cavity(())
