"""Edges of bone along normals, on density fields whose edges are known in closed form."""

import numpy as np
import pytest
from cotyle.anatomy.shapes.cortex_model import Blur, find_cortex_edges
from cotyle.anatomy.shapes.edge_profiles import EdgeSearch, find_edges
from cotyle.image.volume import Volume
from scipy.special import ndtr

SPACING_MM = np.array([0.8, 0.8, 1.0])
CENTER = np.array([24.0, 24.0, 24.0])
RADIUS_MM = 16.0
SEARCH = EdgeSearch(reach_mm=3.0, step_mm=0.3, span_mm=1.2, ceiling_hu=1800.0, cap_hu=4000.0)


def blurred_layer(
    distance_mm, sigma_mm: float, cortex_mm: float, outside: float = 50.0, cortex: float = 1300.0, inside: float = 220.0
):
    """A layer of cortex under a flat edge, blurred by a Gaussian: the exact convolution."""
    near, far = ndtr(-distance_mm / sigma_mm), ndtr(-(distance_mm + cortex_mm) / sigma_mm)
    return outside + (cortex - outside) * near - (cortex - inside) * far


def ball_scan(sigma_mm: float, cortex_mm: float, noise_hu: float = 0.0) -> Volume:
    k, j, i = np.meshgrid(np.arange(49), np.arange(61), np.arange(61), indexing="ij")
    points = np.stack([i, j, k], axis=-1) * SPACING_MM
    distance = np.linalg.norm(points - CENTER, axis=-1) - RADIUS_MM
    hu = blurred_layer(distance, sigma_mm, cortex_mm)
    hu += np.random.default_rng(5).normal(0.0, 1.0, hu.shape) * noise_hu
    return Volume(hu.astype(np.float32), np.diag([*SPACING_MM, 1.0]))


def surface_points(count: int = 400, off_mm: float = 0.0):
    normals = np.random.default_rng(2).normal(size=(count, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    return CENTER + (RADIUS_MM + off_mm) * normals, normals


@pytest.mark.parametrize("off_mm", [-2.0, -0.5, 0.0, 0.7, 2.0])
def test_the_edge_of_thick_bone_is_found_from_either_side(off_mm):
    points, normals = surface_points(off_mm=off_mm)
    edges = find_edges(ball_scan(0.7, cortex_mm=6.0), points, normals, SEARCH)
    # the preference for the nearer of two edges costs a tenth of the way; the fit looks again from there
    assert np.median(edges.shift_mm) == pytest.approx(-off_mm, abs=0.05 + 0.1 * abs(off_mm))
    assert (edges.step_hu > 500.0).all()


def test_the_steepest_edge_of_a_thin_cortex_lies_outside_the_bone_and_the_layer_model_puts_it_back():
    # Treece et al., Med Image Anal 2010;14:276-290: thin cortices are read too far out by gradients
    points, normals = surface_points()
    scan = ball_scan(0.8, cortex_mm=1.2)
    steepest = np.median(find_edges(scan, points, normals, SEARCH).shift_mm)
    modelled = np.median(find_cortex_edges(scan, points, normals, Blur(0.8, 1300.0)).shift_mm)
    assert steepest > 0.15
    assert abs(modelled) < 0.05


def test_noise_does_not_move_the_modelled_edge_on_average():
    points, normals = surface_points(1500)
    edges = find_cortex_edges(ball_scan(0.75, 1.7, noise_hu=25.0), points, normals, Blur(0.77, 1300.0))
    sound = edges.step_hu > 0
    assert sound.mean() > 0.95
    assert np.median(edges.shift_mm[sound]) == pytest.approx(0.0, abs=0.06)


def test_no_edge_means_a_step_of_zero():
    empty = Volume(np.full((49, 61, 61), 50.0, dtype=np.float32), np.diag([*SPACING_MM, 1.0]))
    points, normals = surface_points(50)
    assert find_edges(empty, points, normals, SEARCH).step_hu == pytest.approx(0.0, abs=1e-6)


def test_a_profile_that_leaves_the_scan_shows_no_edge():
    points, normals = surface_points(50)
    edges = find_edges(ball_scan(0.7, 4.0), points + 500.0, normals, SEARCH)
    assert (edges.step_hu == 0.0).all()
    assert (edges.shift_mm == 0.0).all()


def test_a_vertex_never_moves_farther_outward_than_it_may():
    points, normals = surface_points(off_mm=-2.0)
    edges = find_edges(ball_scan(0.7, 6.0), points, normals, SEARCH, farthest_mm=1.0)
    assert edges.shift_mm.max() <= 1.0 + SEARCH.step_mm
