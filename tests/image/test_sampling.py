"""Values between voxels; the outside reference is SciPy's linear interpolation."""

import numpy as np
import pytest
from cotyle.image.pyramid import block_mean, upright
from cotyle.image.sampling import sample
from cotyle.image.volume import Volume
from cotyle.space.rotations import rotation_matrix
from scipy.ndimage import map_coordinates


def turned_volume(rng: np.random.Generator) -> Volume:
    affine = np.eye(4)
    affine[:3, :3] = rotation_matrix((0.3, 1.0, 0.2), 25.0) * [0.8, 1.2, 2.0]
    affine[:3, 3] = (5.0, -40.0, 300.0)
    return Volume(rng.integers(-1000, 3000, (9, 11, 13)).astype(np.int16), affine)


def test_values_between_voxels_are_those_of_scipy():
    rng = np.random.default_rng(3)
    volume = turned_volume(rng)
    ijk = rng.uniform(0.0, 1.0, (500, 3)) * (np.array(volume.size) - 1)
    expected = map_coordinates(volume.voxels.astype(float), ijk[:, ::-1].T, order=1)
    assert sample(volume, volume.to_lps(ijk)) == pytest.approx(expected, abs=0.01)


def test_the_last_voxel_counts_and_what_lies_beyond_is_said_to_be_outside():
    volume = Volume(np.full((3, 3, 3), 7, dtype=np.int16), np.eye(4))
    values = sample(volume, np.array([[2.0, 2.0, 2.0], [2.01, 2.0, 2.0], [-0.01, 0.0, 0.0]]), outside=-5.0)
    assert values.tolist() == [7.0, -5.0, -5.0]


def test_points_keep_the_shape_of_their_array():
    volume = Volume(np.zeros((3, 3, 3), dtype=np.int16), np.eye(4))
    assert sample(volume, np.zeros((4, 5, 3))).shape == (4, 5)


def test_a_block_mean_keeps_a_linear_density_where_it_was():
    k, j, i = np.meshgrid(np.arange(12), np.arange(15), np.arange(18), indexing="ij")
    affine = np.diag([0.8, 0.8, 1.0, 1.0])
    volume = Volume((10 * i + 20 * j + 30 * k).astype(np.float32), affine)
    small = block_mean(volume, target_mm=2.5)
    assert small.spacing_mm == pytest.approx([2.4, 2.4, 2.0])
    inner = np.array([[5.1, 4.4, 5.3], [8.0, 7.0, 8.0]])
    assert sample(small, inner) == pytest.approx(sample(volume, inner), abs=1e-2)


def test_an_upright_copy_of_a_turned_scan_shows_the_same_density_at_the_same_place():
    affine = np.eye(4)
    affine[:3, :3] = rotation_matrix((0.0, 0.0, 1.0), 20.0)
    k, j, i = np.meshgrid(np.arange(30), np.arange(30), np.arange(30), indexing="ij")
    turned = Volume((i + 2 * j - k).astype(np.float32), affine)
    straight = upright(turned, 1.5, outside=-99.0)
    middle = turned.to_lps((15.0, 14.0, 16.0))[None]
    assert sample(straight, middle) == pytest.approx(sample(turned, middle), abs=0.05)
    assert straight.directions == pytest.approx(np.eye(3))


def test_a_place_that_is_not_a_number_lies_outside():
    volume = Volume(np.full((3, 3, 3), 7, dtype=np.int16), np.eye(4))
    assert sample(volume, np.array([[1.0, np.nan, 1.0], [np.nan] * 3]), outside=-5.0).tolist() == [-5.0, -5.0]
