"""Outlines against brute force: the hull of many projected surface points, and closed forms of spheres."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Circle, Sphere
from cotyle.xray.carm import from_positioner
from cotyle.xray.ellipse import project_circle, project_sphere
from cotyle.xray.outlines import (
    axis_line_px,
    circle_points,
    hemisphere_outline,
    joined,
    landmarks_px,
    silhouette_px,
    silhouette_segments,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

R = 26.0


def c_arm(primary=0.0, secondary=0.0):
    return from_positioner(
        (0, 0, 0),
        primary,
        secondary,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=650,
        pixel_pitch_mm=(1.0, 1.0),
        size=(300, 300),
    )


def area(polygon):
    """Area of a closed polygon (shoelace formula)."""
    x, y = polygon.T
    return 0.5 * abs(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def dense_hemisphere(rim):
    """Points on the dome (golden spiral) and on the rim."""
    n = np.arange(60000)
    z = 1 - (2 * n + 1) / 60000
    turn = np.pi * (1 + 5**0.5) * n
    ball = np.column_stack([np.sqrt(1 - z**2) * np.cos(turn), np.sqrt(1 - z**2) * np.sin(turn), z])
    dome = ball[ball @ rim.normal_lps <= 0]
    return np.concatenate([rim.center_lps_mm + rim.radius_mm * dome, circle_points(rim, 1001)])


@given(
    normal=st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.2),
    center=st.tuples(*[st.floats(-80, 80)] * 3),
)
@settings(max_examples=40, deadline=None)
def test_the_silhouette_is_the_hull_of_all_projected_points(normal, center):
    # a half ball is convex, and so is its picture
    carm, rim = c_arm(), Circle(np.array(center), np.array(normal), R)
    outline = hemisphere_outline(carm, rim)
    points = carm.project(dense_hemisphere(rim))
    hull = ConvexHull(points)
    silhouette = outline.silhouette_px
    np.testing.assert_allclose(silhouette[0], silhouette[-1], atol=1e-6)
    assert area(silhouette) == pytest.approx(hull.volume, rel=2e-3)
    # no point of the border is inside the hull by more than its spacing, none is outside
    inside = (silhouette @ hull.equations[:, :2].T + hull.equations[:, 2]).max(axis=1)
    assert inside.max() < 0.05
    assert inside.min() > -0.25


@given(
    normal=st.tuples(*[st.floats(-1, 1)] * 3).filter(lambda v: np.linalg.norm(v) > 0.2),
    center=st.tuples(*[st.floats(-80, 80)] * 3),
)
@settings(max_examples=40, deadline=None)
def test_the_dome_lies_on_the_outline_of_its_sphere_and_the_rim_on_its_ellipse(normal, center):
    carm, rim = c_arm(20, -10), Circle(np.array(center), np.array(normal), R)
    outline = hemisphere_outline(carm, rim)
    for line, ellipse in (
        (outline.dome_px, project_sphere(carm, Sphere(rim.center_lps_mm, R))),
        (outline.rim_px, project_circle(carm, rim)),
    ):
        if len(line) and not np.isnan(ellipse.major_axis_angle_deg):
            away = line - ellipse.center
            along = away @ ellipse.major_direction
            across = away @ np.array([ellipse.major_direction[1], -ellipse.major_direction[0]])
            a, b = ellipse.semi_major, ellipse.semi_minor
            np.testing.assert_allclose((b * along) ** 2 + (a * across) ** 2, (a * b) ** 2, rtol=1e-6, atol=1e-4)


def test_seen_straight_into_the_mouth_only_the_rim_is_left():
    # detector in front: a mouth that looks backwards faces the source
    outline = hemisphere_outline(c_arm(), Circle(np.zeros(3), np.array([0.0, 1.0, 0.0]), R))
    assert len(outline.dome_px) == 0
    np.testing.assert_array_equal(outline.silhouette_px, outline.rim_px)


def test_seen_straight_onto_the_dome_the_outline_is_the_ball():
    carm = c_arm()
    outline = hemisphere_outline(carm, Circle(np.zeros(3), np.array([0.0, -1.0, 0.0]), R))
    reach = np.linalg.norm(outline.silhouette_px - carm.project((0, 0, 0)), axis=1)
    np.testing.assert_allclose(reach, 1000 * np.tan(np.arcsin(R / 650)), rtol=1e-9)


def test_a_cup_around_the_source_is_refused():
    with pytest.raises(InputError) as caught:
        hemisphere_outline(c_arm(), Circle(np.array([0.0, 640.0, 0.0]), np.array([0.0, 1.0, 0.0]), R))
    assert caught.value.code == "behind-source"


def test_landmarks_and_the_axis_are_projected_by_name_and_inwards():
    carm = c_arm()
    named = landmarks_px(carm, {"asis_left": (120.0, 0.0, 0.0), "symphysis": (0.0, 0.0, -50.0)})
    np.testing.assert_allclose(named["asis_left"] - carm.center_px, (120 / 0.65, 0), atol=1e-9)
    np.testing.assert_allclose(named["symphysis"] - carm.center_px, (0, 50 / 0.65), atol=1e-9)
    # left hip: the mouth looks left and down, so its axis runs inwards to the right of the patient and up
    line = axis_line_px(carm, Circle(np.array([80.0, 0, 0]), np.array([0.6, 0.0, -0.8]), R))
    assert (line[1] - line[0] < 0).all()


def ball_mesh(center, radius, stacks=40, sectors=80):
    polar = np.linspace(0, np.pi, stacks + 1)[1:-1]
    turn = np.linspace(0, 2 * np.pi, sectors, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    vertices = [np.column_stack([np.sin(p) * ring, np.full(sectors, np.cos(p))]) for p in polar]
    vertices = np.concatenate([[[0, 0, 1]], *vertices, [[0, 0, -1]]])
    triangles = []
    for s in range(sectors):
        n = (s + 1) % sectors
        triangles.append((0, 1 + s, 1 + n))
        for p in range(stacks - 2):
            a, b = 1 + p * sectors, 1 + (p + 1) * sectors
            triangles += [(a + s, b + s, b + n), (a + s, b + n, a + n)]
        last = 1 + (stacks - 2) * sectors
        triangles.append((last + s, len(vertices) - 1, last + n))
    return TriangleMesh(np.array(center) + radius * vertices, np.array(triangles))


def test_the_silhouette_of_a_ball_of_triangles_is_the_outline_of_the_sphere():
    carm, mesh = c_arm(25, 15), ball_mesh((30, -10, 20), 40.0)
    assert mesh.volume_mm3 > 0
    lines = joined(silhouette_px(carm, mesh), 1e-5)
    assert len(lines) == 1
    np.testing.assert_allclose(lines[0][0], lines[0][-1], atol=1e-4)
    ellipse = project_sphere(carm, Sphere(np.array([30.0, -10, 20]), 40.0))
    assert area(lines[0]) == pytest.approx(np.pi * ellipse.semi_major * ellipse.semi_minor, rel=5e-3)


def test_both_walls_of_a_hollow_show_as_x_rays_see_through():
    carm = c_arm()
    inner = ball_mesh((0, 0, 0), 20.0)
    outer = ball_mesh((0, 0, 0), 40.0)
    hollow = TriangleMesh(
        np.concatenate([outer.vertices_lps_mm, inner.vertices_lps_mm]),
        np.concatenate([outer.triangles, inner.triangles[:, ::-1] + len(outer.vertices_lps_mm)]),
    )
    reach = np.linalg.norm(silhouette_px(carm, hollow).reshape(-1, 2) - carm.center_px, axis=1)
    for radius in (20.0, 40.0):
        assert (abs(reach - 1000 * np.tan(np.arcsin(radius / 650))) < 0.2).sum() > 50


def test_a_surface_that_faces_the_source_everywhere_has_no_silhouette():
    sheet = TriangleMesh(np.array([[0, 0, 0], [10, 0, 0], [0, 0, 10.0]]), np.array([[0, 1, 2]]))
    assert silhouette_segments(c_arm(), sheet).shape == (0, 2, 3)
