from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.component import Cup
from cotyle.cup.coverage import CONTACT_GAP_MM, SECTORS, measure_coverage, rim_directions
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation, convert
from cotyle.errors import InputError
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.rotations import rigid_matrix
from cotyle.space.side import Side
from cup_solids import box, model_hip

CENTER = np.array([80.0, 10.0, 20.0])


def placed(inclination: float, anteversion: float, side: Side = Side.LEFT, diameter: float = 52.0) -> Cup:
    axis = axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, side)
    return Cup(side, CENTER * [side.lateral_sign, 1, 1], axis, diameter)


def half_space(point, outward) -> TriangleMesh:
    """A large block whose one face runs through a point and looks ``outward``."""
    outward = np.asarray(outward) / np.linalg.norm(outward)
    u = np.cross(outward, np.eye(3)[int(np.argmin(np.abs(outward)))])
    u /= np.linalg.norm(u)
    turn = np.stack([outward, u, np.cross(outward, u)], axis=1)
    return box([-300, -300, -300], [0, 300, 300], 60).transformed(rigid_matrix(turn, point))


# bone medial of the sagittal plane through the centre covers a lune: (90 + OI) / 180 of the hemisphere (geometry)
@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(
    ("inclination", "anteversion", "share"), [(40, 0, 0.7222), (40, 15, 0.7132), (45, 20, 0.7313), (50, 25, 0.7443)]
)
def test_bone_medial_of_the_centre_covers_a_lune(side, inclination, anteversion, share):
    cup = placed(inclination, anteversion, side)
    bone = half_space(cup.center_lps_mm, [side.lateral_sign, 0, 0])
    found = measure_coverage(bone, cup, SCANNER)
    assert found.fraction == pytest.approx(share, abs=2e-3)
    operative = convert(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, Definition.OPERATIVE)
    assert found.fraction == pytest.approx((90 + operative.inclination_deg) / 180, abs=1e-3)
    # a plane through the centre halves the rim
    assert found.uncovered_arc_deg == pytest.approx(180, abs=0.6)
    assert found.largest_uncovered_arc_deg == pytest.approx(180, abs=0.6)


@pytest.mark.parametrize("angle", [10, 45, 90, 120, 170])
def test_any_plane_through_the_centre_covers_by_its_angle_to_the_axis(angle):
    # two half-spaces through the centre with normals a (the hemisphere's) and b share 1 - angle(a, b) / 180 (geometry)
    cup = placed(43, 12)
    inward = -cup.opening_axis_lps
    across = np.cross(inward, [0.3, 0.5, 0.8])
    across /= np.linalg.norm(across)
    into_bone = np.cos(np.radians(angle)) * inward + np.sin(np.radians(angle)) * across
    found = measure_coverage(half_space(cup.center_lps_mm, -into_bone), cup, SCANNER)
    assert found.fraction == pytest.approx(1 - angle / 180, abs=2e-3)


# area of a cap 2 pi r h against that of the hemisphere 2 pi r^2 (textbook): h / r
@pytest.mark.parametrize("height", [5.0, 13.0, 20.0])
def test_bone_beyond_a_plane_across_the_axis_covers_a_cap(height):
    cup = placed(40, 15)
    plane = cup.pole_lps_mm + height * cup.opening_axis_lps
    found = measure_coverage(half_space(plane, cup.opening_axis_lps), cup, SCANNER)
    assert found.fraction == pytest.approx(height / 26, abs=2e-3)
    assert found.uncovered_arc_deg == 360
    # each sector loses the same; the chord of the meridian from the cap's edge to the rim
    assert [found.sectors[name] for name in SECTORS] == pytest.approx([height / 26] * 4, abs=6e-3)
    # with the gap allowed, bone at the plane is met from one CONTACT_GAP_MM farther out
    near_cosine = (26 - height) / (26 + CONTACT_GAP_MM)
    assert found.near_fraction == pytest.approx(1 - near_cosine, abs=2e-3)
    edge = np.arccos(near_cosine)
    assert found.overhang_mm == pytest.approx(2 * 26 * np.sin((np.pi / 2 - edge) / 2), abs=0.1)


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("covered", SECTORS)
def test_sectors_lie_where_their_names_say(side, covered):
    cup = placed(40, 15, side)
    superior, anterior = rim_directions(cup.opening_axis_lps, SCANNER)
    toward = {"superior": superior, "anterior": anterior, "inferior": -superior, "posterior": -anterior}[covered]
    # the halves of the sectors at a right angle are in bone
    found = measure_coverage(half_space(cup.center_lps_mm, -toward), cup, SCANNER).sectors
    opposite = SECTORS[(SECTORS.index(covered) + 2) % 4]
    assert found[covered] == 1
    assert found[opposite] == 0
    assert sorted(found.values()) == pytest.approx([0, 0.5, 0.5, 1], abs=5e-3)


def test_the_upper_edge_of_a_usual_cup_is_superolateral():
    for side in Side:
        superior, anterior = rim_directions(placed(40, 15, side).opening_axis_lps, SCANNER)
        assert superior[2] > 0.5
        assert superior[0] * side.lateral_sign > 0.5
        assert anterior[1] < -0.9  # LPS: anterior is minus y


def test_overhang_of_the_upper_edge_over_a_sagittal_plane():
    # 40/0: the meridian passes the plane 40 deg from the pole, the rim is 90 deg from it: chord 2 R sin 25
    cup = placed(40, 0)
    found = measure_coverage(half_space(cup.center_lps_mm, [1, 0, 0]), cup, SCANNER)
    assert found.overhang_mm == pytest.approx(2 * 26 * np.sin(np.radians(25)), abs=0.1)
    assert found.largest_uncovered_at_deg % 360 == pytest.approx(0, abs=1)


def test_a_cup_within_bone_is_covered_and_one_outside_is_not():
    cup = placed(40, 15)
    inside = measure_coverage(box(CENTER - 60, CENTER + 60, 20), cup, SCANNER)
    assert (inside.fraction, inside.uncovered_arc_deg, inside.overhang_mm) == (1, 0, 0)
    assert np.isnan(inside.largest_uncovered_at_deg)
    outside = measure_coverage(box(CENTER + 200, CENTER + 260, 20), cup, SCANNER)
    assert (outside.fraction, outside.uncovered_arc_deg) == (0, 360)
    assert outside.overhang_mm == pytest.approx(26 * 2**0.5, abs=1e-6)


def test_less_bone_covers_less():
    cup = placed(40, 15)
    whole = measure_coverage(half_space(cup.center_lps_mm, [1, 0, 0]), cup, SCANNER)
    smaller = measure_coverage(half_space(cup.center_lps_mm + [-8, 0, 0], [1, 0, 0]), cup, SCANNER)
    assert smaller.fraction < whole.fraction
    assert smaller.uncovered_arc_deg > whole.uncovered_arc_deg
    assert smaller.overhang_mm > whole.overhang_mm


def test_many_cups_have_the_rim_directions_of_each():
    axes = np.stack([placed(inclination, 15, Side.LEFT).opening_axis_lps for inclination in (20, 40, 60)])
    together = np.stack(rim_directions(axes, SCANNER), axis=1)
    assert together == pytest.approx(np.stack([rim_directions(axis, SCANNER) for axis in axes]))


def test_a_cup_that_opens_straight_down_has_no_upper_edge():
    with pytest.raises(InputError, match="rim-direction"):
        rim_directions(np.array([0.0, 0, -1]), SCANNER)


@pytest.mark.parametrize("side", list(Side))
def test_the_mean_hip_covers_a_medialised_cup_as_published(side):
    # coverage of press-fit cups in 3D: mean 77.1 +- 6.7 %, least stable 61.2 % (Ueno 2019, abstract)
    hip = model_hip(side)
    axis = axis_from_orientation(Orientation(40, 17.5), Definition.RADIOGRAPHIC, hip.frame, side)
    cup = Cup(side, hip.center + 4.5 * hip.medial, axis, 54)
    assert 0.612 < measure_coverage(hip.bone, cup, hip.frame).fraction < 0.771 + 2 * 0.067
