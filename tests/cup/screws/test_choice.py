"""Where a screw may go: what is proposed forgives the hand, and it turns and mirrors with the patient."""

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.cup.screws.choice import (
    Bed,
    aim_map,
    aim_of,
    aimed,
    best_place,
    directions_beside,
    measure_screws,
    shell_map,
    steady_mm,
)
from cotyle.cup.screws.paths import Margins
from cotyle.cup.screws.pelvic_surface import pelvic_surface
from cotyle.cup.screws.quadrants import Quadrant, Quadrants, quadrants_of
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from hypothesis import given
from hypothesis import strategies as st

from tests.cup.cup_solids import model_hip
from tests.cup.screws.test_paths import FLAT, INNER, SLAB

KEEP = Margins(6.5, 2.0, 2.0)
LINES = Quadrants(np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0]), np.array([-1.0, 0.0, 0.0]))
"""On a left cup that opens straight to +x."""


def slab_bed():
    return Bed(Cup(Side.LEFT, np.zeros(3), np.array([1.0, 0.0, 0.0]), 50.0), SLAB, INNER, FLAT)


def test_eight_directions_lie_evenly_about_one():
    way = np.array([-0.6, 0.0, 0.8])
    beside = directions_beside(way, 5.0, LINES.towards_asis_lps)
    assert np.rad2deg(np.arccos(beside @ way)) == pytest.approx(5.0)
    assert beside.mean(axis=0) == pytest.approx(np.cos(np.deg2rad(5.0)) * way)


def test_the_map_of_a_slab_is_its_closed_form():
    """Safe length of straight screws: (60 - 3.25 - 2) / cos - 25 as far as the slab's flanks lie beyond."""
    found = shell_map(slab_bed(), LINES, KEEP)
    safe = found.grid(found.paths.safe_mm)
    for row, angle in enumerate(found.from_pole_deg):
        if angle <= 45.0:
            assert safe[row] == pytest.approx(54.75 / np.cos(np.deg2rad(angle)) - 25.0, abs=1e-3)


def test_a_steady_screw_is_as_long_as_the_worst_of_its_neighbours():
    """From the place straight ahead, leaning by h: the surface comes near at depth (35 - 5.25) / cos h, so straight
    ahead is the worst.
    """
    place = LINES.directions([0.0], [0.0])
    assert steady_mm(slab_bed(), LINES, place, place, 8.0, KEEP) == pytest.approx(29.75, abs=1e-3)
    # leaning 30 deg upwards, 8 deg beside may lean 22 deg: that one is the shortest
    place = LINES.directions([30.0], [0.0])
    start = 60.0 - 25.0 * np.cos(np.deg2rad(30.0)) - 5.25
    assert steady_mm(slab_bed(), LINES, place, place, 8.0, KEEP) == pytest.approx(
        start / np.cos(np.deg2rad(22.0)), abs=1e-3
    )


def test_the_best_place_is_that_of_a_search_through_all():
    bed = slab_bed()
    from_pole, around = best_place(bed, LINES, Quadrant.POSTERIOR_SUPERIOR, 200.0, 5.0, KEEP)
    assert 0.0 < around < 90.0
    best = steady_mm(bed, LINES, *[LINES.directions([from_pole], [around])] * 2, 5.0, KEEP)[0]
    for polar in np.arange(10.0, 60.1, 10.0):
        for turn in np.arange(5.0, 90.0, 20.0):
            place = LINES.directions([polar], [turn])
            assert steady_mm(bed, LINES, place, place, 5.0, KEEP)[0] <= best + 1e-9


def test_no_place_is_proposed_where_no_screw_keeps_its_margins():
    wide = Margins(6.5, 40.0, 2.0)
    assert best_place(slab_bed(), LINES, Quadrant.POSTERIOR_SUPERIOR, 50.0, 5.0, wide) is None


def bed_of(hip):
    """A 52 mm cup at 40 / 15 about the native centre of a hip of the shape model."""
    axis = axis_from_orientation(Orientation(40.0, 15.0), Definition.RADIOGRAPHIC, hip.frame, hip.side)
    cup = Cup(hip.side, hip.center, axis, 52.0)
    inner = inner_surface(hip.bone, hip.center, hip.medial, hip.frame.superior)
    wide = pelvic_surface(hip.bone, inner, hip.center, hip.medial, hip.frame.superior)
    half = np.linalg.norm(hip.frame.origin_lps_mm - hip.center)
    # the ASIS of the side: half the width of the pelvis to the side of the frame's origin
    asis = hip.frame.origin_lps_mm + hip.side.lateral_sign * half * hip.frame.left
    return Bed(cup, hip.bone, wide, FLAT), quadrants_of(cup, asis, hip.frame.posterior)


def lengths(hip):
    bed, lines = bed_of(hip)
    places = lines.directions([20.0, 40.0, 50.0, 40.0, 30.0], [45.0, 20.0, 120.0, 200.0, 300.0])
    found = measure_screws(bed, places, places, KEEP)
    steady = steady_mm(bed, lines, places, places, 5.0, KEEP)
    return np.concatenate([found.safe_mm, found.exit_mm, found.nearest_mm, steady])


@pytest.mark.parametrize("side", list(Side))
def test_screws_turn_and_mirror_with_the_patient(side):
    hip = model_hip(side, (0.5, -1.0, 0.5))
    here = lengths(hip)
    motion = rigid_matrix(rotation_matrix([1.0, -2.0, 0.5], 33.0), [40.0, -20.0, 10.0])
    assert lengths(hip.moved(motion)) == pytest.approx(here, abs=0.02)
    assert lengths(hip.mirrored()) == pytest.approx(here, abs=0.02)
    assert here[:5].max() > 15.0


def test_the_pelvic_surface_holds_the_inner_one_and_reaches_up_the_ilium():
    hip = model_hip()
    inner = inner_surface(hip.bone, hip.center, hip.medial, hip.frame.superior)
    wide = pelvic_surface(hip.bone, inner, hip.center, hip.medial, hip.frame.superior)
    assert len(wide.normals_lps) > len(inner.normals_lps)
    assert (wide.corners_lps_mm[: len(inner.normals_lps)] == inner.corners_lps_mm).all()
    height = (wide.centroids_lps_mm - hip.center) @ hip.frame.superior
    assert height.max() > 90.0
    # nothing of the socket itself: no triangle of it looks at the centre
    offset = wide.centroids_lps_mm - hip.center
    assert (np.einsum("ij,ij->i", offset, wide.normals_lps) > 0).all()


@given(st.floats(0.0, 85.0), st.floats(0.0, 359.0), st.floats(1.0, 40.0), st.floats(0.0, 359.0))
def test_an_aim_leans_as_far_and_that_way_and_is_read_back(from_pole, around, tilt, turn):
    place = LINES.directions([from_pole], [around])[0]
    way = aimed(LINES, place, [tilt], [turn])[0]
    assert np.rad2deg(np.arccos(np.clip(way @ place, -1, 1))) == pytest.approx(tilt, abs=1e-6)
    back = aim_of(LINES, place, way)
    assert back[0] == pytest.approx(tilt, abs=1e-6)
    assert (back[1] - turn + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-5)


def test_an_aim_at_the_pole_leans_along_the_lines():
    up, behind = aimed(LINES, LINES.pole_lps, [10.0, 10.0], [0.0, 90.0])
    assert up @ LINES.towards_asis_lps == pytest.approx(np.sin(np.deg2rad(10.0)))
    assert behind @ LINES.posterior_lps == pytest.approx(np.sin(np.deg2rad(10.0)))


def test_aims_from_one_place_of_a_slab_are_its_closed_form():
    """From the pole, leaning by a: the surface comes near at (60 - 25 - 5.25) / cos a."""
    found = aim_map(slab_bed(), LINES, LINES.pole_lps, KEEP)
    for row, tilt in enumerate(found.tilt_deg):
        assert found.safe_mm[row] == pytest.approx(29.75 / np.cos(np.deg2rad(tilt)), abs=1e-3)
