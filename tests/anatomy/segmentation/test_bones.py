"""Bones found in synthetic scans whose truth is known, and refusal of what cannot be planned on.

The scans come from an open shape model that also guides the search; one of them is deformed outside its span.
"""

import numpy as np
import pytest
from cotyle.anatomy.bone_quality import judge_bones, require_pelvis, require_shown
from cotyle.anatomy.seeds import seeds_from
from cotyle.anatomy.segmentation.bones import label_map, segment_bones
from cotyle.anatomy.segmentation.given_bones import bones_from_labels, fill_interiors, label_flaws
from cotyle.anatomy.sockets.socket_sphere import BED
from cotyle.anatomy.survey import survey_anatomy
from cotyle.errors import InputError
from cotyle.image.labels import BONE_LABELS, LABEL_OF_BONE, hip_bone
from cotyle.image.volume import Volume
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side
from cotyle_sample import Posture, make_subject, scan

from tests.anatomy.not_a_pelvis import chest, head, nothing

VOXEL_MM = (1.2, 1.2, 1.4)
BONES = [name for name in BONE_LABELS.values() if name != "metal"]


def dice(a: Volume, b: Volume, bone: str) -> float:
    x, y = a.voxels == LABEL_OF_BONE[bone], b.voxels == LABEL_OF_BONE[bone]
    return 2.0 * np.count_nonzero(x & y) / (np.count_nonzero(x) + np.count_nonzero(y))


@pytest.fixture(scope="module")
def known():
    """A pelvis outside the span of the model, tilted and turned, with its truth and what was found."""
    volume, truth = scan(make_subject(seed=11, off_model_mm=2.5), Posture(9.0, -6.0, 4.0), VOXEL_MM)
    return volume, truth, segment_bones(volume)


@pytest.fixture(scope="module")
def quality(known):
    return judge_bones(known[2])


@pytest.mark.parametrize("bone", BONES)
def test_each_bone_of_a_pelvis_that_the_model_does_not_know_is_labelled(known, bone):
    _, truth, bones = known
    assert dice(bones.labels, truth.labels, bone) > 0.96


@pytest.mark.parametrize("side", Side)
def test_the_surface_round_the_socket_lies_on_the_true_one(known, side):
    _, truth, bones = known
    found = bones.surfaces[hip_bone(side)]
    near = np.linalg.norm(found.vertices_lps_mm - truth.sockets[side].center_lps_mm, axis=1) < 40.0
    off = MeshQuery(truth.surfaces[hip_bone(side)]).signed_distance(found.vertices_lps_mm[near])
    assert abs(np.median(off)) < 0.1
    assert np.percentile(np.abs(off), 90.0) < 0.6


@pytest.mark.parametrize("bone", BONES)
def test_each_surface_is_closed_and_turned_outwards(known, bone):
    mesh = known[2].surfaces[bone]
    assert mesh.is_closed
    assert mesh.volume_mm3 > 0


def test_left_is_on_the_patients_left(known):
    surfaces = known[2].surfaces
    for bone in ("hip_bone", "femur"):
        left, right = (surfaces[f"{side}_{bone}"].vertices_lps_mm[:, 0].mean() for side in Side)
        assert left > right


def test_a_mirrored_patient_gives_mirrored_bones(known):
    volume, _, bones = known
    flip = np.diag([-1.0, 1.0, 1.0, 1.0])
    mirrored = segment_bones(Volume(volume.voxels, flip @ volume.ijk_to_lps))
    for side in Side:
        as_seen = mirrored.surfaces[hip_bone(side)].transformed(flip)
        apart = MeshQuery(bones.surfaces[hip_bone(side.opposite)]).signed_distance(as_seen.vertices_lps_mm)
        assert np.percentile(np.abs(apart), 95.0) < 0.8


def test_a_sound_scan_raises_no_doubt(quality):
    assert quality.findings == ()
    assert 0.88 < quality.left_right_ratio < 1.12
    require_pelvis(quality)


@pytest.mark.parametrize("other", [head, chest, nothing])
def test_what_is_not_a_pelvis_is_refused(other):
    with pytest.raises(InputError) as refused:
        require_pelvis(judge_bones(segment_bones(other())))
    assert refused.value.code == "no-pelvis"


def test_a_side_that_the_scan_does_not_show_is_refused(known):
    volume = known[0]
    _, j, k = volume.size
    middle = volume.to_ijk(known[1].landmarks["symphysis"])[0]
    half = segment_bones(volume.cropped((0, 0, 0), (int(middle + 30.0 / volume.spacing_mm[0]), j, k)))
    cut_off, kept = (Side.LEFT, Side.RIGHT) if volume.ijk_to_lps[0, 0] > 0 else (Side.RIGHT, Side.LEFT)
    with pytest.raises(InputError) as refused:
        require_shown(half, cut_off)
    assert refused.value.code == "side-not-in-scan"
    with pytest.raises(InputError) as refused:
        require_shown(half, kept)
    assert refused.value.code == "field-of-view"


@pytest.fixture(scope="module")
def replaced():
    """A pelvis whose right hip holds a loose cup, with its truth and what was found."""
    volume, truth = scan(make_subject(seed=12, variant="loose_cup"), Posture(3.0, 2.0, -2.0), VOXEL_MM)
    return volume, truth, segment_bones(volume)


def test_a_loose_cup_is_labelled_metal_and_said_to_hide_bone_on_its_side_only(replaced):
    _, truth, bones = replaced
    assert dice(bones.labels, truth.labels, "metal") > 0.85
    findings = [finding for finding in judge_bones(bones).findings if finding.code == "metal"]
    assert [finding.side for finding in findings] == [Side.RIGHT]
    assert "it looks loose" in findings[0].text


@pytest.mark.parametrize("bone", BONES)
def test_metal_does_not_spoil_the_labels_of_bones(replaced, bone):
    _, truth, bones = replaced
    assert dice(bones.labels, truth.labels, bone) > (0.94 if bone == "right_femur" else 0.96)


def test_the_loose_cup_is_measured_and_no_other(replaced):
    _, truth, bones = replaced
    assert list(bones.metal_cups) == [Side.RIGHT]
    cup, true = bones.metal_cups[Side.RIGHT], truth.metal_cups[Side.RIGHT]
    assert np.linalg.norm(cup.center_lps_mm - true.sphere.center_lps_mm) < 0.5
    assert np.rad2deg(np.arccos(np.clip(cup.opening_axis_lps @ true.opening_axis, -1.0, 1.0))) < 1.0


def test_the_socket_of_a_replaced_hip_is_the_bone_behind_its_cup(replaced):
    _, truth, bones = replaced
    survey = survey_anatomy(bones.surfaces, seeds_from(bones.correspondence, bones.metal_cups))
    socket, true = survey.sockets[Side.RIGHT], truth.sockets[Side.RIGHT]
    assert socket.fit.method == BED
    assert np.linalg.norm(socket.center_lps_mm - true.center_lps_mm) < 1.5
    assert socket.diameter_mm > bones.metal_cups[Side.RIGHT].outer_diameter_mm + 1.5


def test_the_femur_of_a_replaced_hip_has_no_head(replaced):
    _, truth, bones = replaced
    assert list(bones.neck_cuts) == [Side.RIGHT]
    middle = truth.heads[Side.RIGHT].center_lps_mm
    assert MeshQuery(bones.surfaces["right_femur"]).signed_distance(middle[None])[0] > 15.0


def test_a_users_label_map_takes_the_place_of_ours(known):
    volume, truth, _ = known
    bones = bones_from_labels(volume, truth.labels)
    assert bones.origin == "given"
    for bone in BONES:
        assert dice(label_map(volume, bones.surfaces), truth.labels, bone) > 0.97
        assert bones.surfaces[bone].is_closed


def test_a_label_map_without_a_hip_bone_is_refused(known):
    volume, truth, _ = known
    voxels = np.where(truth.labels.voxels == LABEL_OF_BONE["left_hip_bone"], 0, truth.labels.voxels)
    with pytest.raises(InputError) as refused:
        bones_from_labels(volume, truth.labels.with_voxels(voxels))
    assert refused.value.code == "label-missing"
    assert "left_hip_bone" in str(refused.value)


def test_holes_and_loose_pieces_of_a_users_labels_are_said(known):
    labels = known[1].labels
    voxels = labels.voxels.copy()
    middle = np.argwhere(voxels == LABEL_OF_BONE["sacrum"]).mean(axis=0).astype(int)
    hole = tuple(slice(c - 3, c + 4) for c in middle)
    inside = voxels[hole] == LABEL_OF_BONE["sacrum"]
    assert inside.all()
    voxels[hole] = 0
    voxels[:5, :5, :5] = LABEL_OF_BONE["left_femur"]
    given = labels.with_voxels(voxels)
    flaws = label_flaws(given, fill_interiors(given))
    holes_ml, loose_ml = 7**3 * labels.voxel_volume_mm3 / 1000, 5**3 * labels.voxel_volume_mm3 / 1000
    assert any("sacrum" in flaw and f"{holes_ml:.1f} ml of holes" in flaw for flaw in flaws)
    assert any("left femur" in flaw and f"{loose_ml:.1f} ml" in flaw for flaw in flaws)
    assert label_flaws(labels, fill_interiors(labels)) == ()


def test_holes_in_a_users_labels_are_filled_without_touching_other_bones(known):
    voxels = truth_voxels = known[1].labels.voxels
    inside = np.argwhere(truth_voxels == 3)
    center = inside[len(inside) // 2]
    voxels = truth_voxels.copy()
    window = tuple(slice(c - 1, c + 2) for c in center)
    solid = (truth_voxels[window] == 3).all()
    voxels[window] = 0
    filled = fill_interiors(known[1].labels.with_voxels(voxels)).voxels
    if solid:
        assert (filled[window] == 3).all()
    untouched = truth_voxels != 3
    assert (filled[untouched & (truth_voxels > 0)] == truth_voxels[untouched & (truth_voxels > 0)]).all()
