"""True against false socket on surfaces: heads that have left their sockets."""

import numpy as np
import pytest
from cotyle.anatomy.landmarks import SocketSeeds
from cotyle.anatomy.sockets.displaced_socket import find_displaced
from cotyle.anatomy.survey import survey_anatomy
from cotyle.space.side import Side
from cotyle_sample import make_subject
from cotyle_sample.displaced import drawn_displacement

from tests.anatomy.pelves import subject


@pytest.fixture(scope="module")
def displaced():
    """Bones of a pelvis whose left head lies in a false socket, the right one subluxed."""
    how = {Side.LEFT: drawn_displacement(8, 18.0), Side.RIGHT: drawn_displacement(8, 7.0)}
    return make_subject(seed=8, displaced=how)


def carried(one, side):
    model, points = one.model, one.pelvis_vertices
    return SocketSeeds(
        points[model.lunate_vertices[side]],
        points[model.fossa_vertices[side]],
        points[model.rim_vertices[side]],
        one.bones[f"{side}_femur"].vertices_lps_mm[model.head_vertices],
    )


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("with_seeds", [True, False])
def test_the_true_socket_of_a_displaced_head_is_found(displaced, side, with_seeds):
    seeds = carried(displaced, side) if with_seeds else SocketSeeds()
    found = find_displaced(
        displaced.bones[f"{side}_hip_bone"], displaced.bones[f"{side}_femur"], side, np.eye(3), seeds
    )
    true, head = displaced.sockets[side], displaced.heads[side]
    assert np.linalg.norm(found.fit.sphere.center_lps_mm - true.center_lps_mm) < 2.0
    np.testing.assert_allclose(found.head.center_lps_mm, head.center_lps_mm, atol=1.0)
    np.testing.assert_allclose(found.displacement_lps_mm, head.center_lps_mm - true.center_lps_mm, atol=2.5)


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("with_seeds", [True, False])
def test_a_head_in_its_socket_is_not_displaced(side, with_seeds):
    surfaces, seeds = subject(1)
    own = seeds.socket(side) if with_seeds else SocketSeeds()
    assert find_displaced(surfaces[f"{side}_hip_bone"], surfaces[f"{side}_femur"], side, np.eye(3), own) is None


def test_the_survey_gives_the_true_socket_and_says_where_the_head_lies(displaced):
    found = survey_anatomy(displaced.bones)
    doubts = {doubt.side: doubt for doubt in found.doubts if doubt.code == "head-displaced"}
    assert set(doubts) == set(Side)
    assert "in a false socket above its socket" in doubts[Side.LEFT].text
    assert "partly out of its socket" in doubts[Side.RIGHT].text
    for side in Side:
        socket = found.sockets[side]
        apart = np.linalg.norm(socket.center_lps_mm - displaced.sockets[side].center_lps_mm)
        assert apart < 2.5
        assert apart < 1.96 * np.sqrt(3.0) * socket.center_uncertainty_mm
        assert socket.crowe is not None
        assert len(socket.ways.ways) > 1
    assert found.sockets[Side.LEFT].crowe.subluxation > found.sockets[Side.RIGHT].crowe.subluxation
