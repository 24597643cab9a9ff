from __future__ import annotations

import numpy as np
import pytest
from cotyle.space.lines import inside
from cotyle.space.mesh import TriangleMesh
from cotyle.space.solid_cells import solid_cells
from hypothesis import given
from hypothesis import strategies as st

from tests.cup.cup_solids import box, join, shell, sphere, turned_inside_out

SOLIDS = {
    "ball": sphere([1, 2, 3], 22),
    "shell": shell([0, 0, 0], 24, 20),
    "two balls that overlap": join(sphere([-6, 0, 0], 15), sphere([6, 0, 0], 15)),
    "box with a hole": join(box([-20, -20, -20], [20, 20, 20]), turned_inside_out(box([-9, -9, -9], [9, 9, 9]))),
    "thin plate": box([-20, -20, 0.2], [20, 20, 0.6]),
}
CELLS = {name: solid_cells(solid, [0, 0, 0], 30.0) for name, solid in SOLIDS.items()}


@pytest.mark.parametrize("name", SOLIDS)
@given(st.integers(0, 10_000))
def test_cells_say_what_lines_say(name, seed):
    rng = np.random.default_rng(seed)
    points = rng.uniform(-34, 34, size=(400, 3))  # some beyond the cubes
    direction = rng.normal(size=3)
    assert np.array_equal(CELLS[name].inside(points, direction), inside(SOLIDS[name], points, direction))


def test_a_ball_holds_the_points_that_its_radius_says():
    rng = np.random.default_rng(1)
    points = rng.uniform(-25, 25, size=(20_000, 3)) + [1, 2, 3]
    radius = np.linalg.norm(points - [1, 2, 3], axis=1)
    clear = np.abs(radius - 22) > 0.2  # the ball is made of triangles
    assert np.array_equal(CELLS["ball"].inside(points)[clear], (radius < 22)[clear])


def test_most_cubes_need_no_line():
    assert (CELLS["ball"].states == 2).mean() < 0.08  # shell of 6100 mm2, about two cubes thick, in 216000 mm3


def test_a_surface_with_a_hole_is_left_to_the_lines():
    ball = SOLIDS["ball"]
    torn = TriangleMesh(ball.vertices_lps_mm, ball.triangles[1:])
    cells = solid_cells(torn, [0, 0, 0], 30.0)
    points = np.random.default_rng(2).uniform(-25, 25, size=(300, 3))
    assert (cells.states == 2).all()
    assert np.array_equal(cells.inside(points, [1, 0.2, 0.1]), inside(torn, points, [1, 0.2, 0.1]))
