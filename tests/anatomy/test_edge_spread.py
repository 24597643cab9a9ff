"""Doubtful edges widen what rests on them: against repeated fits of a sphere, and only there."""

import numpy as np
import pytest
from cotyle.anatomy.edge_spread import INDEPENDENT_POINTS, sphere_spread_mm, widened_landmarks, widened_sphere
from cotyle.anatomy.landmarks import Landmark, Origin, given
from cotyle.anatomy.segmentation.edge_confidence import CLEAR_SD_MM, Edge, EdgeConfidence
from cotyle.anatomy.sockets.socket_sphere import find_socket_sphere
from cotyle.anatomy.survey import survey_anatomy
from cotyle.space.fits import fit_sphere
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

from tests.anatomy.pelves import subject


def edges_of(mesh, sd_mm, doubtful=None):
    count = len(mesh.vertices_lps_mm)
    doubtful = np.zeros(count, dtype=bool) if doubtful is None else doubtful
    return EdgeConfidence(np.where(doubtful, Edge.PRIOR, Edge.CLEAR), np.where(doubtful, sd_mm, CLEAR_SD_MM))


def test_the_sphere_s_spread_is_that_of_repeated_fits():
    """As many independent points as the fit counts, on a cap of 70 degrees, half of them four times less sure."""
    random = np.random.default_rng(3)
    count = int(INDEPENDENT_POINTS)
    polar, around = np.arccos(random.uniform(np.cos(np.radians(70)), 1, count)), random.uniform(0, 2 * np.pi, count)
    unit = np.column_stack([np.sin(polar) * np.cos(around), np.sin(polar) * np.sin(around), np.cos(polar)])
    sd = np.where(unit[:, 0] > 0, 0.8, 0.2)
    center, diameter = sphere_spread_mm(25.0 * unit, np.ones(count), sd, Sphere(np.zeros(3), 25.0))
    fits = [fit_sphere((25.0 + sd * random.normal(size=count))[:, None] * unit)[0] for _ in range(1500)]
    centers = np.array([fit.center_lps_mm for fit in fits])
    assert center == pytest.approx(np.sqrt((centers**2).mean()), rel=0.08)
    assert diameter == pytest.approx(np.std([fit.diameter_mm for fit in fits]), rel=0.08)


def test_a_finer_mesh_makes_no_surer_sphere():
    random = np.random.default_rng(4)
    unit = random.normal(size=(400, 3))
    unit /= np.linalg.norm(unit, axis=1)[:, None]
    sphere = Sphere(np.zeros(3), 25.0)
    once = sphere_spread_mm(25.0 * unit, np.ones(400), np.full(400, 0.5), sphere)
    twice = sphere_spread_mm(np.tile(25.0 * unit, (2, 1)), np.ones(800), np.full(800, 0.5), sphere)
    assert once == pytest.approx(twice)


@pytest.fixture(scope="module")
def socket():
    surfaces, seeds = subject(1)
    bone = surfaces["left_hip_bone"]
    fit = find_socket_sphere(bone, Side.LEFT, np.eye(3), seeds.socket(Side.LEFT), surfaces["left_femur"])
    return bone, seeds.socket(Side.LEFT), fit


def test_clear_edges_leave_the_fit_as_it_is_and_doubtful_ones_widen_it(socket):
    bone, seeds, fit = socket
    clear = widened_sphere(fit, bone, Side.LEFT, np.eye(3), seeds, edges_of(bone, 0.0))
    assert clear.uncertainty_mm == pytest.approx(fit.uncertainty_mm, abs=2e-3)
    upper = bone.vertices_lps_mm[:, 2] > fit.sphere.center_lps_mm[2]
    doubtful = widened_sphere(fit, bone, Side.LEFT, np.eye(3), seeds, edges_of(bone, 2.0, upper))
    assert doubtful.uncertainty_mm > 1.2 * fit.uncertainty_mm
    assert doubtful.diameter_uncertainty_mm > 1.2 * fit.diameter_uncertainty_mm
    assert doubtful.sphere is fit.sphere


def test_a_landmark_is_as_unsure_as_the_surface_it_lies_on():
    mesh = TriangleMesh(np.eye(3) * 10.0, np.array([[0, 1, 2]]))
    edges = {"left_hip_bone": EdgeConfidence(np.array([1, 0, 0]), np.array([2.0, CLEAR_SD_MM, CLEAR_SD_MM]))}
    marks = {
        "asis_left": Landmark("asis_left", np.array([10.0, 0, 0.5]), Origin.DETECTED, 1.0, 0.3),
        "psis_left": Landmark("psis_left", np.array([0, 10.0, 0]), Origin.DETECTED, 1.0, 0.3),
        "symphysis": Landmark("symphysis", np.array([30.0, 0, 0]), Origin.DETECTED, 1.0),
        "teardrop_left": given("teardrop_left", [10.0, 0, 0]),
    }
    wider = widened_landmarks(marks, {"left_hip_bone": mesh}, edges)
    assert wider["asis_left"].uncertainty_mm == pytest.approx(np.hypot(1.0, 2.0), abs=0.01)
    assert wider["asis_left"].across_uncertainty_mm == pytest.approx(np.hypot(0.3, 2.0), abs=0.01)
    for name in ("psis_left", "symphysis", "teardrop_left"):
        assert wider[name].uncertainty_mm == pytest.approx(marks[name].uncertainty_mm, abs=2e-3)


def test_a_doubtful_iliac_spine_makes_the_pelvic_frame_less_sure_and_moves_nothing():
    surfaces, seeds = subject(1)
    plain = survey_anatomy(surfaces, seeds)
    edges = {name: edges_of(mesh, 0.0) for name, mesh in surfaces.items()}
    spine = plain.landmarks["asis_left"].lps_mm
    near = np.linalg.norm(surfaces["left_hip_bone"].vertices_lps_mm - spine, axis=1) < 10.0
    edges["left_hip_bone"] = edges_of(surfaces["left_hip_bone"], 1.5, near)
    doubted = survey_anatomy(surfaces, seeds, edges=edges)
    assert doubted.pelvis.uncertainty.left_up_deg > 1.1 * plain.pelvis.uncertainty.left_up_deg
    assert doubted.pelvis.uncertainty.anterior_tilt_deg > 1.5 * plain.pelvis.uncertainty.anterior_tilt_deg
    np.testing.assert_array_equal(doubted.landmarks["asis_left"].lps_mm, spine)
