"""Other pelves: what their names say is what their surfaces and scans show."""

import numpy as np
import pytest
from cotyle.anatomy.shapes.shape_landmarks import HIP_CODE
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.rotations import angle_between_deg
from cotyle.space.side import Side
from cotyle_sample.digitised_skeleton import digitised_bones, make_digitised_subject
from cotyle_sample.distances import signed_distance
from cotyle_sample.other_pelves import HealedFracture, resized, with_fused_sacroiliac, with_healed_fracture
from cotyle_sample.scan_window import cut_scan
from cotyle_sample.scanner import scan


def _rotation_between(a, b):
    """Rotation (3, 3) that turns points a onto b in the least-squares sense."""
    u, _, vt = np.linalg.svd((a - a.mean(axis=0)).T @ (b - b.mean(axis=0)))
    return (u * [1.0, 1.0, np.sign(np.linalg.det(u @ vt))] @ vt).T


@pytest.mark.parametrize(
    ("side", "turn", "axis", "step"),
    [(Side.RIGHT, 5.0, (1.0, 0.0, 0.0), 8.0), (Side.LEFT, -5.0, (0.6, 0.2, 0.8), -6.0)],
)
def test_a_healed_fracture_turns_one_half_and_leaves_a_step(subject, side, turn, axis, step):
    whole = subject()
    broken = with_healed_fracture(whole, HealedFracture(side, turn, axis, step))
    rotations = []
    for each in Side:
        rows = whole.model.pelvis_component == HIP_CODE[each]
        far = rows & (np.linalg.norm(whole.pelvis_vertices - whole.sockets[each].center_lps_mm, axis=1) < 40.0)
        rotations.append(_rotation_between(whole.pelvis_vertices[far], broken.pelvis_vertices[far]))
    between = rotations[0].T @ rotations[1]
    assert np.rad2deg(np.arccos((np.trace(between) - 1) / 2)) == pytest.approx(abs(turn), abs=0.4)

    def height_of_symphysis(one, each):
        """Of the same vertices before and after, over the other half's."""
        number = list(one.model.landmark_vertices["symphysis"])
        vertex = [n for n in number if one.model.pelvis_component[n] == HIP_CODE[each]]
        return one.pelvis_vertices[vertex[0]]

    apart = [height_of_symphysis(one, side) - height_of_symphysis(one, side.opposite) for one in (whole, broken)]
    change = apart[1] - rotations[list(Side).index(side.opposite)] @ apart[0]
    assert change[2] == pytest.approx(step, abs=1.5)
    # the joints stay open, every bone stays a solid
    for name, mesh in broken.bones.items():
        assert mesh.is_closed, name
    hip_bone, sacrum = broken.bones[f"{side}_hip_bone"], broken.bones["sacrum"]
    assert signed_distance(hip_bone, sacrum.vertices_lps_mm).min() > 0.5


def test_a_small_person_is_the_same_shape_with_a_thinner_cortex(subject):
    adult = subject()
    child = resized(adult, 0.75, 0.8)
    np.testing.assert_allclose(child.pelvis_vertices, 0.75 * adult.pelvis_vertices)
    assert child.sockets[Side.LEFT].radius_mm == pytest.approx(0.75 * adult.sockets[Side.LEFT].radius_mm)
    _, truth = scan(child, voxel_mm=(4.0, 4.0, 4.0), across_mm=300.0)
    _, adult_truth = scan(adult, voxel_mm=(4.0, 4.0, 4.0))
    ratio = truth.matter("left_hip_bone").thickness_mm / adult_truth.matter("left_hip_bone").thickness_mm
    assert np.median(ratio) == pytest.approx(0.8, abs=0.05)
    assert truth.labels.size[0] == 75


def test_bone_bridges_a_fused_joint_on_its_side_alone(subject):
    one = subject()
    voxel = (1.0, 1.0, 1.5)
    free, truth = scan(one, voxel_mm=voxel, noise_hu=0.0)
    fused, _ = scan(with_fused_sacroiliac(one, (Side.LEFT,)), voxel_mm=voxel, noise_hu=0.0)
    for side in Side:
        hip, sacrum = (MeshQuery(truth.surfaces[name]) for name in (f"{side}_hip_bone", "sacrum"))
        near = free.around(truth.landmarks[f"si_joint_inferior_{side}"][None], 30.0)
        ijk = np.argwhere(near.voxels > -3000)[:, ::-1]
        points = near.to_lps(ijk)
        gap = (hip.signed_distance(points) > 0.2) & (sacrum.signed_distance(points) > 0.2)
        gap &= hip.signed_distance(points) + sacrum.signed_distance(points) < 3.0
        change = fused.around(truth.landmarks[f"si_joint_inferior_{side}"][None], 30.0).voxels - near.voxels
        change, before = (voxels[tuple(ijk[gap].T[::-1])] for voxels in (change, near.voxels))
        if side is Side.LEFT:
            # where the gap was seen as one, most of it is now filled
            assert np.median(change[before < 350]) > 40.0
        else:
            assert not change.any()


def test_a_cut_scan_holds_the_voxels_of_its_box(subject):
    volume, truth = scan(subject(), voxel_mm=(4.0, 4.0, 4.0))
    low, high = truth.landmarks["asis_right"] + [7.0, -500.0, -90.0], truth.landmarks["asis_left"] + [50.0, 500.0, 11.0]
    part, part_truth = cut_scan(volume, truth, low, high)
    centers = part.to_lps([[0, 0, 0], np.array(part.size) - 1])
    assert (centers[0] >= low).all()
    assert (centers[1] <= high).all()
    assert part_truth.labels.size == part.size
    inside = part.to_lps([3, 5, 7])
    i, j, k = np.round(volume.to_ijk(inside)).astype(int)
    assert part.voxels[7, 5, 3] == volume.voxels[k, j, i]
    assert part_truth.surfaces is truth.surfaces


def test_the_digitised_subject_keeps_the_digitised_shape():
    one = make_digitised_subject(1, own_shape_mm=0.0, divisions=7)
    source = digitised_bones()
    for side in Side:
        name = f"{side}_hip_bone"
        assert one.bones[name].is_closed
        # volume but for the socket, which is made round; the file says 281 ml
        assert one.bones[name].volume_mm3 == pytest.approx(source[name].volume_mm3, rel=0.03)
        assert 40.0 < 2.0 * one.sockets[side].radius_mm < 56.0
    # span of the ASIS on the source's own surfaces: foremost points of the upper half
    upper = [bone.vertices_lps_mm[bone.vertices_lps_mm[:, 2] > -20.0] for bone in list(source.values())[:2]]
    span = np.linalg.norm(np.subtract(*(points[np.argmin(points[:, 1])] for points in upper)))
    marks = one.model.landmarks(one.pelvis_vertices)
    assert np.linalg.norm(marks["asis_left"] - marks["asis_right"]) == pytest.approx(span, abs=8.0)


def test_two_digitised_subjects_differ_left_and_right():
    one, two = (make_digitised_subject(seed, own_shape_mm=1.0, divisions=7) for seed in (1, 2))
    assert np.linalg.norm(one.pelvis_vertices - two.pelvis_vertices, axis=1).mean() > 0.5
    left, right = (one.sockets[side].center_lps_mm * [side.lateral_sign, 1, 1] for side in Side)
    assert angle_between_deg(left, right) > 0.1
