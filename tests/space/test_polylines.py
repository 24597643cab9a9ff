import numpy as np
from cotyle.anatomy.sections import plane_section
from cotyle.space.polylines import chained

from tests.space.solids import sphere


def length(line):
    return np.linalg.norm(np.diff(line, axis=0), axis=1).sum()


def test_the_cut_of_a_ball_is_one_closed_line_as_long_as_its_circle():
    """2 pi sqrt(R^2 - h^2)."""
    mesh = sphere(20.0, steps=90)
    lines = chained(plane_section(mesh, (0.0, 0.0, 12.0), (1, 0, 0), (0, 1, 0)))
    assert len(lines) == 1
    np.testing.assert_allclose(lines[0][0], lines[0][-1], atol=1e-6)
    assert abs(length(lines[0]) - 2 * np.pi * 16.0) < 0.1


def test_an_open_line_goes_from_end_to_end_whatever_the_order_of_its_pieces():
    points = np.array([[0.0, 0], [1, 0], [2, 1], [3, 1], [4, 0]])
    pieces = np.stack([points[:-1], points[1:]], axis=1)
    shuffled = pieces[[2, 0, 3, 1]]
    shuffled[1] = shuffled[1][::-1]
    lines = chained(shuffled)
    assert len(lines) == 1
    found = lines[0] if lines[0][0, 0] < 1 else lines[0][::-1]
    np.testing.assert_allclose(found, points)


def test_apart_stays_apart_and_no_piece_is_lost():
    first, second = sphere(5.0, steps=30), sphere(3.0, (20.0, 0, 0), steps=30)
    cut = np.concatenate([plane_section(each, (0, 0, 0.3), (1, 0, 0), (0, 1, 0)) for each in (first, second)])
    lines = chained(cut)
    assert len(lines) == 2
    assert sum(len(line) - 1 for line in lines) == len(cut)
    assert chained(np.empty((0, 2, 2))) == []
