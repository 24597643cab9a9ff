"""The wall is as sure as the edges it ends on: a slab with one doubtful face, crossed straight and aslant."""

import numpy as np
import pytest
from cotyle.anatomy.segmentation.edge_confidence import CLEAR_SD_MM, Edge, EdgeConfidence
from cotyle.cup.cavity import Cavity, ReamingStep
from cotyle.cup.component import Cup
from cotyle.cup.coverage import coverage_spread
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.wall import measure_wall
from cotyle.cup.wall_spread import LEAST_UNCERTAINTY_MM, SURFACE_UNCERTAINTY_MM, EdgeReader
from cotyle.space.frames import SCANNER
from cotyle.space.mesh import TriangleMesh
from cotyle.space.side import Side

MEDIAL = np.array([1.0, 0.0, 0.0])


def slab(low_x=0.0, high_x=10.0, half=60.0, steps=41):
    """A plate from low_x to high_x, each large face a grid of about 3 mm."""
    line = np.linspace(-half, half, steps)
    y, z = np.meshgrid(line, line, indexing="ij")
    faces = [np.column_stack([np.full(y.size, x), y.ravel(), z.ravel()]) for x in (low_x, high_x)]
    index = np.arange(steps * steps).reshape(steps, steps)
    a, b, c, d = index[:-1, :-1].ravel(), index[1:, :-1].ravel(), index[1:, 1:].ravel(), index[:-1, 1:].ravel()
    far = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]) + steps * steps
    near = (far - steps * steps)[:, ::-1]
    ring = np.concatenate([index[:-1, 0], index[-1, :-1], index[:0:-1, -1], index[0, :0:-1]])
    after = np.roll(ring, -1)
    side = np.concatenate(
        [np.column_stack([ring, after, after + steps**2]), np.column_stack([ring, after + steps**2, ring + steps**2])]
    )
    mesh = TriangleMesh(np.concatenate(faces), np.concatenate([near, far, side]).astype(np.int32))
    return mesh if mesh.volume_mm3 > 0 else TriangleMesh(mesh.vertices_lps_mm, mesh.triangles[:, ::-1])


def edges(mesh, doubtful, sd_mm=1.5):
    return EdgeConfidence(np.where(doubtful, Edge.METAL, Edge.CLEAR), np.where(doubtful, sd_mm, CLEAR_SD_MM))


def step_to(pole_x, direction=MEDIAL, radius=20.0):
    end = np.array([pole_x, 0.0, 0.0]) - radius * np.asarray(direction)
    return ReamingStep(2 * radius, end - 10.0 * np.asarray(direction), end, np.asarray(direction))


def wall_of(mesh, step, confidence):
    inner = inner_surface(mesh, step.end_center_lps_mm, MEDIAL)
    return measure_wall(mesh, inner, Cavity((step,)), edges=confidence)


@pytest.fixture(scope="module")
def plate():
    mesh = slab()
    assert mesh.is_closed
    return mesh


def test_clear_edges_leave_a_wall_as_sure_as_before(plate):
    step = step_to(4.0)
    clear = edges(plate, np.zeros(len(plate.vertices_lps_mm), dtype=bool))
    for confidence in (None, clear):
        wall = wall_of(plate, step, confidence)
        assert wall.along_axis_mm == pytest.approx(6.0)
        assert wall.uncertainty_mm == pytest.approx(SURFACE_UNCERTAINTY_MM, abs=1e-3)
        assert wall.minimum_uncertainty_mm == pytest.approx(LEAST_UNCERTAINTY_MM, abs=1e-3)


def test_only_the_surface_that_a_wall_ends_on_counts(plate):
    step, x = step_to(4.0), plate.vertices_lps_mm[:, 0]
    far = wall_of(plate, step, edges(plate, x > 5))
    near = wall_of(plate, step, edges(plate, x < 5))
    assert far.uncertainty_mm == pytest.approx(np.sqrt(SURFACE_UNCERTAINTY_MM**2 + 1.5**2), abs=0.02)
    assert far.minimum_uncertainty_mm == pytest.approx(np.hypot(LEAST_UNCERTAINTY_MM, 1.5), abs=0.02)
    assert near.uncertainty_mm == pytest.approx(SURFACE_UNCERTAINTY_MM, abs=1e-3)


def test_entry_and_exit_add_in_squares_where_the_pole_hangs_over_the_floor(plate):
    wall = wall_of(plate, step_to(-3.0), edges(plate, plate.vertices_lps_mm[:, 0] > -1))
    expected = np.sqrt(2 * (SURFACE_UNCERTAINTY_MM**2 + 1.5**2))
    assert wall.along_axis_mm == pytest.approx(10.0)
    assert wall.uncertainty_mm == pytest.approx(expected, rel=0.02)


def test_a_line_aslant_is_less_sure_by_its_cosine(plate):
    slanted = np.array([np.cos(np.radians(50)), np.sin(np.radians(50)), 0.0])
    reader = EdgeReader(plate, edges(plate, plate.vertices_lps_mm[:, 0] > 5))
    added, cosine = reader.added_mm(np.array([10.0, 0.0, 0.0]), slanted)
    assert cosine == pytest.approx(slanted[0], abs=1e-6)
    wall = wall_of(plate, step_to(4.0, slanted), edges(plate, plate.vertices_lps_mm[:, 0] > 5))
    assert wall.uncertainty_mm == pytest.approx(np.hypot(SURFACE_UNCERTAINTY_MM, added / slanted[0]), rel=1e-6)


def test_the_least_wall_is_unsure_where_a_doubtful_place_may_come_nearer(plate):
    """The inner face is clear at the pole and doubtful in a ring beside it, where the floor is 1.3 mm farther off."""
    y, x = np.linalg.norm(plate.vertices_lps_mm[:, 1:], axis=1), plate.vertices_lps_mm[:, 0]
    beside = wall_of(plate, step_to(4.0), edges(plate, (x > 5) & (y > 9.0), 2.0))
    assert beside.minimum_mm == pytest.approx(6.0, abs=1e-3)
    assert beside.uncertainty_mm == pytest.approx(SURFACE_UNCERTAINTY_MM, abs=0.02)
    assert 0.8 < beside.minimum_uncertainty_mm < 2.0
    distant = wall_of(plate, step_to(4.0), edges(plate, (x > 5) & (y > 30.0), 2.0))
    assert distant.minimum_uncertainty_mm == pytest.approx(LEAST_UNCERTAINTY_MM, abs=0.02)


def test_coverage_is_unsure_where_the_edge_of_bone_crosses_the_shell():
    """A cup half sunk into a thick plate's face: moving the face by 1 mm covers 1 mm more of the shell.

    The shell's area between two planes is that of the cylinder round it (Archimedes): 1 mm of 20 mm of depth, 5 %.
    """
    cup = Cup(Side.LEFT, np.array([-8.0, 0.0, 0.0]), np.array([-0.96, -0.2, -0.2]), 40.0)
    plate = slab(0.0, 40.0)
    doubtful = np.ones(len(plate.vertices_lps_mm), dtype=bool)
    spread = coverage_spread(plate, edges(plate, doubtful, 1.0), cup, SCANNER)
    assert spread == pytest.approx(1.0 / 20.0, abs=0.012)
    assert coverage_spread(plate, edges(plate, ~doubtful), cup, SCANNER) == pytest.approx(CLEAR_SD_MM / 20, abs=0.004)
