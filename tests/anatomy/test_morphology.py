"""Angles and ratios of the socket: closed forms on blocks, published ranges on draws from the shape model.

Closed forms. A hollow sphere whose edge is the circle of directions ``beta`` from the opening axis n (radiographic
RI, RA, anatomic AI, AA after Murray 1993). A unit direction d at angle t from superior to lateral in the coronal plane
has d.n = -cos RA cos(t + RI), one at angle p from lateral to anterior in the axial plane d.n = sin AI cos(p - AA). At
the edge d.n = cos beta. Hence centre-edge angle arccos(-cos beta / cos RA) - RI, and sector angles
180 - arccos(cos beta / sin AI) minus or plus AA.
"""

import numpy as np
import pytest
from cotyle.anatomy.morphology import crowe_group, head_neck_junction, measure_crowe, measure_morphology
from cotyle.errors import InputError
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.anatomy.pelves import LEVEL, axis_from_radiographic, socket_block
from tests.space.solids import revolved

R = 25.0


def _anatomic(ri_deg, ra_deg):
    ri, ra = np.deg2rad([ri_deg, ra_deg])
    return np.arccos(np.cos(ri) * np.cos(ra)), np.arctan2(np.tan(ra), np.sin(ri))


@settings(max_examples=8, deadline=None)
@given(st.floats(30.0, 60.0), st.floats(-10.0, 30.0), st.floats(85.0, 110.0), st.sampled_from(list(Side)))
def test_edge_and_sector_angles_have_their_closed_form(ri, ra, beta, side):
    center = np.array([80.0 * side.lateral_sign, 30.0, -60.0])
    block = socket_block(axis_from_radiographic(ri, ra, side), center, R, beta)
    shape = measure_morphology(block, Sphere(center, R), LEVEL, side)
    edge = np.rad2deg(np.arccos(-np.cos(np.deg2rad(beta)) / np.cos(np.deg2rad(ra)))) - ri
    assert shape.lateral_center_edge_angle_deg == pytest.approx(edge, abs=0.3)
    ai, aa = _anatomic(ri, ra)
    half = np.rad2deg(np.arccos(np.cos(np.deg2rad(beta)) / np.sin(ai)))
    assert shape.anterior_sector_angle_deg == pytest.approx(180.0 - half - np.rad2deg(aa), abs=0.3)
    assert shape.posterior_sector_angle_deg == pytest.approx(180.0 - half + np.rad2deg(aa), abs=0.3)
    # HASA = AASA + PASA exactly (Anda 1986)
    assert shape.horizontal_sector_angle_deg == pytest.approx(
        shape.anterior_sector_angle_deg + shape.posterior_sector_angle_deg, abs=1e-9
    )


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(("ri", "ra", "gamma"), [(45.0, 0.0, 40.0), (50.0, 15.0, 35.0), (40.0, 10.0, 25.0)])
def test_the_roof_slopes_as_the_chord_from_the_fossa_to_the_edge(side, ri, ra, gamma):
    block = socket_block(axis_from_radiographic(ri, ra, side), (0, 0, 0), R, 100.0, fossa_deg=gamma)
    shape = measure_morphology(block, Sphere(np.zeros(3), R), LEVEL, side)
    cos_ra = np.cos(np.deg2rad(ra))
    outer = np.rad2deg(np.arccos(-np.cos(np.deg2rad(100.0)) / cos_ra)) - ri
    inner = np.rad2deg(np.arccos(np.cos(np.deg2rad(gamma)) / cos_ra)) - ri
    # a chord between two directions of one circle slopes by minus their mean
    assert shape.acetabular_index_deg == pytest.approx(-(outer + inner) / 2.0, abs=0.7)


def test_a_hollow_without_a_fossa_has_no_roof_index():
    block = socket_block(axis_from_radiographic(45.0, 15.0, Side.LEFT))
    assert measure_morphology(block, Sphere(np.zeros(3), R), LEVEL, Side.LEFT).acetabular_index_deg is None


@settings(max_examples=6, deadline=None)
@given(st.floats(35.0, 55.0), st.floats(15.0, 24.0), st.floats(-3.0, 6.0), st.sampled_from(list(Side)))
def test_the_extrusion_index_is_the_share_of_the_head_outside_the_edge(ri, head_mm, lateral_mm, side):
    block = socket_block(axis_from_radiographic(ri, 0.0, side), (0, 0, 0), R)
    head = Sphere(np.array([side.lateral_sign * lateral_mm, 0.0, 0.0]), head_mm)
    shape = measure_morphology(block, Sphere(np.zeros(3), R), LEVEL, side, head=head)
    edge_mm = R * np.sin(np.deg2rad(90.0 - ri))
    expected = np.clip((lateral_mm + head_mm - edge_mm) / (2 * head_mm), 0.0, 1.0)
    assert shape.extrusion_index == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("side", list(Side))
def test_the_sharp_angle_is_read_against_the_line_between_the_teardrops(side):
    block = socket_block(axis_from_radiographic(50.0, 0.0, side), (0, 0, 0), R)
    edge = R * np.array([side.lateral_sign * np.sin(np.deg2rad(40.0)), 0.0, np.cos(np.deg2rad(40.0))])
    drop = edge - 60.0 * np.array([side.lateral_sign * np.cos(np.deg2rad(39.0)), 0.2, np.sin(np.deg2rad(39.0))])
    shape = measure_morphology(block, Sphere(np.zeros(3), R), LEVEL, side, teardrop_lps_mm=drop)
    assert shape.sharp_angle_deg == pytest.approx(39.0, abs=0.3)
    # the other teardrop 3 deg lower: the line between them rises to this side, the angle shrinks by as much
    lower = drop - 80.0 * np.array([side.lateral_sign * np.cos(np.deg2rad(3.0)), 0.0, np.sin(np.deg2rad(3.0))])
    tilted = measure_morphology(
        block, Sphere(np.zeros(3), R), LEVEL, side, teardrop_lps_mm=drop, opposite_teardrop_lps_mm=lower
    )
    assert tilted.sharp_angle_deg == pytest.approx(36.0, abs=0.3)


def test_sector_angles_use_the_line_between_the_hip_centres():
    # the other centre 10 deg further back: the line turns, anterior grows and posterior shrinks by 10 deg
    block = socket_block(axis_from_radiographic(45.0, 15.0, Side.LEFT))
    sphere = Sphere(np.zeros(3), R)
    level = measure_morphology(block, sphere, LEVEL, Side.LEFT, opposite_center_lps_mm=np.array([-170.0, 0.0, 0.0]))
    turn = np.deg2rad(10.0)
    back = -170.0 * np.array([np.cos(turn), -np.sin(turn), 0.0])
    turned = measure_morphology(block, sphere, LEVEL, Side.LEFT, opposite_center_lps_mm=back)
    assert turned.anterior_sector_angle_deg - level.anterior_sector_angle_deg == pytest.approx(10.0, abs=0.3)
    assert turned.posterior_sector_angle_deg - level.posterior_sector_angle_deg == pytest.approx(-10.0, abs=0.3)


def test_an_edge_that_the_user_gave_stands_in_for_the_one_found():
    block = socket_block(axis_from_radiographic(45.0, 15.0, Side.RIGHT))
    given_edge = np.array([-10.0, 3.0, 20.0])
    shape = measure_morphology(block, Sphere(np.zeros(3), R), LEVEL, Side.RIGHT, lateral_edge_lps_mm=given_edge)
    assert shape.lateral_center_edge_angle_deg == pytest.approx(np.rad2deg(np.arctan2(10.0, 20.0)))


@pytest.mark.parametrize(
    ("subluxation", "group"),
    # Crowe 1979: I < 50 %, II 50-75 %, III 75-100 %, IV > 100 % of a fifth of the pelvic height
    [(-0.2, "I"), (0.49, "I"), (0.5, "II"), (0.74, "II"), (0.75, "III"), (1.0, "III"), (1.001, "IV"), (2.0, "IV")],
)
def test_crowe_groups_and_their_boundaries(subluxation, group):
    assert crowe_group(subluxation) == group


def test_crowe_of_nothing_is_refused():
    with pytest.raises(InputError):
        crowe_group(float("nan"))


def _pin(radius_mm, neck_mm, axis, center):
    """A ball on a cylinder: a head and its neck."""
    start = np.arcsin(neck_mm / radius_mm)
    angle = np.linspace(0.0, np.pi - start, 120)
    arc = radius_mm * np.column_stack([np.sin(angle), -np.cos(angle)])
    end = np.array([[neck_mm, 60.0], [0.0, 60.0]])
    mesh = revolved(np.vstack([arc, end]), 180)
    z = np.asarray(axis) / np.linalg.norm(axis)
    x = np.cross(z, [0.0, 1.0, 0.0])
    x /= np.linalg.norm(x)
    return mesh.with_vertices(mesh.vertices_lps_mm @ np.stack([x, np.cross(z, x), z]) + center)


@pytest.mark.parametrize("side", list(Side))
def test_the_head_neck_junction_of_a_ball_on_a_cylinder(side):
    neck = np.array([side.lateral_sign * np.cos(np.deg2rad(45.0)), 0.0, -np.sin(np.deg2rad(45.0))])
    center = np.array([90.0 * side.lateral_sign, 5.0, 7.0])
    femur = _pin(24.0, 15.0, neck, center)
    junction = head_neck_junction(femur, Sphere(center, 24.0), LEVEL, side)
    # the neck's lower line stands 1.5 mm off the ball where sin(angle to the neck's axis) = 15 / 25.5
    below = np.deg2rad(135.0) - np.arcsin(15.0 / 25.5)
    expected = center - 24.0 * np.array([side.lateral_sign * np.cos(below), 0.0, np.sin(below)])
    np.testing.assert_allclose(junction, expected, atol=0.3)
    assert head_neck_junction(femur, Sphere(center, 80.0), LEVEL, side) is None


@pytest.mark.parametrize(("v_share", "group"), [(0.02, "I"), (0.12, "II"), (0.17, "III"), (0.25, "IV")])
def test_crowe_rises_with_the_head(v_share, group):
    # a bone 200 mm high; the junction v_share * P above the teardrops
    bone = socket_block(axis_from_radiographic(45.0, 15.0, Side.LEFT))
    stretch = 200.0 / np.ptp(bone.vertices_lps_mm[:, 2])
    bone = bone.with_vertices(bone.vertices_lps_mm * [1.0, 1.0, stretch])
    head = Sphere(np.array([90.0, 0.0, 0.0]), 24.0)
    femur = _pin(24.0, 15.0, [1.0, 0.0, -1.0], head.center_lps_mm)
    junction = head_neck_junction(femur, head, LEVEL, Side.LEFT)
    drop = np.array([40.0, 0.0, junction[2] - v_share * 200.0])
    crowe = measure_crowe(bone, femur, head, LEVEL, Side.LEFT, drop, drop * [-1.0, 1.0, 1.0])
    assert crowe.group == group
    assert crowe.subluxation == pytest.approx(v_share / 0.2, abs=1e-6)
    assert crowe.pelvic_height_mm == pytest.approx(200.0)
