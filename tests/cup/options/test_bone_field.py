"""Distances on the grid against distances that are known."""

import numpy as np
from cotyle.cup.options.bone_field import BAND_MM, bone_field, distance_at, next_surface_mm
from cup_solids import box, shell, sphere

CENTER = np.array([3.3, -7.7, 11.1])


def at(field, points):
    return np.array([distance_at(field.distance_mm, field.low_lps_mm, *point) for point in points])


def test_distances_about_a_sphere_are_its_own_to_a_tenth_of_a_millimetre():
    field = bone_field(sphere(CENTER, 25.0, level=5), CENTER, 40.0)
    rng = np.random.default_rng(4)
    ways = rng.standard_normal((400, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    radius = rng.uniform(24.0, 26.0, 400)
    found = at(field, CENTER + radius[:, None] * ways)
    assert np.abs(found - (radius - 25.0)).max() < 0.05


def test_far_from_the_surface_only_the_side_is_kept():
    field = bone_field(sphere(CENTER, 25.0), CENTER, 40.0)
    assert at(field, [CENTER, CENTER + [0, 0, 35.0], CENTER + [500.0, 0, 0]]).tolist() == [-BAND_MM, BAND_MM, BAND_MM]


def test_the_hollow_of_a_shell_is_not_bone():
    field = bone_field(shell(CENTER, 30.0, 20.0), CENTER, 40.0)
    assert at(field, [CENTER])[0] == BAND_MM
    assert at(field, [CENTER + [0, 25.0, 0]])[0] == -BAND_MM


def test_a_line_meets_the_faces_of_a_box_where_they_are():
    field = bone_field(box([-10.3, -20, -20], [4.6, 20, 20]), np.zeros(3), 40.0)
    values = (field.distance_mm, field.low_lps_mm)
    start, way = np.array([12.0, 1.3, -2.2]), np.array([-1.0, 0.0, 0.0])
    entry = next_surface_mm(*values, start, way, 0.0, 60.0)
    leave = next_surface_mm(*values, start, way, entry + 0.01, 60.0)
    assert abs(entry - (12.0 - 4.6)) < 0.02
    assert abs(leave - (12.0 + 10.3)) < 0.02
    assert np.isinf(next_surface_mm(*values, start, way, leave + 0.01, 60.0))
