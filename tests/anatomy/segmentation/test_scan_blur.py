"""The blur of a scan is read off its own edges: of bone, or of skin where the bone is too thin to tell."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.scan_blur import estimate_blur
from cotyle.image.volume import Volume
from scipy.ndimage import gaussian_filter

FINE_MM = 0.4
BALL_MM = 13.0


def scan_of_ball(
    cortex_mm: float,
    cortex_hu: float,
    sigma_mm: float,
    across_mm: float,
    noise_hu: float,
    slice_mm: float = 0.8,
    body: bool = True,
) -> Volume:
    """A ball of bone within a round body, blurred within and across the slices, in pixels of 0.8 mm."""
    half = 24.0 if body else BALL_MM + 6.0
    axis = np.arange(-half, half + 1e-6, FINE_MM)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij", sparse=True)
    ball = np.sqrt(x**2 + y**2 + z**2) - BALL_MM
    hu = np.where(ball < 0.0, np.where(ball > -cortex_mm, cortex_hu, 30.0), 50.0)
    if body:
        skin = np.sqrt(x**2 + y**2) + 0.0 * z - 20.0
        hu = np.where(skin > 0.0, -1000.0, np.where(skin > -1.6, 25.0, np.where(skin > -4.0, -100.0, hu)))
    layers = round(slice_mm / FINE_MM)
    hu = gaussian_filter(hu, np.array([across_mm, sigma_mm, sigma_mm]) / FINE_MM)
    count = len(hu) // layers
    hu = hu[: count * layers].reshape(count, layers, *hu.shape[1:]).mean(axis=1)[:, ::2, ::2]
    hu = hu + noise_hu * np.random.default_rng(3).standard_normal(hu.shape)
    affine = np.diag([0.8, 0.8, slice_mm, 1.0])
    affine[:3, 3] = -half, -half, -half + 0.5 * (slice_mm - FINE_MM)
    return Volume(hu.astype(np.float32), affine)


def surface(count: int = 3000):
    normals = np.random.default_rng(2).normal(size=(count, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return BALL_MM * normals, normals


def read_mm(sigma_mm: float, spacing_mm: float, averaged: bool = False) -> float:
    """Reading between voxels adds the variance of a triangle, a thick slice that of its thickness."""
    return np.sqrt(sigma_mm**2 + spacing_mm**2 / 6.0 + (spacing_mm**2 / 12.0 if averaged else 0.0))


@pytest.mark.parametrize("sigma_mm", [0.6, 1.0])
def test_thick_bone_tells_the_blur_and_its_density(sigma_mm):
    scan = scan_of_ball(2.5, 1300.0, sigma_mm, sigma_mm, noise_hu=15.0, body=False)
    blur = estimate_blur(scan, *surface())
    assert blur.sigma_mm == pytest.approx(read_mm(sigma_mm, 0.8), rel=0.08)
    assert blur.across_mm == pytest.approx(read_mm(sigma_mm, 0.8), rel=0.12)
    assert blur.cortex_hu == pytest.approx(1300.0, rel=0.1)


def test_thick_slices_blur_more_across_than_within():
    scan = scan_of_ball(2.5, 1300.0, 0.5, 0.4, noise_hu=15.0, slice_mm=2.4)
    blur = estimate_blur(scan, *surface())
    assert blur.sigma_mm == pytest.approx(read_mm(0.5, 0.8), rel=0.12)
    assert blur.across_mm == pytest.approx(read_mm(0.4, 2.4, averaged=True), rel=0.15)
    along = blur.along_mm(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.6, 0.0, 0.8]]))
    assert along[0] == pytest.approx(blur.sigma_mm)
    assert along[1] == pytest.approx(blur.across_mm)
    assert along[0] < along[2] < along[1]


def test_skin_tells_the_blur_where_cortex_is_too_thin_and_with_it_the_density_comes_out():
    thin = scan_of_ball(0.8, 650.0, 0.6, 0.6, noise_hu=25.0)
    blur = estimate_blur(thin, *surface())
    assert blur.sigma_mm == pytest.approx(read_mm(0.6, 0.8), rel=0.08)
    assert blur.cortex_hu == pytest.approx(650.0, rel=0.25)
