"""Bundles of lines: thickness and volume against chords, caps, lenses and shells."""

import numpy as np
import pytest
from cotyle.space.columns import bundle_through
from cotyle.space.mesh import TriangleMesh, merged
from cotyle.space.rotations import rigid_matrix
from hypothesis import given, settings

from tests.space.solids import box, cap, sphere
from tests.space.strategies import directions, points, rotations

S = np.array([0.0, 0.0, 1.0])


def volume_mm3(columns) -> float:
    length = sum(float(np.diff(columns.intervals_mm(line), axis=1).sum()) for line in range(columns.count))
    return length * columns.pitch_mm**2


def line_at(columns, offset_mm) -> int:
    return int(np.argmin(np.linalg.norm(columns.offsets_mm - np.asarray(offset_mm), axis=1)))


@pytest.mark.parametrize(
    ("solid", "volume"),
    [
        (sphere(26.0), 4 / 3 * np.pi * 26.0**3),
        (cap(24.0, 24.0), 28952.92),  # hemispheres: 2/3 pi r^3
        (cap(26.0, 26.0), 36811.09),
        (cap(26.0, 5.0), 1911.136),  # caps: pi h^2 (3 r - h) / 3
        (cap(26.0, 13.0), 11503.465),
        (cap(26.0, 20.0), 24294.983),
        (box([10.0, 20.0, 30.0]), 6000.0),
    ],
)
@pytest.mark.parametrize("direction", [S, np.array([0.9, 0.2, -0.3]), np.array([0.3, -0.5, 0.8])])
def test_lengths_of_lines_add_up_to_the_volume(solid, volume, direction):
    columns = bundle_through(solid, [0.0, 0.0, 0.0], direction, radius_mm=45.0, pitch_mm=0.5)
    assert volume_mm3(columns) == pytest.approx(volume, rel=5e-3)


@pytest.mark.parametrize(
    ("r1", "r2", "d", "volume"),
    # pi (r1+r2-d)^2 (d^2 + 2 d (r1+r2) - 3 (r1-r2)^2) / (12 d)
    [(26.0, 25.0, 10.0, 49157.469), (27.0, 26.0, 3.0, 70685.835), (26.0, 26.0, 20.0, 33242.239)],
)
def test_the_part_two_balls_share_is_the_lens(r1, r2, d, volume):
    grid = {"origin_lps_mm": [0, 0, 0], "direction_lps": S, "radius_mm": 30.0, "pitch_mm": 0.5}
    first = bundle_through(sphere(r1), **grid)
    second = bundle_through(sphere(r2, [0.0, 0.0, d]), **grid)
    shared = 0.0
    for line in range(first.count):
        for a in first.intervals_mm(line):
            for b in second.intervals_mm(line):
                shared += max(0.0, min(a[1], b[1]) - max(a[0], b[0]))
    assert shared * 0.25 == pytest.approx(volume, rel=3e-3)


@pytest.mark.parametrize(("offset", "chord"), [(0.0, 52.0), (10.0, 48.0), (20.0, 33.2265), (25.0, 14.2829)])
def test_a_line_at_an_offset_has_the_chord_of_the_circle(offset, chord):
    columns = bundle_through(sphere(26.0), [0.0, 0.0, 0.0], S, 27.0, 0.25)
    assert np.diff(columns.intervals_mm(line_at(columns, [offset, 0.0]))).sum() == pytest.approx(chord, abs=0.05)


@pytest.mark.parametrize(("offset", "bone"), [(0.0, 8.0), (10.0, 8.8082), (24.0, 20.0), (25.0, 14.2829)])
def test_a_shell_gives_its_wall_on_both_sides_and_not_its_hollow(offset, bone):
    # 2 sqrt(R^2 - p^2) - 2 sqrt(r^2 - p^2) with R 26, r 22; the hollow's surface points inwards
    hollow = sphere(22.0)
    shell = merged([sphere(26.0), TriangleMesh(hollow.vertices_lps_mm, hollow.triangles[:, ::-1])])
    columns = bundle_through(shell, [0.0, 0.0, 0.0], S, 27.0, 0.25)
    inside = columns.intervals_mm(line_at(columns, [offset, 0.0]))
    assert len(inside) == (2 if offset < 22 else 1)
    assert np.diff(inside, axis=1).sum() == pytest.approx(bone, abs=0.08)


def test_depths_are_counted_from_the_origin_along_the_direction():
    columns = bundle_through(box([20.0, 20.0, 4.0], center=[0.0, 0.0, 50.0]), [0.0, 0.0, 10.0], S, 3.0, 1.0)
    for line in range(columns.count):
        np.testing.assert_allclose(columns.intervals_mm(line), [[38.0, 42.0]], atol=1e-9)
    back = bundle_through(box([20.0, 20.0, 4.0], center=[0.0, 0.0, 50.0]), [0.0, 0.0, 10.0], -S, 3.0, 1.0)
    np.testing.assert_allclose(back.intervals_mm(0), [[-42.0, -38.0]], atol=1e-9)


def test_bodies_that_overlap_count_once():
    pair = merged([box([10.0, 10.0, 10.0]), box([10.0, 10.0, 10.0], center=[0.0, 0.0, 6.0])])
    columns = bundle_through(pair, [0.0, 0.0, 0.0], S, 2.0, 1.0)
    np.testing.assert_allclose(columns.intervals_mm(0), [[-5.0, 11.0]], atol=1e-9)


def test_lines_beside_the_solid_have_no_crossings():
    columns = bundle_through(box([4.0, 4.0, 4.0]), [0.0, 0.0, 0.0], S, 10.0, 1.0)
    assert len(columns.intervals_mm(line_at(columns, [8.0, 0.0]))) == 0
    assert columns.starts[-1] == len(columns.depths_mm)


def test_the_bundle_is_round_and_turned_as_asked():
    columns = bundle_through(box([4.0, 4.0, 4.0]), [0.0, 0.0, 0.0], S, 6.0, 0.5, u_lps=[1.0, 1.0, 5.0])
    assert np.hypot(*columns.offsets_mm.T).max() <= 6.0
    assert columns.count * 0.25 == pytest.approx(np.pi * 36.0, rel=0.03)
    np.testing.assert_allclose(columns.u_lps, np.array([1.0, 1.0, 0.0]) / np.sqrt(2), atol=1e-12)
    np.testing.assert_allclose(np.cross(columns.u_lps, columns.v_lps), columns.direction_lps, atol=1e-12)


@settings(max_examples=15, deadline=None)
@given(rotations, points, directions)
def test_turning_solid_and_bundle_together_changes_nothing(rotation, shift, direction):
    solid = cap(26.0, 13.0, steps=24)
    u = np.cross(direction, [0.2, 0.9, -0.4])
    if np.linalg.norm(u) < 0.2:
        return
    here = bundle_through(solid, [1.0, 2.0, 15.0], direction, 20.0, 1.0, u)
    matrix = rigid_matrix(rotation, shift)
    pivot = rotation @ [1.0, 2.0, 15.0] + shift
    there = bundle_through(solid.transformed(matrix), pivot, rotation @ direction, 20.0, 1.0, rotation @ u)
    assert there.count == here.count
    assert volume_mm3(there) == pytest.approx(volume_mm3(here), rel=1e-6, abs=1e-6)


def test_every_line_that_goes_in_comes_out():
    columns = bundle_through(sphere(26.0), [0.0, 0.0, 0.0], [0.2, 0.3, 0.9], 30.0, 0.4)
    for line in range(columns.count):
        enters = columns.enters[columns.starts[line] : columns.starts[line + 1]]
        assert 2 * enters.sum() == len(enters)
        depths = columns.depths_mm[columns.starts[line] : columns.starts[line + 1]]
        assert (np.diff(depths) >= 0).all()
