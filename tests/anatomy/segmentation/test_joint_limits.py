"""Sockets are pushed out of heads that have gone through them, and by no others."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.joint_limits import LEAST_GAP_MM, cleared_by_heads
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE
from cotyle.anatomy.shapes.shape_model import load_shape_model
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

MODEL = load_shape_model(5)


def seated_head(side, medial_mm=0.0, up_mm=0.0):
    socket, _ = fit_sphere_robust(MODEL.pelvis_mean[MODEL.lunate_vertices[side]])
    moved = np.array([-side.lateral_sign * medial_mm, 0.0, up_mm])
    return Sphere(socket.center_lps_mm + moved, socket.radius_mm - 3.0)


@pytest.mark.parametrize("side", list(Side))
def test_a_head_that_went_through_pushes_socket_and_wall_inwards(side):
    head = seated_head(side, medial_mm=12.0)
    cleared = cleared_by_heads(MODEL.pelvis_mean, MODEL, {side: head})
    socket = np.union1d(MODEL.fossa_vertices[side], MODEL.lunate_vertices[side])
    # neighbours are averaged, so that a vertex may stay a little within
    away = np.linalg.norm(cleared[socket] - head.center_lps_mm, axis=1) - head.radius_mm - LEAST_GAP_MM
    assert np.percentile(away, 5.0) > -1.5
    wall = MODEL.inner_wall_vertices[side]
    medial = -side.lateral_sign * (cleared - MODEL.pelvis_mean)[wall, 0]
    assert np.percentile(medial, 80.0) > 2.0
    assert medial.min() > -0.5
    other = MODEL.pelvis_component != HIP_CODE[side]
    np.testing.assert_array_equal(cleared[other], MODEL.pelvis_mean[other])


@pytest.mark.parametrize(("medial_mm", "up_mm"), [(0.0, 0.0), (3.0, 0.0), (-5.0, 25.0)])
def test_a_seated_or_a_displaced_head_moves_nothing(medial_mm, up_mm):
    heads = {side: seated_head(side, medial_mm, up_mm) for side in Side}
    np.testing.assert_array_equal(cleared_by_heads(MODEL.pelvis_mean, MODEL, heads), MODEL.pelvis_mean)
