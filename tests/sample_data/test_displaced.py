"""Heads out of their sockets: where they lie, what they have pressed into the bone, and that bones stay apart."""

import numpy as np
import pytest
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side
from cotyle_sample import make_subject
from cotyle_sample.displaced import drawn_displacement
from cotyle_sample.distances import signed_distance


@pytest.fixture(scope="module")
def displaced():
    """A subject with its left head 22 mm up in a false socket and its right one 6 mm up in a shallow socket."""
    how = {Side.LEFT: drawn_displacement(4, 22.0), Side.RIGHT: drawn_displacement(4, 6.0)}
    return make_subject(seed=4, displaced=how)


@pytest.mark.parametrize(("side", "up_mm"), [(Side.LEFT, 22.0), (Side.RIGHT, 6.0)])
def test_head_lies_as_far_above_the_true_socket_as_asked(displaced, side, up_mm):
    way = displaced.heads[side].center_lps_mm - displaced.sockets[side].center_lps_mm
    assert way[2] == pytest.approx(up_mm, abs=1.5)
    assert way[0] * side.lateral_sign > 0.0


def test_only_a_head_out_of_its_socket_has_a_false_one(displaced):
    assert set(displaced.false_sockets) == {Side.LEFT}
    false, head = displaced.false_sockets[Side.LEFT], displaced.heads[Side.LEFT]
    assert np.linalg.norm(false.center_lps_mm - head.center_lps_mm) < 2.0
    assert head.radius_mm < false.radius_mm < displaced.sockets[Side.LEFT].radius_mm


def test_the_false_socket_is_a_hollow_in_the_ilium(displaced):
    false = displaced.false_sockets[Side.LEFT]
    points = displaced.bones["left_hip_bone"].vertices_lps_mm
    distance = np.linalg.norm(points - false.center_lps_mm, axis=1)
    assert distance.min() > false.radius_mm - 0.6
    assert (distance < false.radius_mm + 0.6).sum() > 30


def test_the_true_sphere_is_that_of_the_lunate_that_the_head_left_alone(displaced):
    true, false = displaced.sockets[Side.LEFT], displaced.false_sockets[Side.LEFT]
    lunate = displaced.pelvis_vertices[displaced.model.lunate_vertices[Side.LEFT]]
    alone = np.linalg.norm(lunate - false.center_lps_mm, axis=1) > false.radius_mm + 3.0
    off = np.linalg.norm(lunate[alone] - true.center_lps_mm, axis=1) - true.radius_mm
    assert alone.sum() > 100
    assert np.abs(off).max() < 2.0


def test_bones_of_a_displaced_hip_are_closed_and_apart(displaced):
    for side in Side:
        hip_bone, femur = (displaced.bones[f"{side}_{name}"] for name in ("hip_bone", "femur"))
        assert hip_bone.is_closed
        near = np.linalg.norm(femur.vertices_lps_mm - displaced.heads[side].center_lps_mm, axis=1) < 60.0
        assert signed_distance(hip_bone, femur.vertices_lps_mm[near]).min() > 0.5


def test_bone_is_left_behind_the_false_socket(displaced):
    false = displaced.false_sockets[Side.LEFT]
    query = MeshQuery(displaced.bones["left_hip_bone"])
    medial = np.array([-1.0, 0.0, 0.0])
    center = false.center_lps_mm
    crossings = query.line_crossings(center, center + 70.0 * medial)
    assert len(crossings) >= 2
    assert crossings[1] - crossings[0] > 2.5
