"""A head out of its socket, and the socket that it left, in drawn density."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.empty_socket import empty_socket_guide, find_empty_socket
from cotyle.anatomy.segmentation.head_search import find_displaced_head
from cotyle.anatomy.shapes.coarse_search import Pose
from cotyle.image.pyramid import block_mean
from cotyle.image.volume import Volume
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.ndimage import gaussian_filter

SOCKET = Sphere(np.array([80.0, 0.0, 0.0]), 25.0)
LEVEL = Pose(np.eye(3), np.zeros(3), 1.0)


def drawn(head: Sphere | None) -> Volume:
    """A block of bone with a round socket that opens to the left, and a head with its neck, in soft tissue."""
    affine = np.diag([1.0, 1.0, 1.0, 1.0])
    affine[:3, 3] = [20.0, -55.0, -60.0]
    k, j, i = np.meshgrid(np.arange(140), np.arange(110), np.arange(130), indexing="ij")
    points = np.stack([i, j, k], axis=-1) + affine[:3, 3]
    hu = np.full(points.shape[:3], 55.0)
    from_socket = np.linalg.norm(points - SOCKET.center_lps_mm, axis=-1)
    bone = (points[..., 0] < 82.0) & (from_socket > SOCKET.radius_mm)
    hu[bone] = 250.0
    hu[bone & (from_socket < SOCKET.radius_mm + 2.0)] = 1100.0
    if head is not None:
        offset = points - head.center_lps_mm
        away = np.linalg.norm(offset, axis=-1)
        hu[(away < head.radius_mm + 2.5)] = 70.0
        neck = np.array([0.77, 0.0, -0.64])
        along = offset @ neck
        in_neck = (along > 0.0) & (np.linalg.norm(offset - along[..., None] * neck, axis=-1) < 12.0)
        hu[in_neck | (away < head.radius_mm)] = 220.0
        hu[(away < head.radius_mm) & (away > head.radius_mm - 1.8) & ~in_neck] = 1000.0
    return Volume(gaussian_filter(hu, 0.6).astype(np.int16), affine)


@pytest.mark.parametrize("way", [(18.0, 3.0, 12.0), (20.0, -4.0, 30.0)])
def test_a_head_beside_or_above_its_socket_is_found(way):
    head = Sphere(SOCKET.center_lps_mm + np.array(way), 20.0)
    volume = drawn(head)
    found = find_displaced_head(volume, block_mean(volume, 2.5), SOCKET, LEVEL, Side.LEFT)
    assert np.linalg.norm(found.center_lps_mm - head.center_lps_mm) < 0.5
    assert found.radius_mm == pytest.approx(head.radius_mm, abs=0.5)


def test_an_empty_socket_has_no_head():
    volume = drawn(None)
    assert find_displaced_head(volume, block_mean(volume, 2.5), SOCKET, LEVEL, Side.LEFT) is None


def test_rays_meet_the_floor_of_an_empty_socket_wherever_the_model_has_it():
    head = Sphere(SOCKET.center_lps_mm + np.array([22.0, 3.0, 25.0]), 20.0)
    guessed = Sphere(SOCKET.center_lps_mm + np.array([-6.0, 2.0, 1.0]), 25.0)
    guide = empty_socket_guide(find_empty_socket(drawn(head), guessed, head, np.array([-1.0, 0.0, 0.0])))
    # vertices of a surface that lies 9 mm too deep
    outward = np.array([[1.0, 0.0, 0.0], [0.9, 0.3, -0.3], [0.9, -0.3, -0.3]])
    outward /= np.linalg.norm(outward, axis=1)[:, None]
    way, sure = guide(SOCKET.center_lps_mm - 34.0 * outward, outward)
    assert (sure > 0.0).all()
    np.testing.assert_allclose(way, 9.0, atol=1.5)


def test_a_head_in_its_socket_leaves_no_empty_one():
    head = Sphere(SOCKET.center_lps_mm + np.array([1.0, 0.0, 1.0]), 22.0)
    assert find_empty_socket(drawn(head), SOCKET, head, np.array([-1.0, 0.0, 0.0])) == []
