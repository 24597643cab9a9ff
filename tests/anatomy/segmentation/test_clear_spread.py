"""How far off a clear edge may be: more with blur, noise and low edges, and by direction in thick slices."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.clear_spread import LEAST_SD_MM, clear_spread, spread_of_edges
from cotyle.anatomy.segmentation.scan_blur import fall_noise_hu
from cotyle.anatomy.shapes.cortex_model import Blur, find_cortex_edges

from tests.anatomy.shapes.test_edge_profiles import CENTER, ball_scan, surface_points
from tests.space.solids import sphere


def test_blur_and_noise_widen_it_and_a_high_edge_narrows_it():
    heights = np.array([150.0, 600.0])
    plain = spread_of_edges(np.array([0.7, 0.7]), 20.0, heights)
    assert plain[0] > plain[1] > LEAST_SD_MM
    assert (spread_of_edges(np.array([0.7, 0.7]), 40.0, heights) > plain).all()
    assert (spread_of_edges(np.array([1.3, 1.3]), 20.0, heights) > plain + 0.1).all()


@pytest.mark.parametrize("noise_hu", [10.0, 40.0])
def test_noise_is_read_off_soft_tissue(noise_hu):
    read = fall_noise_hu(ball_scan(0.7, 2.0, noise_hu=noise_hu))
    # two means over 1.2 mm of noise that is read between voxels of 0.8 mm
    assert read == pytest.approx(noise_hu, rel=0.25)


def test_thick_slices_make_edges_that_lie_along_them_less_sure():
    ball = sphere(16.0, CENTER)
    law = clear_spread({"ball": ball}, Blur(0.7, 1300.0, 1.3))
    heights = np.full(len(ball.vertices_lps_mm), 600.0)
    spread = law(ball.vertices_lps_mm, heights)
    lying = np.abs(ball.vertex_normals[:, 2]) > 0.95
    upright = np.abs(ball.vertex_normals[:, 2]) < 0.2
    assert np.median(spread[lying]) > 2.0 * np.median(spread[upright])


@pytest.mark.parametrize("noise_hu", [35.0, 70.0])
def test_single_edges_err_by_no_more_than_a_few_of_it(noise_hu):
    # a surface is smoother than its single readings, which may err by more than it does
    points, normals = surface_points(1500)
    scan = ball_scan(0.75, 1.7, noise_hu=noise_hu)
    edges = find_cortex_edges(scan, points, normals, Blur(0.8, 1300.0))
    sound = edges.step_hu > 0
    stated = spread_of_edges(np.full(sound.sum(), 0.8), fall_noise_hu(scan), np.full(sound.sum(), 600.0))
    ratio = np.std(edges.shift_mm[sound]) / np.median(stated)
    assert 0.7 < ratio < 3.0
