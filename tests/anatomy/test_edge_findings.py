"""Doubtful edges are named where a socket rests on them, and nowhere else."""

import numpy as np
import pytest
from cotyle.anatomy.edge_findings import patch_places, wall_region
from cotyle.anatomy.findings import Concern, concerning
from cotyle.anatomy.segmentation.edge_confidence import CLEAR_SD_MM, Edge, EdgeConfidence
from cotyle.anatomy.survey import survey_anatomy
from cotyle.space.side import Side

from tests.anatomy.pelves import subject


@pytest.fixture(scope="module")
def pelvis():
    surfaces, seeds = subject(1)
    return surfaces, seeds, survey_anatomy(surfaces, seeds)


def edges_with(surfaces, doubtful, kind=Edge.PRIOR):
    """Clear edges everywhere but where the mask of the left hip bone says."""
    edges = {}
    for name, mesh in surfaces.items():
        marked = doubtful if name == "left_hip_bone" else np.zeros(len(mesh.vertices_lps_mm), dtype=bool)
        edges[name] = EdgeConfidence(np.where(marked, kind, Edge.CLEAR), np.where(marked, 1.0, CLEAR_SD_MM))
    return edges


def doubts(pelvis, doubtful, kind=Edge.PRIOR):
    surfaces, seeds, _ = pelvis
    found = survey_anatomy(surfaces, seeds, edges=edges_with(surfaces, doubtful, kind)).doubts
    return [each for each in found if each.code.endswith("edges-doubtful")]


def masks(pelvis):
    surfaces, _, survey = pelvis
    bone, sphere = surfaces["left_hip_bone"], survey.sockets[Side.LEFT].sphere
    way = np.linalg.norm(bone.vertices_lps_mm - sphere.center_lps_mm, axis=1)
    return bone, sphere, way


def test_clear_edges_raise_nothing(pelvis):
    _, _, way = masks(pelvis)
    assert doubts(pelvis, np.zeros(len(way), dtype=bool)) == []
    far = way > 60.0  # the crest may be as doubtful as it likes: no socket rests on it
    assert far.sum() > 100
    assert doubts(pelvis, far) == []


def test_a_hidden_joint_surface_makes_centre_and_diameter_doubtful_on_its_side(pelvis):
    _, sphere, way = masks(pelvis)
    found = doubts(pelvis, np.abs(way - sphere.radius_mm) < 3.0, Edge.METAL)
    lunate = next(each for each in found if each.code == "lunate-edges-doubtful")
    assert lunate.side is Side.LEFT
    assert concerning([lunate], Concern.CENTER, Side.LEFT)
    assert not concerning([lunate], Concern.CENTER, Side.RIGHT)
    assert "metal" in lunate.text
    place = np.array(lunate.places_lps_mm[0])
    assert np.linalg.norm(place - sphere.center_lps_mm) == pytest.approx(sphere.radius_mm, abs=3.1)


def test_a_hidden_inner_wall_makes_the_wall_doubtful(pelvis):
    bone, sphere, _ = masks(pelvis)
    medial = np.array([-1.0, 0.0, 0.0])
    behind = wall_region(bone, sphere, medial)
    assert 0.02 < behind.mean() < 0.4
    wall = [each for each in doubts(pelvis, behind) if each.code == "wall-edges-doubtful"]
    assert len(wall) == 1
    assert wall[0].concerns == (Concern.WALL,)


def test_places_are_the_middles_of_the_largest_patches(pelvis):
    bone, _, _ = masks(pelvis)
    points = bone.vertices_lps_mm
    high, low = points[np.argmax(points[:, 2])], points[np.argmin(points[:, 2])]
    large = np.linalg.norm(points - high, axis=1) < 15.0
    small = np.linalg.norm(points - low, axis=1) < 8.0
    places = np.array(patch_places(bone, large | small))
    assert np.linalg.norm(places[0] - high) < 15.0
    assert np.linalg.norm(places[1] - low) < 8.0
    assert patch_places(bone, np.zeros(len(points), dtype=bool)) == ()
