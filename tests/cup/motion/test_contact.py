"""First touch of turning points, against closed forms."""

import numpy as np
import pytest
from cotyle.cup.motion.contact import TOUCH_MM, Obstacle, moving, turn_until
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.space.solids import box, sphere

BLOCK = box((20.0, 40.0, 200.0), center=(60.0, 0.0, 0.0))  # its near face at x = 50, its sides at y = -20 and 20

GRID = Obstacle(BLOCK, 90.0)


def turned(points, obstacle, by_deg=180.0, axis=(0.0, 0.0, 1.0)):
    return turn_until(moving(np.array(points, dtype=float), obstacle), obstacle, axis, np.zeros(3), by_deg)


@pytest.mark.parametrize("radius", [51.0, 60.0, 70.0])
def test_a_point_on_a_circle_touches_where_the_circle_meets_the_side(radius):
    """Coming from below: the side y = -20 where the circle is beyond the corner by then, else the face x = 50."""
    _, touch = turned([[0.0, -radius, 0.0]], Obstacle(BLOCK, 90.0))
    at_side, at_face = np.degrees(np.arcsin(20.0 / radius)), np.degrees(np.arccos(50.0 / radius))
    met = at_side if radius * np.cos(np.radians(at_side)) >= 50.0 else at_face
    rate = np.radians(1.0) * radius * (np.cos if met == at_side else np.sin)(np.radians(met))
    assert 90.0 - met - TOUCH_MM / rate - 0.01 <= touch.angle_deg <= 90.0 - met


def test_a_point_that_passes_by_touches_nothing():
    stopped, touch = turned([[0.0, -45.0, 0.0]], Obstacle(BLOCK, 90.0))
    assert touch is None
    assert stopped.points[0] == pytest.approx([0.0, 45.0, 0.0], abs=1e-9)


def test_a_thin_plate_is_not_jumped_over():
    plate = Obstacle(box((100.0, 0.02, 200.0), center=(60.0, 0.0, 0.0)), 90.0)
    _, touch = turned([[0.0, -80.0, 0.0]], plate)
    assert touch.angle_deg == pytest.approx(90.0, abs=0.1)


@settings(max_examples=15)
@given(st.floats(5.0, 30.0), st.floats(35.0, 80.0), st.floats(0.0, 3.0))
def test_a_point_meets_a_ball_as_two_circles_cross(ball, radius, lift):
    """In the plane at a height the ball is a circle; both circles cross where the law of cosines says."""
    away = radius + 2.0
    across = np.sqrt(ball**2 - lift**2)
    obstacle = Obstacle(sphere(ball, (away, 0.0, 0.0), steps=60), 90.0)
    _, touch = turned([[0.0, -radius, lift]], obstacle)
    met = np.degrees(np.arccos((away**2 + radius**2 - across**2) / (2 * away * radius)))
    rate = np.radians(1.0) * radius * away * np.sin(np.radians(met)) / across  # mm of clearance a degree takes
    flat = ball * (1 - np.cos(np.pi / 118))  # how far the facets lie inside the ball
    assert touch.angle_deg == pytest.approx(90.0 - met, abs=(flat + TOUCH_MM) / rate + 0.05)


def test_of_several_points_the_first_that_touches_counts_and_how_fast_it_came():
    _, touch = turned([[0.0, -60.0, 0.0], [60.0 * np.sin(0.5), -60.0 * np.cos(0.5), 5.0]], Obstacle(BLOCK, 90.0))
    assert touch.index == 1
    assert touch.mm_per_deg == pytest.approx(60.0 * np.radians(1.0), rel=0.1)


def test_a_turn_in_two_parts_is_the_whole_turn():
    obstacle = Obstacle(BLOCK, 90.0)
    half, none = turned([[0.0, -60.0, 0.0]], obstacle, by_deg=30.0)
    assert none is None
    _, touch = turn_until(half, obstacle, (0.0, 0.0, 1.0), np.zeros(3), 90.0)
    assert touch.angle_deg + 30.0 == pytest.approx(90.0 - np.degrees(np.arcsin(20.0 / 60.0)), abs=0.1)


@settings(max_examples=20)
@given(st.integers(0, 10_000))
def test_the_clearance_is_exact_near_the_surface_and_never_too_large(seed):
    """Distances to a box in closed form."""
    points = np.random.default_rng(seed).uniform(-70.0, 70.0, (200, 3))
    points = points[np.linalg.norm(points, axis=1) < 88.0]
    outside = np.maximum(np.abs(points - [60.0, 0.0, 0.0]) - [10.0, 20.0, 100.0], 0.0)
    inside = np.min([10.0, 20.0, 100.0] - np.abs(points - [60.0, 0.0, 0.0]), axis=1).clip(0.0)
    true = np.where(outside.any(axis=1), np.linalg.norm(outside, axis=1), inside)
    found = GRID.clearance_mm(points)
    assert (found <= true + 1e-6).all()
    near = true < 0.2
    assert found[near] == pytest.approx(true[near], abs=1e-6)
