"""Worn hips: what their parameters say is what their surfaces and scans show."""

from functools import cache

import numpy as np
import pytest
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE
from cotyle.anatomy.sockets.socket_sphere import vertex_areas
from cotyle.image.sampling import sample
from cotyle.space.arrays import unit
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side
from cotyle_sample import make_subject
from cotyle_sample.distances import signed_distance
from cotyle_sample.scanner import LEVEL, place, scan
from cotyle_sample.wear import contact_share, drawn_wear
from cotyle_sample.worn_density import worn_contacts

SIDE = Side.RIGHT


@cache
def worn(seed=401, protrusio=False, double_floor=False):
    wear = {SIDE: drawn_wear(seed, protrusio, double_floor)}
    return make_subject(seed, wear=wear)


@cache
def laid(seed=401, protrusio=False, double_floor=False):
    return place(worn(seed, protrusio, double_floor), LEVEL)


@cache
def scanned():
    return scan(worn(), LEVEL, voxel_mm=(1.0, 1.0, 1.0), across_mm=400.0, noise_hu=10.0)


def lunate(subject, hip_bone):
    number = np.cumsum(subject.model.pelvis_component == HIP_CODE[SIDE]) - 1
    rows = number[subject.model.lunate_vertices[SIDE]]
    return hip_bone.vertices_lps_mm[rows], vertex_areas(hip_bone)[rows]


def test_bone_lies_on_bone_over_a_tenth_to_a_third_of_the_lunate_and_the_rest_is_narrow():
    placed = laid()
    hip_bone, femur = (placed.bones[f"{SIDE}_{name}"] for name in ("hip_bone", "femur"))
    points, areas = lunate(worn(), hip_bone)
    assert 0.1 < contact_share(femur, points, areas) < 0.33
    space = signed_distance(femur, points)
    assert np.median(space) < 1.0
    # they touch and do not share a place
    assert 0.0 < space.min() < 0.2
    near = np.linalg.norm(femur.vertices_lps_mm - placed.joints()[SIDE].center_lps_mm, axis=1) < 45.0
    assert signed_distance(hip_bone, femur.vertices_lps_mm[near]).min() > 0.0


def test_the_head_has_migrated_and_the_sound_side_has_not():
    subject = worn()
    for side in Side:
        moved = subject.heads[side].center_lps_mm - subject.sockets[side].center_lps_mm
        assert np.linalg.norm(moved) == pytest.approx(0.85 if side is SIDE else 0.0, abs=0.5)
    assert (subject.heads[SIDE].center_lps_mm - subject.sockets[SIDE].center_lps_mm)[2] > 0.3


def test_osteophytes_draw_out_the_rim_and_the_edge_of_the_head():
    subject, sound = worn(), make_subject(401)
    rim = subject.model.rim_vertices[SIDE]
    moved = np.linalg.norm(subject.pelvis_vertices[rim] - sound.pelvis_vertices[rim], axis=1)
    largest = drawn_wear(401).rim_osteophyte_mm
    assert 0.6 * largest < moved.max() < 1.3 * largest
    femur, head = subject.bones[f"{SIDE}_femur"], subject.heads[SIDE]
    away = np.linalg.norm(femur.vertices_lps_mm - head.center_lps_mm, axis=1) - head.radius_mm
    on_head = np.zeros(len(away), dtype=bool)
    on_head[subject.model.head_vertices] = True
    assert away[on_head].max() > 1.0


def test_the_sclerosis_is_dense_under_the_contact_and_cysts_hold_fluid():
    volume, truth = scanned()
    contact = worn_contacts(laid())[SIDE]
    wear = contact.hip.wear
    # a little medial of the middle of the contact, which may lie under the roof's edge
    way = unit(contact.toward - [0.4 * SIDE.lateral_sign, 0.0, 0.0])
    for sphere, depth_mm in ((contact.head, -3.0), (contact.socket, 3.0)):
        point = sphere.center_lps_mm + (sphere.radius_mm + depth_mm) * way
        clear = all(np.linalg.norm(point - cyst.center_lps_mm) > cyst.radius_mm + 2.0 for cyst in truth.cysts)
        if clear:
            assert sample(volume, point[None])[0] == pytest.approx(wear.sclerosis_hu, abs=200.0)
    opposite = contact.head.center_lps_mm - 12.0 * contact.toward
    assert sample(volume, opposite[None])[0] < 500.0
    assert truth.cysts
    for cyst in truth.cysts:
        if cyst.radius_mm > 2.5:
            assert sample(volume, np.array([cyst.center_lps_mm]))[0] < 150.0


def test_a_double_floor_is_plate_gap_floor():
    subject = worn(402, double_floor=True)
    pocket = subject.worn[SIDE].pocket
    assert pocket is not None
    center = subject.sockets[SIDE].center_lps_mm
    bone = MeshQuery(subject.bones[f"{SIDE}_hip_bone"])
    fossa = subject.pelvis_vertices[subject.model.fossa_vertices[SIDE]]
    way = fossa.mean(axis=0) - center
    plates, gaps = [], []
    for turn in np.linspace(-0.25, 0.25, 5):
        crossings = np.asarray(bone.line_crossings(center, center + 3.0 * (way + [0.0, 25.0 * turn, 0.0])))
        if len(crossings) >= 4:
            plates.append(crossings[1] - crossings[0])
            gaps.append(crossings[2] - crossings[1])
    assert len(plates) >= 2
    assert np.median(plates) == pytest.approx(pocket.plate_mm, abs=0.6)
    assert np.median(gaps) == pytest.approx(pocket.gap_mm, abs=0.6)


def test_in_protrusio_the_head_reaches_the_ilioischial_line_and_the_floor_lies_beyond():
    subject = worn(416, protrusio=True)

    def beyond_line_mm(side):
        """Head's and floor's inmost point against the line along the back of the inner surface, seen from in front."""
        center, medial = subject.sockets[side].center_lps_mm, -side.lateral_sign
        offset = subject.bones[f"{side}_hip_bone"].vertices_lps_mm - center
        back = (offset[:, 1] > 18.0) & (offset[:, 1] < 38.0)

        def inmost(low, high):
            return (medial * offset[back & (offset[:, 2] > low) & (offset[:, 2] < high), 0]).max()

        above, below = inmost(18.0, 26.0), inmost(-28.0, -18.0)
        line = below + (above - below) * 23.0 / 45.0
        head = subject.heads[side]
        floor = medial * (subject.pelvis_vertices[subject.model.fossa_vertices[side]] - center)[:, 0]
        return medial * (head.center_lps_mm - center)[0] + head.radius_mm - line, floor.max() - line

    head, floor = beyond_line_mm(SIDE)
    sound_head, _ = beyond_line_mm(SIDE.opposite)
    assert head > -2.5
    assert floor > 1.0
    assert sound_head < -5.0


def test_a_seed_gives_the_same_wear_and_stays_within_what_it_promises():
    assert drawn_wear(7) == drawn_wear(7)
    for seed in range(30):
        wear = drawn_wear(seed, protrusio=seed % 2 == 0, double_floor=True)
        assert 0.0 < wear.gap_mm <= 1.0
        assert 0.1 <= wear.contact_share <= 0.3
        assert 900.0 <= wear.sclerosis_hu <= 1300.0
        assert (wear.protrusio_mm > 0.0) == (seed % 2 == 0)
