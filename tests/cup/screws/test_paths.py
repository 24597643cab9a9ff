"""Screws in solids of known geometry: slab, half-space, sphere, shell, and what they keep."""

import numpy as np
import pytest
from cotyle.cup.inner_surface import of_triangles
from cotyle.cup.screws.paths import Margins, screw_paths
from cotyle.image.volume import Volume

from tests.cup.cup_solids import box, join, shell, sphere

NO_MARGINS = Margins(diameter_mm=0.0, clearance_mm=0.0, end_mm=0.0)
RADIUS = 25.0
"""Of the cup, about the origin."""


def scan(hu_of):
    """A scan of 4 mm voxels about the origin; a density that goes linearly with place is read exactly."""
    matrix = np.diag([4.0, 4.0, 4.0, 1.0])
    matrix[:3, 3] = -100.0
    grid = np.stack(np.meshgrid(*[np.arange(51) * 4.0 - 100.0] * 3, indexing="ij"), axis=-1)  # x, y, z
    return Volume(np.ascontiguousarray(hu_of(grid).astype(np.float32).transpose(2, 1, 0)), matrix)


FLAT = scan(lambda places: np.full(places.shape[:-1], 300.0))


def face_at_x(bone, x_mm):
    """The triangles of a bone whose plane is x = const: the inner surface of a slab."""
    return of_triangles(bone, np.flatnonzero(np.abs(bone.corners_lps_mm[:, :, 0] - x_mm).max(axis=1) < 1e-6))


def leaning(angles_deg):
    """Directions in the x, z plane, so many degrees from -x."""
    angle = np.deg2rad(angles_deg)
    return np.stack([-np.cos(angle), np.zeros(len(angle)), np.sin(angle)], axis=1)


SLAB = box([-60.0, -90.0, -90.0], [-20.0, 90.0, 90.0])
INNER = face_at_x(SLAB, -60.0)


def test_straight_screws_in_a_slab_meet_its_thickness_over_the_cosine():
    """The slab ends 60 mm from the centre: the exit lies at 60 / cos - 25 from the shell."""
    lean = np.array([0.0, 20.0, 40.0, 50.0])
    ways = leaning(lean)
    found = screw_paths(SLAB, INNER, FLAT, RADIUS * ways, ways, NO_MARGINS)
    cos = np.cos(np.deg2rad(lean))
    assert found.exit_mm == pytest.approx(60.0 / cos - RADIUS, abs=1e-5)
    assert found.bone_from_mm == pytest.approx(np.maximum(20.0 / cos - RADIUS, 0.0), abs=1e-5)
    assert found.bone_mm == pytest.approx(60.0 / cos - np.maximum(20.0 / cos, RADIUS), abs=1e-5)
    assert found.into_pelvis.all()
    assert found.at_exit_mm == pytest.approx(0.0, abs=1e-5)
    assert found.mean_hu == pytest.approx(300.0)


def test_a_screw_keeps_its_flank_from_the_inner_surface_and_its_tip_from_the_exit():
    """At depth s straight screws are 60 - (25 + s) cos away from the surface."""
    lean = np.array([0.0, 30.0, 50.0])
    ways, cos = leaning(lean), np.cos(np.deg2rad(lean))
    keep = Margins(diameter_mm=6.0, clearance_mm=2.0, end_mm=1.0)
    found = screw_paths(SLAB, INNER, FLAT, RADIUS * ways, ways, keep)
    assert found.safe_mm == pytest.approx((60.0 - 5.0) / cos - RADIUS, abs=1e-4)
    ends_first = Margins(diameter_mm=0.0, clearance_mm=0.0, end_mm=4.0)
    found = screw_paths(SLAB, INNER, FLAT, RADIUS * ways, ways, ends_first)
    assert found.safe_mm == pytest.approx(60.0 / cos - RADIUS - 4.0, abs=1e-4)


def test_a_screw_along_the_surface_is_safe_to_its_end_and_nearest_all_along():
    way = np.array([[0.0, 0.0, 1.0]])
    start = np.array([[-50.0, 0.3, 0.2]])
    found = screw_paths(SLAB, INNER, FLAT, start, way, Margins(6.0, 2.0, 2.0))
    assert found.nearest_mm == pytest.approx(10.0, abs=1e-5)
    assert found.exit_mm == pytest.approx(89.8, abs=1e-5)
    assert found.safe_mm == pytest.approx(87.8, abs=1e-4)
    assert not found.into_pelvis.any()
    assert screw_paths(SLAB, INNER, FLAT, start, way, Margins(6.0, 7.5, 2.0)).safe_mm == pytest.approx(0.0)


# chord of a sphere from a point: -(e.d) + sqrt((e.d)^2 + R^2 - e^2); textbook
def test_bone_in_an_eccentric_sphere_is_the_chord_to_it():
    middle = np.array([-8.0, 3.0, 5.0])
    bone = sphere(middle, 55.0, level=5)
    rng = np.random.default_rng(1)
    ways = rng.normal(size=(40, 3))
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    found = screw_paths(bone, INNER, FLAT, RADIUS * ways, ways, NO_MARGINS)
    along = ways @ -middle
    chord = -along + np.sqrt(along**2 + 55.0**2 - middle @ middle)
    assert found.exit_mm == pytest.approx(chord - RADIUS, abs=0.03)


def test_a_concentric_shell_is_as_thick_everywhere():
    ways = np.array([[1.0, 0, 0], [0, 0.6, 0.8], [-0.48, 0.64, 0.6]])
    found = screw_paths(shell([0, 0, 0], 45.0, 30.0), INNER, FLAT, RADIUS * ways, ways, NO_MARGINS)
    assert found.bone_from_mm == pytest.approx(5.0, abs=0.03)
    assert found.bone_mm == pytest.approx(15.0, abs=0.03)


def test_a_gap_below_two_mm_is_bridged_and_a_wider_one_ends_the_bone():
    bone = join(box([-40, -60, -60], [-20, 60, 60]), box([-55, -60, -60], [-41.5, 60, 60]))
    bone = join(bone, box([-80, -60, -60], [-58, 60, 60]))
    way = np.array([[-1.0, 0.0, 0.0]])
    found = screw_paths(bone, face_at_x(bone, -80.0), FLAT, RADIUS * way + [[0, 0.3, 0.2]], way, NO_MARGINS)
    assert found.exit_mm == pytest.approx(30.0, abs=1e-5)
    assert not found.into_pelvis[0]
    assert found.at_exit_mm == pytest.approx(25.0, abs=1e-5)


def test_bone_too_far_beyond_the_shell_holds_no_screw():
    way = np.array([[-1.0, 0.0, 0.0]])
    near, far = (box([-90, -60, -60], [-RADIUS - gap, 60, 60]) for gap in (11.0, 13.0))
    assert screw_paths(near, INNER, FLAT, RADIUS * way, way, NO_MARGINS).bone_mm[0] > 0
    none = screw_paths(far, INNER, FLAT, RADIUS * way, way, NO_MARGINS)
    assert none.bone_mm[0] == none.safe_mm[0] == 0.0
    assert np.isnan(none.mean_hu[0])


def test_density_along_a_screw_is_the_mean_of_a_slope():
    """Density falls by 5 HU for each mm of -x: over bone from 25 to 60 mm its mean is that of the middle, 42.5 mm."""
    slope = scan(lambda places: 500.0 + 5.0 * places[..., 0])
    way = np.array([[-1.0, 0.0, 0.0]])
    found = screw_paths(SLAB, INNER, slope, RADIUS * way, way, NO_MARGINS)
    assert found.mean_hu == pytest.approx(500.0 - 5.0 * 42.5, abs=0.1)
