"""The seam of a narrow joint, and the head found from within although bone lies on bone."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.edge_confidence import Edge, EdgeConfidence
from cotyle.anatomy.segmentation.femoral_head import find_head
from cotyle.anatomy.segmentation.joint_seam import edges_with_seams, find_seam, first_told, head_guide, socket_guide
from cotyle.anatomy.shapes.cortex_model import Blur
from cotyle.image.volume import Volume
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.special import ndtr

from tests.space.solids import sphere

HEAD_MM, SIGMA_MM, SPACING_MM = 23.0, 0.75, 0.8
CENTER = np.array([5.0, -3.0, 10.0])
NECK = np.array([0.0, 0.0, -1.0])


def hip(space_mm, seat=(0.0, 0.0, 0.0), plate_hu=1200.0, floor_mm=0.0, noise_hu=15.0) -> Volume:
    """A head in a socket that leaves an even space; ``seat`` moves the head, a floor takes the pole's place."""
    size = 84
    affine = np.diag([SPACING_MM] * 3 + [1.0])
    affine[:3, 3] = CENTER - SPACING_MM * size / 2
    k, j, i = np.meshgrid(*[np.arange(size)] * 3, indexing="ij")
    points = np.stack([i, j, k], axis=-1) * SPACING_MM + affine[:3, 3]
    # reading between voxels blurs too
    sigma = np.sqrt(SIGMA_MM**2 - SPACING_MM**2 / 6.0)
    from_head = np.linalg.norm(points - CENTER - np.array(seat), axis=-1) - HEAD_MM
    from_socket = np.linalg.norm(points - CENTER, axis=-1) - HEAD_MM - space_mm
    if floor_mm:
        pole = (points - CENTER)[..., 0] > 0.75 * np.linalg.norm(points - CENTER, axis=-1)
        from_socket = np.where(pole, from_socket - floor_mm, from_socket)

    def layer(distance, low, high):
        return ndtr((distance - low) / sigma) - ndtr((distance - high) / sigma)

    hu = 80.0 + 170.0 * layer(from_head, -99.0, -2.0) + (plate_hu - 80.0) * layer(from_head, -2.0, 0.0)
    above = points[..., 2] > CENTER[2] - 8.0
    hu += above * ((plate_hu - 80.0) * layer(from_socket, 0.0, 2.0) + 170.0 * layer(from_socket, 2.0, 99.0))
    hu += np.random.default_rng(1).normal(0.0, noise_hu, hu.shape)
    return Volume(hu.astype(np.float32), affine)


def seam_of(volume, head=None):
    return find_seam(volume, head or Sphere(CENTER, HEAD_MM), NECK, Blur(SIGMA_MM, 1200.0))


@pytest.mark.parametrize("space_mm", [0.3, 0.6, 1.0, 1.5])
@pytest.mark.parametrize("plate_hu", [1200.0, 800.0])
def test_both_surfaces_are_read_off_the_dip(space_mm, plate_hu):
    seam = seam_of(hip(space_mm, plate_hu=plate_hu))
    assert len(seam.directions) > 1000
    assert np.median(seam.head_edge_mm) == pytest.approx(HEAD_MM, abs=0.15)
    assert np.median(seam.socket_edge_mm) == pytest.approx(HEAD_MM + space_mm, abs=0.15)
    assert np.percentile(np.abs(seam.socket_edge_mm - HEAD_MM - space_mm), 90) < 0.35


def test_a_wide_joint_has_no_seam():
    seam = seam_of(hip(3.0))
    assert len(seam.directions) == len(seam.floor_mm) == 0
    way, sure = socket_guide([seam], with_floor=True)(*_ball(26.0, inward=True))
    assert not way.any()
    assert not sure.any()


def test_a_head_that_is_a_little_off_gives_the_same_surfaces():
    seam = seam_of(hip(0.8), Sphere(CENTER + [0.4, 0.2, -0.3], HEAD_MM - 0.4))
    ends = seam.head.center_lps_mm + seam.socket_edge_mm[:, None] * seam.directions
    assert np.median(np.linalg.norm(ends - CENTER, axis=1)) == pytest.approx(HEAD_MM + 0.8, abs=0.15)


def test_where_bone_lies_on_bone_the_seam_goes_on_with_little_belief():
    seat = np.array([0.0, 0.0, 1.0])
    seam = seam_of(hip(1.0, seat), Sphere(CENTER + seat, HEAD_MM))
    top = seam.directions[:, 2] > 0.97
    assert top.sum() > 10
    assert np.median(seam.belief[top]) < 0.5 * np.median(seam.belief[seam.directions[:, 2] < 0.5])
    np.testing.assert_allclose(seam.head_edge_mm[top], HEAD_MM, atol=0.5)


def test_beyond_a_wider_space_of_a_worn_joint_the_first_bone_is_the_floor():
    seam = seam_of(hip(0.7, floor_mm=4.0))
    deep = seam.floor_directions[:, 0] > 0.85
    assert deep.sum() > 50
    assert np.median(seam.floor_mm[deep]) == pytest.approx(HEAD_MM + 4.7, abs=0.3)


def test_guides_draw_both_surfaces_to_their_sides():
    seam = seam_of(hip(0.8))
    vertices, normals = _ball(25.0, inward=True)
    way, sure = socket_guide([seam], with_floor=False)(vertices, normals)
    told = sure > 0.5
    assert told.sum() > 100
    # the socket lies 1.2 mm nearer to the centre, which is outward of its bone
    np.testing.assert_allclose(np.median(way[told]), 25.0 - HEAD_MM - 0.8, atol=0.15)
    vertices, normals = _ball(22.0)
    way, sure = head_guide(seam)(vertices, normals)
    np.testing.assert_allclose(np.median(way[sure > 0.5]), HEAD_MM - 22.0, atol=0.15)
    # surfaces that face the other way are not drawn
    assert not socket_guide([seam], with_floor=False)(vertices, normals)[1].any()


def test_the_first_guide_that_knows_an_edge_decides():
    def told(value, *known):
        return lambda vertices, normals: (np.full(3, value), np.array(known, dtype=float))

    way, sure = first_told(None, told(1.0, 1, 0, 0), told(2.0, 1, 1, 0))(np.zeros((3, 3)), np.zeros((3, 3)))
    assert way.tolist() == [1.0, 2.0, 0.0]
    assert sure.tolist() == [1.0, 1.0, 0.0]


def test_a_surface_on_a_seen_seam_counts_as_clear():
    seam = seam_of(hip(0.8))
    head = sphere(HEAD_MM, CENTER, steps=40)
    doubtful = np.full(len(head.vertices_lps_mm), Edge.PRIOR, dtype=np.uint8)
    edges = {"left_femur": EdgeConfidence(doubtful, np.full(len(doubtful), 2.0, dtype=np.float16))}
    found = edges_with_seams(edges, {"left_femur": head}, {Side.LEFT: seam})["left_femur"]
    up = (head.vertices_lps_mm - CENTER)[:, 2] > 5.0
    assert (found.kind[up] == Edge.CLEAR).mean() > 0.9
    assert found.spread_mm[up].max() < 0.5
    assert (found.kind[~up & ((head.vertices_lps_mm - CENTER)[:, 2] < -15.0)] == Edge.PRIOR).all()


@pytest.mark.parametrize("space_mm", [0.3, 0.6, 3.0])
@pytest.mark.parametrize("off_mm", [0.0, 6.0])
def test_the_head_is_found_from_within_however_narrow_its_joint(space_mm, off_mm):
    found = find_head(hip(space_mm), Sphere(CENTER + [off_mm, 0.0, 0.0], HEAD_MM + 2.0), NECK)
    assert np.linalg.norm(found.center_lps_mm - CENTER) < 0.4
    assert found.radius_mm == pytest.approx(HEAD_MM, abs=0.4)


def test_without_a_head_none_is_found():
    empty = hip(0.5)
    flat = Volume(np.full_like(empty.voxels, 60.0), empty.ijk_to_lps)
    assert find_head(flat, Sphere(CENTER, 25.0), NECK) is None


def _ball(radius_mm, inward=False):
    mesh = sphere(radius_mm, CENTER, steps=40)
    return mesh.vertices_lps_mm, mesh.vertex_normals * (-1.0 if inward else 1.0)
