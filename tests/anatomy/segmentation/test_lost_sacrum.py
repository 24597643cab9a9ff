"""A sacrum that the shape model lost, found as the bone left beside the hip bones."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.lost_sacrum import find_lost_sacrum, follow_solid, solid_between
from cotyle.anatomy.segmentation.pelvis_parts import part_of_shape
from cotyle.anatomy.shapes.coarse_search import Pose
from cotyle.anatomy.shapes.shape_fit import ShapeFit
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE, SACRUM
from cotyle.anatomy.shapes.shape_model import COMPONENT_NAMES, load_shape_model
from cotyle.image.rasterize import inside_mask
from cotyle.image.volume import Volume
from cotyle.space.mesh import TriangleMesh
from scipy.ndimage import binary_erosion, gaussian_filter

SPACING_MM = 1.6
TISSUE_HU, MARROW_HU, CORTEX_HU = 40.0, 60.0, 700.0


@pytest.fixture(scope="module")
def model():
    return load_shape_model(5)


@pytest.fixture(scope="module")
def lost(model):
    """The mean pelvis whose sacrum is longer, narrower and sits higher than the model can put it, and its scan."""
    rows, _ = part_of_shape(model, SACRUM)
    true = model.pelvis_mean.copy()
    middle = true[rows].mean(axis=0)
    true[rows] = (true[rows] - middle) * [0.8, 1.0, 1.2] + middle + [0.0, 6.0, 30.0]
    return true, scan_of(model, true)


def scan_of(model, vertices):
    """Bones with a cortex and marrow hardly denser than muscle: a threshold alone finds shells."""
    low, high = vertices.min(axis=0) - 30.0, vertices.max(axis=0) + 30.0
    matrix = np.diag([SPACING_MM, SPACING_MM, SPACING_MM, 1.0])
    matrix[:3, 3] = low
    hu = np.full(np.ceil((high - low) / SPACING_MM).astype(int)[::-1], TISSUE_HU, dtype=np.float32)
    grid = Volume(hu, matrix)
    for code in COMPONENT_NAMES:
        inside, window = inside_mask(model.part(vertices, code), grid)
        hu[window][inside] = CORTEX_HU
        hu[window][binary_erosion(inside, iterations=2)] = MARROW_HU
    return Volume(gaussian_filter(hu, 0.5), matrix)


def overlap(mesh, other, grid):
    """Dice of two closed surfaces."""
    masks = np.zeros((2, *grid.voxels.shape), dtype=bool)
    for mask, surface in zip(masks, (mesh, other), strict=True):
        inside, window = inside_mask(surface, grid)
        mask[window] = inside
    return 2.0 * np.count_nonzero(masks.all(axis=0)) / np.count_nonzero(masks, axis=(1, 2, 3)).sum()


def whole_fit(model):
    return ShapeFit(Pose(np.eye(3), np.zeros(3), 1.0), np.zeros(12), np.zeros(len(model.pelvis_mean)))


def test_what_is_left_beside_the_hip_bones_is_filled(model, lost):
    true, scan = lost
    solid = solid_between(scan, [model.part(true, code) for code in HIP_CODE.values()])
    volume_mm3 = np.count_nonzero(solid.voxels) * solid.voxel_volume_mm3
    assert volume_mm3 == pytest.approx(model.part(true, SACRUM).volume_mm3, rel=0.15)


def test_the_surface_ends_on_a_sacrum_far_from_the_model(model, lost):
    true, scan = lost
    rows, shape = part_of_shape(model, SACRUM)
    fit, solid = find_lost_sacrum(scan, model, true, whole_fit(model))
    placed = shape.vertices(fit.weights_sd, fit.pose)
    followed = TriangleMesh(follow_solid(solid, placed, shape.triangles), shape.triangles)
    truth = TriangleMesh(true[rows], shape.triangles)
    before = overlap(TriangleMesh(model.pelvis_mean[rows], shape.triangles), truth, scan)
    assert before < 0.6
    assert overlap(followed, truth, scan) > 0.85


def test_where_no_bone_is_left_there_is_no_sacrum(model, lost):
    true, scan = lost
    empty = Volume(np.full_like(scan.voxels, TISSUE_HU), scan.ijk_to_lps)
    assert solid_between(empty, [model.part(true, code) for code in HIP_CODE.values()]) is None
    assert find_lost_sacrum(empty, model, true, whole_fit(model)) is None


def test_a_crumb_of_bone_is_no_sacrum(model, lost):
    true, scan = lost
    hu = np.full_like(scan.voxels, TISSUE_HU)
    i, j, k = np.round(scan.to_ijk(true[part_of_shape(model, SACRUM)[0]].mean(axis=0))).astype(int)
    hu[k - 8 : k + 8, j - 8 : j + 8, i - 8 : i + 8] = CORTEX_HU
    assert find_lost_sacrum(Volume(hu, scan.ijk_to_lps), model, true, whole_fit(model)) is None
