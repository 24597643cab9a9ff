"""Bones of a pelvis that are let go from the shape model one by one."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.pelvis_parts import (
    edges_met,
    let_parts_free,
    part_of_shape,
    sacrum_is_lost,
    vertices_of_parts,
)
from cotyle.anatomy.shapes.coarse_search import Pose
from cotyle.anatomy.shapes.shape_fit import DeformableShape, ShapeFit
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE, SACRUM
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES, load_shape_model
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.rotations import rotation_matrix
from cotyle.space.side import Side
from scipy.ndimage import gaussian_filter

SPACING_MM = 2.5
TISSUE_HU, BONE_HU = 40.0, 500.0


@pytest.fixture(scope="module")
def model():
    return load_shape_model(5)


def scan_of(model, vertices):
    """Solid bones in soft tissue, smoothed as the fit sees a scan."""
    low, high = vertices.min(axis=0) - 25.0, vertices.max(axis=0) + 25.0
    matrix = np.diag([SPACING_MM, SPACING_MM, SPACING_MM, 1.0])
    matrix[:3, 3] = low
    size = np.ceil((high - low) / SPACING_MM).astype(int)
    hu = np.full(size[::-1], TISSUE_HU, dtype=np.float32)
    grid = Volume(hu, matrix)
    for code in COMPONENT_NAMES:
        inside, window = inside_mask(model.part(vertices, code), grid)
        hu[window][inside] = BONE_HU
    return Volume(gaussian_filter(hu, 0.5), matrix)


def whole_fit(model, step_hu=BONE_HU - TISSUE_HU):
    pose = Pose(np.eye(3), np.zeros(3), 1.0)
    return ShapeFit(pose, np.zeros(12), np.full(len(model.pelvis_mean), step_hu))


def test_bones_that_lie_as_in_the_model_stay_where_they_are(model):
    parts = let_parts_free(scan_of(model, model.pelvis_mean), model, whole_fit(model))
    assert set(parts) == set(HIP_CODE.values())
    moved = vertices_of_parts(model, model.pelvis_mean, parts) - model.pelvis_mean
    assert np.percentile(np.linalg.norm(moved, axis=1), 95.0) < 1.5
    sacrum = model.pelvis_component == SACRUM
    np.testing.assert_array_equal(moved[sacrum], 0.0)


def test_a_half_that_stands_askew_is_followed(model):
    rows, _ = part_of_shape(model, HIP_CODE[Side.LEFT])
    true = model.pelvis_mean.copy()
    joint = true[rows][np.argmax(true[rows][:, 1])]
    true[rows] = (true[rows] - joint) @ rotation_matrix([1.0, 0.3, 0.0], 5.0).T + joint
    parts = let_parts_free(scan_of(model, true), model, whole_fit(model))
    found = vertices_of_parts(model, model.pelvis_mean, parts)
    before = np.linalg.norm(model.pelvis_mean[rows] - true[rows], axis=1)
    after = np.linalg.norm(found[rows] - true[rows], axis=1)
    assert np.percentile(before, 90.0) > 8.0
    assert np.percentile(after, 90.0) < 3.0


def test_a_sacrum_that_meets_hardly_any_edge_is_lost(model):
    volume = scan_of(model, model.pelvis_mean)
    fit = whole_fit(model)
    assert not sacrum_is_lost(volume, model, fit)
    rows, _ = part_of_shape(model, SACRUM)
    step_hu = fit.step_hu.copy()
    step_hu[rows[::2]] = 0.0
    assert sacrum_is_lost(volume, model, ShapeFit(fit.pose, fit.weights_sd, step_hu))


def test_edges_outside_the_scan_do_not_count_as_missed(model):
    shape = DeformableShape(model.pelvis_mean, model.pelvis_modes, model.pelvis_triangles)
    volume = scan_of(model, model.pelvis_mean)
    fit = whole_fit(model)
    half = volume.cropped((0, 0, 0), (*volume.size[:2], volume.size[2] // 2))
    outside = ~half.contains(model.pelvis_mean)
    blind = ShapeFit(fit.pose, fit.weights_sd, np.where(outside, 0.0, fit.step_hu))
    assert edges_met(half, shape, blind) == pytest.approx(1.0)
    assert edges_met(volume, shape, blind) < 0.8
