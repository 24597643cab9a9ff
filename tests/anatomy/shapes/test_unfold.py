"""Folds are taken out of a surface; the rest stays."""

import numpy as np
from cotyle.anatomy.shapes.unfold import unfolded
from cotyle.space.mesh import TriangleMesh

from tests.space.solids import sphere


def turned_over(mesh: TriangleMesh) -> int:
    """Triangles of a ball that face its middle."""
    middles = mesh.vertices_lps_mm[mesh.triangles].mean(axis=1)
    a, b, c = (mesh.vertices_lps_mm[mesh.triangles[:, corner]] for corner in range(3))
    return int((np.einsum("ij,ij->i", np.cross(b - a, c - a), middles) < 0.0).sum())


def test_a_vertex_pushed_over_its_neighbours_goes_back_among_them():
    ball = sphere(20.0, np.zeros(3), steps=24)
    vertices = ball.vertices_lps_mm.copy()
    pushed = int(np.argmax(vertices[:, 0]))
    vertices[pushed] += [-3.0, 9.0, 0.0]
    assert turned_over(ball.with_vertices(vertices)) > 0
    mended = unfolded(vertices, ball.triangles, np.ones(len(vertices), dtype=bool))
    assert turned_over(ball.with_vertices(mended)) == 0
    far = np.linalg.norm(ball.vertices_lps_mm - ball.vertices_lps_mm[pushed], axis=1) > 15.0
    np.testing.assert_array_equal(mended[far], vertices[far])


def test_what_may_not_move_stays():
    ball = sphere(20.0, np.zeros(3), steps=24)
    vertices = ball.vertices_lps_mm.copy()
    vertices[int(np.argmax(vertices[:, 0]))] += [-3.0, 9.0, 0.0]
    np.testing.assert_array_equal(unfolded(vertices, ball.triangles, np.zeros(len(vertices), dtype=bool)), vertices)


def test_a_surface_without_folds_stays():
    ball = sphere(20.0, np.zeros(3), steps=24)
    everywhere = np.ones(len(ball.vertices_lps_mm), dtype=bool)
    np.testing.assert_array_equal(unfolded(ball.vertices_lps_mm, ball.triangles, everywhere), ball.vertices_lps_mm)
