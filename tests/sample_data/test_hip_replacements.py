"""Replaced hips of the sample: parts where they belong, a truth that says so, and numbers that a scanner stores."""

import numpy as np
import pytest
from cotyle.cup.orientation import Orientation
from cotyle.space.side import Side
from cotyle_sample import Posture, make_subject, scan
from cotyle_sample.distances import signed_distance
from cotyle_sample.hip_replacements import Fixation, Replacement, torus

REPLACEMENTS = {
    "fixed_cup": Replacement(Fixation.FIXED, screws=3),
    "loose_cup": Replacement(Fixation.LOOSE, Orientation(55.0, 25.0), 2.0, (0.5, 0.5, 1.0)),
    "cemented_cup": Replacement(Fixation.CEMENTED, line_mm=3.0, stem_cement_mm=2.5),
}


@pytest.fixture(scope="module")
def replaced():
    return {
        name: make_subject(4, divisions=6, affected_side=Side.LEFT, replacements={Side.LEFT: replacement})
        for name, replacement in REPLACEMENTS.items()
    }


@pytest.mark.parametrize("name", REPLACEMENTS)
def test_parts_are_closed_and_the_stem_has_its_femur(replaced, name):
    one = replaced[name]
    assert all(part.mesh.is_closed and part.mesh.volume_mm3 > 0 for part in one.implants)
    stem = next(part for part in one.implants if part.name == "stem")
    inside = signed_distance(one.bones["left_femur"], stem.mesh.vertices_lps_mm) < 0
    assert inside.mean() > 0.8
    assert one.bones["left_femur"].volume_mm3 < one.bones["right_femur"].volume_mm3 - 2e4
    assert np.linalg.norm(one.heads[Side.LEFT].center_lps_mm - one.metal_cups[Side.LEFT].sphere.center_lps_mm) < 1e-9


def test_a_fixed_shell_fills_its_bed_and_its_screws_lie_in_bone(replaced):
    one = replaced["fixed_cup"]
    cup, bed = one.metal_cups[Side.LEFT], one.sockets[Side.LEFT]
    assert not cup.loose
    assert cup.sphere.radius_mm == pytest.approx(bed.radius_mm)
    screws = [part.mesh.vertices_lps_mm for part in one.implants if part.name == "screw"]
    assert len(screws) >= 2
    for points in screws:
        beyond = np.linalg.norm(points - cup.sphere.center_lps_mm, axis=1) > cup.sphere.radius_mm + 4.0
        assert (signed_distance(one.bones["left_hip_bone"], points[beyond]) < 0.5).all()


def test_a_loose_shell_keeps_off_the_bone_by_its_line(replaced):
    one = replaced["loose_cup"]
    shell = next(part for part in one.implants if part.name == "shell").mesh.vertices_lps_mm
    gap = signed_distance(one.bones["left_hip_bone"], shell)
    assert gap.min() > 0.1
    dome = (shell - one.metal_cups[Side.LEFT].sphere.center_lps_mm) @ -one.metal_cups[Side.LEFT].opening_axis > 15.0
    assert 1.0 < np.median(gap[dome]) < 8.0
    assert one.metal_cups[Side.LEFT].loose


@pytest.mark.parametrize(("ceiling", "highest"), [(3071, 3071), (None, 12000)])
def test_a_cemented_cup_is_scanned_with_its_cement_inside_the_bone(replaced, ceiling, highest):
    volume, truth = scan(
        replaced["cemented_cup"], Posture(9.0, 4.0, -6.0), (1.6, 1.6, 1.6), seed=1, noise_hu=0.0, hu_ceiling=ceiling
    )
    cup, bed = truth.metal_cups[Side.LEFT], truth.sockets[Side.LEFT]
    assert np.linalg.norm(cup.sphere.center_lps_mm - bed.center_lps_mm) < 0.2
    assert np.linalg.norm(truth.heads[Side.LEFT].center_lps_mm - cup.sphere.center_lps_mm) < 1e-6
    assert volume.voxels.max() == 3071 if ceiling else volume.voxels.max() > highest
    inside = truth.labels.to_lps(np.argwhere(truth.labels.voxels == 6)[:, ::-1])
    wire = np.linalg.norm(inside - cup.sphere.center_lps_mm, axis=1) > cup.sphere.radius_mm - 3.0
    ring = inside[wire & (np.linalg.norm(inside - cup.sphere.center_lps_mm, axis=1) < cup.sphere.radius_mm)]
    off_plane = (ring - cup.sphere.center_lps_mm) @ cup.opening_axis
    off_plane = off_plane[off_plane < 10.0]  # the neck leaves the cup beyond
    assert len(off_plane) > 50
    assert np.abs(off_plane + 1.0).max() < 2.0
    np.testing.assert_array_equal(truth.labels_on(truth.labels).voxels, truth.labels.voxels)
    plug = next(part for part in truth.implants if part.name == "plug").mesh.vertices_lps_mm
    tip = plug[np.argmax(np.linalg.norm(plug - bed.center_lps_mm, axis=1))]
    middle = tip + 4.0 * (bed.center_lps_mm - tip) / np.linalg.norm(bed.center_lps_mm - tip)
    i, j, k = np.round(volume.to_ijk(middle)).astype(int)
    assert truth.labels.voxels[k, j, i] == 1


def test_a_ring_of_wire_is_closed_and_has_the_volume_of_a_torus():
    ring = torus(np.array([1.0, 2.0, 3.0]), np.array([0.0, 1.0, 1.0]), 20.0, 1.0)
    assert ring.is_closed
    assert ring.volume_mm3 == pytest.approx(2.0 * np.pi**2 * 20.0, rel=0.05)


def test_two_pieces_of_metal_make_a_dark_band_between_them():
    one = make_subject(4, divisions=6, replacements=dict.fromkeys(Side, REPLACEMENTS["fixed_cup"]))
    volume, truth = scan(one, voxel_mm=(1.6, 1.6, 3.0), noise_hu=0.0)
    heads = [truth.heads[side].center_lps_mm for side in Side]
    between = heads[0] + np.linspace(0.35, 0.65, 30)[:, None] * (heads[1] - heads[0])
    i, j, k = np.round(volume.to_ijk(between)).astype(int).T
    assert np.median(volume.voxels[k, j, i]) < -200.0
