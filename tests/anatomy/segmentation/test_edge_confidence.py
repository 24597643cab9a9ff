"""A ball of bone with its edge, without it, beside metal, and cut off: each place is called what it is."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.edge_confidence import (
    CLEAR_SD_MM,
    SPREAD_LAWS,
    Edge,
    excess_mm,
    judge_edges,
)
from cotyle.image.volume import Volume
from scipy.ndimage import gaussian_filter

from tests.space.solids import sphere

RADIUS = 18.0
SPACING = 1.0


def sphere_mesh(radius=RADIUS):
    return sphere(radius, steps=30)


def scan_of(density_at, half=30):
    """CT of a density given by a function of LPS points, voxels of 1 mm, blurred by 0.7 mm."""
    axis = np.arange(-half, half + 1, SPACING)
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    affine = np.eye(4)
    affine[:3, 3] = -half
    return Volume(gaussian_filter(density_at(x, y, z).astype(float), 0.7).astype(np.float32), affine)


def ball(x, y, z):
    return np.where(np.sqrt(x**2 + y**2 + z**2) < RADIUS, 700.0, 40.0)


@pytest.fixture(scope="module")
def clean():
    return scan_of(ball), {"left_hip_bone": sphere_mesh()}


def test_a_sharp_edge_is_clear_everywhere(clean):
    edges = judge_edges(*clean)["left_hip_bone"]
    assert (edges.kind == Edge.CLEAR).all()
    assert not edges.doubtful.any()
    assert edges.spread_mm == pytest.approx(CLEAR_SD_MM, abs=1e-3)


def test_where_the_edge_is_gone_the_prior_speaks_and_grows_less_sure_with_the_way(clean):
    """One half lies in tissue as dense as itself."""
    volume = scan_of(lambda x, y, z: np.where(x > 4, 700.0, ball(x, y, z)))
    mesh = clean[1]["left_hip_bone"]
    edges = judge_edges(volume, {"left_hip_bone": mesh})["left_hip_bone"]
    x = mesh.vertices_lps_mm[:, 0]
    assert (edges.kind[x < -3] == Edge.CLEAR).all()
    assert (edges.kind[x > 8] == Edge.PRIOR).all()
    far, near = edges.spread_mm[x > 15].min(), edges.spread_mm[(x > 6) & (x < 8)].max()
    assert far > near > CLEAR_SD_MM
    law = SPREAD_LAWS[Edge.PRIOR]
    assert edges.spread_mm.max() <= law.most_mm + 0.01


def test_a_drawn_bone_is_called_drawn_where_the_scan_shows_nothing(clean):
    volume = scan_of(lambda x, y, z: np.where(x > 4, 700.0, ball(x, y, z)))
    edges = judge_edges(volume, clean[1], drawn=frozenset({"left_hip_bone"}))["left_hip_bone"]
    assert set(np.unique(edges.kind)) == {Edge.CLEAR, Edge.DRAWN}


def test_what_metal_spoils_and_what_the_scan_does_not_show(clean):
    volume, surfaces = clean
    mesh = surfaces["left_hip_bone"]
    edges = judge_edges(
        volume.cropped((0, 0, 0), (61, 61, 40)), surfaces, trust=lambda points: np.where(points[:, 0] > 0, 0.3, 1.0)
    )["left_hip_bone"]
    x, z = mesh.vertices_lps_mm[:, 0], mesh.vertices_lps_mm[:, 2]
    assert (edges.kind[z > 10] == Edge.OUTSIDE).all()
    assert (edges.kind[(z < 6) & (x > 1)] == Edge.METAL).all()
    assert (edges.kind[(z < 6) & (x < -1)] == Edge.CLEAR).all()


def test_a_surface_that_crossed_into_the_next_bone_is_doubted():
    """A shell and, 2 mm within, the ball: a surface on the shell has its own edge farther in."""

    def joint(x, y, z):
        way = np.sqrt(x**2 + y**2 + z**2)
        return np.where((way < RADIUS - 3.0) | ((way > RADIUS - 1.5) & (way < RADIUS)), 900.0, 40.0)

    other = sphere_mesh(RADIUS + 2.0)
    edges = judge_edges(
        scan_of(joint), {"left_femur": sphere_mesh(), "left_hip_bone": other}, only=frozenset(["left_femur"])
    )
    assert set(edges) == {"left_femur"}
    assert edges["left_femur"].doubtful.mean() > 0.9
    alone = judge_edges(scan_of(joint), {"left_femur": sphere_mesh()})["left_femur"]
    assert alone.doubtful.mean() < 0.1


def test_the_scan_may_say_how_sure_its_clear_edges_are(clean):
    edges = judge_edges(*clean, clear_spread=lambda points, height: np.full(len(points), 0.4))["left_hip_bone"]
    assert edges.spread_mm == pytest.approx(0.4, abs=1e-3)


def test_only_what_exceeds_a_clear_edge_is_added():
    assert excess_mm([CLEAR_SD_MM, 0.05]) == pytest.approx([0.0, 0.0])
    assert excess_mm(np.hypot(CLEAR_SD_MM, 0.5)) == pytest.approx(0.5)
