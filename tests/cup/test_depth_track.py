from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.cavity import Cavity, step_along
from cotyle.cup.component import Cup
from cotyle.cup.depth_track import depth_track
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.wall import measure_wall
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.shapes import Plane
from cotyle.space.side import Side
from cup_solids import socket_block

INWARD = np.array([-1.0, 0, 0])
RIM = Plane(np.zeros(3), np.array([1.0, 0, 0]))  # mouth of the block
BLOCK = socket_block(24, 40)


def track(steps, cup_center=-4.0, rim=RIM, volume=None):
    cup = Cup(Side.LEFT, np.array([cup_center, 0, 0]), -INWARD, 50)
    surface = inner_surface(BLOCK, [0, 0, 0], INWARD)
    wall = measure_wall(BLOCK, surface, Cavity(steps))
    return depth_track(cup, steps, wall, BLOCK, rim, volume), wall


def test_every_mark_lies_where_the_plan_puts_it():
    steps = (step_along(47, [-4, 0, 0], INWARD, 3.5), step_along(49, [-4, 0, 0], INWARD, 8.0))
    found, wall = track(steps)
    assert found.origin_lps_mm == pytest.approx([0, 0, 0])
    # depth 0 at the native rim; hollow 24 mm deep, block 40 mm thick
    assert found.bone_mm == pytest.approx(np.array([[24.0, 40.0]]), abs=1e-6)
    assert found.center_mm == pytest.approx(4)
    assert found.pole_mm == pytest.approx(28.5)
    assert found.seat_mm == pytest.approx(29.0)
    assert found.floor_mm == pytest.approx(28.5)
    assert found.inner_surface_mm == pytest.approx(40)
    assert found.inner_uncertainty_mm == wall.uncertainty_mm
    assert [(bar.from_mm, bar.to_mm) for bar in found.bars] == [
        pytest.approx((24.0, 27.5)),
        pytest.approx((20.5, 28.5)),
    ]
    assert found.at_lps_mm(28.5) == pytest.approx([-28.5, 0, 0])
    assert np.isnan(found.density_hu).all()


def test_a_reamer_of_another_direction_is_drawn_by_its_reach():
    lean = np.array([-np.cos(0.5), 0, np.sin(0.5)])
    found, _ = track((step_along(47, [-2, 0, 5], lean, 2.0), step_along(49, [-4, 0, 0], INWARD)))
    assert found.bars[0].to_mm == pytest.approx(2 + 23.5)


def test_the_density_is_that_under_the_pole():
    affine = np.diag([0.8, 0.8, 1.0, 1.0])
    affine[:3, 3] = [-60, -8, -8]
    i = np.broadcast_to(np.arange(100), (16, 20, 100))
    volume = Volume((100 - 10 * (i * 0.8 - 60)).astype(np.float32), affine)  # 100 HU at x = 0, 10 HU per mm
    found, _ = track((step_along(49, [-4, 0, 0], INWARD),), volume=volume)
    assert found.density_hu == pytest.approx(100 + 10 * found.depth_mm, abs=0.01)


def test_a_breach_has_no_inner_surface_ahead():
    found, wall = track((step_along(49, [-16, 0, 0], INWARD),))
    assert wall.breached_on_axis
    assert found.inner_surface_mm is None
    assert found.floor_mm is None


def test_a_rim_that_the_axis_does_not_cross_is_replaced_by_the_cups():
    found, _ = track((step_along(49, [-4, 0, 0], INWARD),), rim=Plane(np.zeros(3), np.array([0.0, 0, 1.0])))
    assert found.center_mm == 0
    with pytest.raises(InputError, match="cavity-empty"):
        depth_track(
            Cup(Side.LEFT, np.zeros(3), -INWARD, 50), (), track((step_along(49, [-4, 0, 0], INWARD),))[1], BLOCK, RIM
        )
