from __future__ import annotations

import numpy as np
import pytest
from cotyle.space.lines import cross, cross_each, inside
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.cup.cup_solids import box, join, shell, sphere


# textbook chord of a sphere at offset p: 2 sqrt(r^2 - p^2), r 26
@pytest.mark.parametrize(("offset", "chord"), [(0, 52.0), (10, 48.0), (20, 33.2265), (25, 14.2829)])
def test_chords_of_a_sphere(offset, chord):
    pieces = cross(sphere([1, 2, 3], 26, level=5), [[-200, 2, 3 + offset]], [1, 0, 0]).intervals_mm(0)
    assert len(pieces) == 1
    assert np.diff(pieces[0]) == pytest.approx(chord, abs=0.06)


# textbook: bone met by a line through a shell 26/22 at offset p; twice the wall met from inside
@pytest.mark.parametrize(("offset", "bone"), [(0, 8.0), (10, 8.8082), (24, 20.0), (25, 14.2829)])
def test_bone_met_in_a_shell(offset, bone):
    pieces = cross(shell([0, 0, 0], 26, 22), [[0, offset, 0.1]], [0.0, 0.0, 1.0]).intervals_mm(0)
    assert np.diff(pieces, axis=1).sum() == pytest.approx(bone, abs=0.06)


def test_a_line_through_edges_and_corners_is_neither_lost_nor_doubled():
    solid = box([0, 0, 0], [10, 10, 10], cell_mm=5)
    for point in ([5, 5, -3], [2.5, 2.5, -3], [5, 2, -3], [7.5, 5, -3]):  # on edges and corners of triangles
        pieces = cross(solid, [point], [0, 0, 1]).intervals_mm(0)
        assert pieces == pytest.approx(np.array([[3.0, 13.0]]))


def test_gaps_below_the_limit_are_bridged():
    solid = join(box([0, -9, -9], [4, 9, 9]), box([5.5, -9, -9], [10, 9, 9]), box([13, -9, -9], [20, 9, 9]))
    crossings = cross(solid, [[-1, 0.2, 0.3]], [1, 0, 0])
    assert crossings.intervals_mm(0) == pytest.approx(np.array([[1, 5], [6.5, 11], [14, 21]]))
    assert crossings.intervals_mm(0, 2.0) == pytest.approx(np.array([[1, 11], [14, 21]]))


@settings(max_examples=20)
@given(st.integers(0, 10_000))
def test_lines_of_their_own_directions_meet_what_parallel_ones_meet(seed):
    rng = np.random.default_rng(seed)
    solid = join(sphere([0, 0, 0], 26), box([40, -9, -9], [50, 9, 9]))
    points, direction = rng.normal(size=(20, 3)) * 30, rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    one, each = cross(solid, points, direction), cross_each(solid, points, np.tile(direction, (20, 1)))
    assert np.array_equal(one.starts, each.starts)
    assert np.array_equal(one.enters, each.enters)
    assert one.depths_mm == pytest.approx(each.depths_mm, abs=1e-5)


# -(p.d) +- sqrt((p.d)^2 + r^2 - p^2): textbook
def test_lines_of_their_own_directions_through_a_sphere():
    rng = np.random.default_rng(3)
    points, directions = rng.uniform(-12, 12, (50, 3)), rng.normal(size=(50, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    found = cross_each(sphere([0, 0, 0], 26, level=5), points, directions)
    along = np.einsum("ij,ij->i", points, directions)
    root = np.sqrt(along**2 + 26.0**2 - np.einsum("ij,ij->i", points, points))
    ends = np.array([found.intervals_mm(n)[0] for n in range(50)])
    assert ends == pytest.approx(np.stack([-along - root, -along + root], axis=1), abs=0.03)


def test_lines_of_their_own_directions_lose_none_at_edges_and_corners():
    solid = box([0, 0, 0], [10, 10, 10], cell_mm=5)
    points = np.array([[5, 5, -3.0], [2.5, 2.5, -3], [-3.0, 5, 5], [5, -3.0, 2]])
    directions = np.array([[0, 0, 1.0], [0, 0, 1], [1, 0, 0], [0, 1, 0]])
    found = cross_each(solid, points, directions)
    assert [found.intervals_mm(n).tolist() for n in range(4)] == [[pytest.approx([3.0, 13.0])]] * 4


@given(st.integers(0, 10_000))
def test_inside_agrees_with_the_radius(seed):
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(200, 3)) * 20
    radius = np.linalg.norm(points, axis=1)
    clear = np.abs(radius - 26) > 0.2
    found = inside(sphere([0, 0, 0], 26), points, rng.normal(size=3))
    assert np.array_equal(found[clear], (radius < 26)[clear])
