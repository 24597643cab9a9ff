"""What a scanner makes of known densities: blur, overshoot, slices, noise and its streaks."""

import numpy as np
import pytest
from cotyle.image.volume import Volume
from cotyle_sample import Posture, scan
from cotyle_sample.acquisition import MEDIUM, SHARP, SOFT, Kernel, Scanner, acquire, layered
from cotyle_sample.subject import NEUTRAL_TILT_DEG

LAYER_MM = np.array([0.8, 0.8, 0.8])


def scanned(hu, scanner=None, noise_hu=0.0, layer_mm=LAYER_MM, seed=1):
    return acquire(hu.astype(np.float32), layer_mm, scanner or Scanner(), noise_hu, seed).astype(float)


def step(count=40):
    """Soft tissue to the left of the middle column, cortex to the right."""
    hu = np.full((8, 24, count), 50.0)
    hu[:, :, count // 2 :] = 1250.0
    return hu


def autocorrelation(noise, lag):
    return np.corrcoef(noise[..., lag:].ravel(), noise[..., :-lag].ravel())[0, 1]


@pytest.mark.parametrize("kernel", [MEDIUM, SOFT, SHARP])
def test_noise_has_the_requested_size_after_any_kernel(kernel):
    flat = scanned(np.full((24, 60, 60), 50.0), Scanner(kernel), noise_hu=40.0)
    assert flat[4:-4, 8:-8, 8:-8].std() == pytest.approx(40.0, rel=0.05)


def test_a_soft_kernel_makes_noise_coarse_and_a_sharp_one_fine():
    noise = {k: scanned(np.full((16, 80, 80), 50.0), Scanner(k), 30.0)[4:-4, 8:-8, 8:-8] for k in (SOFT, MEDIUM, SHARP)}
    near = {kernel: autocorrelation(noise[kernel] - 50.0, 1) for kernel in noise}
    assert near[SOFT] > near[MEDIUM] > near[SHARP]


def test_a_sharp_kernel_overshoots_where_others_do_not():
    assert scanned(step(), Scanner(SHARP)).max() > 1250.0 + 80.0
    assert scanned(step(), Scanner(SHARP)).min() < 50.0 - 80.0
    assert scanned(step(), Scanner(SOFT)).max() <= 1250.0
    width = {
        k: ((scanned(step(), Scanner(k))[4, 12] > 200) & (scanned(step(), Scanner(k))[4, 12] < 1100)).sum()
        for k in (SOFT, SHARP)
    }
    assert width[SOFT] > width[SHARP]


def test_a_thick_slice_is_the_mean_over_its_thickness():
    hu = np.full((40, 12, 12), 50.0)
    hu[22:] = 1250.0
    thick = scanned(hu, Scanner(Kernel(0.0, 0.0), layers=4))
    assert len(thick) == 10
    # the slice of layers 20 to 23 is half filled
    np.testing.assert_array_equal(thick[:, 6, 6], [50.0] * 5 + [650.0] + [1250.0] * 4)


def test_layers_fill_their_slices():
    slices = Volume(np.zeros((4, 3, 3), dtype=np.uint8), np.diag([4.0, 4.0, 6.0, 1.0]))
    layers = layered(slices, 3)
    middles = layers.to_lps(np.array([[0, 0, 0], [0, 0, 1], [0, 0, 2]]))
    np.testing.assert_allclose(middles.mean(axis=0), slices.to_lps(np.zeros(3)))
    assert layers.spacing_mm[2] == pytest.approx(2.0)


def test_truth_of_thick_slices_lies_on_the_slices(subject):
    volume, truth = scan(
        subject(), Posture(NEUTRAL_TILT_DEG, 0.0, 0.0), (3.0, 3.0, 6.0), noise_hu=0.0, scanner=Scanner(layers=2)
    )
    assert truth.labels.voxels.shape == volume.voxels.shape
    np.testing.assert_allclose(truth.labels.ijk_to_lps, volume.ijk_to_lps)
    bone = volume.voxels[truth.labels.voxels > 0]
    around = volume.voxels[(truth.labels.voxels == 0) & (volume.voxels > -200)]
    assert bone.mean() > around.mean() + 200


def test_starved_rays_streak_along_the_longest_way():
    j, i = np.meshgrid(np.arange(128) - 63.5, np.arange(256) - 127.5, indexing="ij")
    body = np.where((i / 110.0) ** 2 + (j / 55.0) ** 2 < 1.0, 0.0, -1000.0)
    hu = np.repeat(body[None], 12, axis=0)
    layer_mm = np.array([1.6, 1.6, 1.0])
    streaked = scanned(hu, Scanner(starved_hu=50.0), layer_mm=layer_mm)
    middle = streaked[2:-2, 50:78, 110:146]
    assert middle.std() == pytest.approx(50.0, rel=0.25)
    along = autocorrelation(middle, 6)
    across = autocorrelation(np.swapaxes(middle, 1, 2), 6)
    assert along > across + 0.2
    assert streaked[:, :4, :4] == pytest.approx(-1000.0)
