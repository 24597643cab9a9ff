"""Metal found, and what lies near it not believed."""

import numpy as np
import pytest
from cotyle.image.metal import BLIND_MM, CLEAR_MM, find_metal, without_metal
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume


def scan_with_ball(radius_mm: float, hu: float) -> Volume:
    affine = np.diag([0.8, 0.8, 1.0, 1.0])
    k, j, i = np.meshgrid(np.arange(60), np.arange(70), np.arange(70), indexing="ij")
    distance = np.sqrt((0.8 * (i - 35)) ** 2 + (0.8 * (j - 35)) ** 2 + (k - 30.0) ** 2)
    return Volume(np.where(distance < radius_mm, hu, 50).astype(np.int16), affine)


def test_a_metal_ball_is_found_with_its_volume():
    metal = find_metal(scan_with_ball(12.0, 8000))
    assert metal is not None
    assert metal.pieces == 1
    assert metal.volume_ml == pytest.approx(4.0 / 3.0 * np.pi * 1.2**3, rel=0.03)


def test_dense_bone_and_specks_are_not_metal():
    assert find_metal(scan_with_ball(12.0, 1900)) is None
    assert find_metal(scan_with_ball(2.0, 8000)) is None


def test_belief_grows_with_the_distance_from_metal():
    metal = find_metal(scan_with_ball(12.0, 8000))
    center = np.array([28.0, 28.0, 30.0])
    along = np.array([1.0, 0.0, 0.0])
    away = [0.0, 12.0 + BLIND_MM - 0.6, 12.0 + 0.5 * (BLIND_MM + CLEAR_MM), 12.0 + CLEAR_MM + 0.8, 24.0]
    belief = metal.belief(np.stack([center + d * along for d in away]))
    assert belief[0] == 0.0
    assert belief[1] == pytest.approx(0.0, abs=0.15)
    assert belief[2] == pytest.approx(0.5, abs=0.3)  # distances count from voxel centres
    assert belief[3:] == pytest.approx([1.0, 1.0])


def test_a_band_that_metal_starved_of_rays_is_not_believed_and_gas_elsewhere_does_not_matter():
    scan = scan_with_ball(12.0, 8000)
    voxels = scan.voxels.copy()
    voxels[24:37, 33:38, 55:] = -500
    voxels[:5, 30:40, 30:40] = -1000
    metal = find_metal(scan.with_voxels(voxels))
    in_band, beside_band, in_gas = [50.0, 28.0, 30.0], [50.0, 14.0, 30.0], [28.0, 28.0, 2.0]
    assert metal.belief(np.array([in_band, beside_band, in_gas])).tolist() == [0.0, 1.0, 1.0]


def test_the_distance_to_each_of_several_pieces_is_right():
    one = scan_with_ball(6.0, 8000)
    voxels = np.maximum(np.roll(one.voxels, -20, axis=2), np.roll(one.voxels, 18, axis=2))
    metal = find_metal(one.with_voxels(voxels))
    assert metal.pieces == 2
    left, right = 28.0 - 16.0, 28.0 + 14.4
    points = np.array([[left, 28.0, 30.0], [left + 9.0, 28.0, 30.0], [right - 9.0, 28.0, 30.0], [right, 28.0, 30.0]])
    found = sample(metal.distance, points)
    assert found[1:3] == pytest.approx([3.0, 3.0], abs=0.9)
    # distances count from voxel centres, the outermost of the piece have none
    assert found[[0, 3]] == pytest.approx([-6.0, -6.0], abs=1.6)


def test_quieting_metal_leaves_the_rest_of_the_scan_alone():
    scan = scan_with_ball(12.0, 8000)
    quiet = without_metal(scan, find_metal(scan))
    assert quiet.voxels.max() == 50
    assert (quiet.voxels[:10] == scan.voxels[:10]).all()
    assert scan.voxels.max() == 8000
