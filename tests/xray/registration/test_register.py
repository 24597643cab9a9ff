"""The pose of a C-arm from one picture, from two, and from pictures that must not be believed."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.rotations import rigid_matrix, rotation_matrix
from cotyle.space.side import Side
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.registration.bone_model import bone_model
from cotyle.xray.registration.joined import join_views
from cotyle.xray.registration.motion import handle_of, pose_between
from cotyle.xray.registration.register import RoughPose, register
from cotyle.xray.verdict import Verdict

from tests.xray.registration.scenes import c_arm, picture_from

LIMITS = np.array([0.3, 0.3, 0.2, 0.3, 0.3, 2.0])


def errors(found, scene):
    return handle_of(scene.true, scene.pivot).numbers_of(pose_between(scene.true, found.carm))


@pytest.fixture(scope="module")
def found(scene, bone):
    return register(scene.picture, RoughPose(scene.rough, scene.pivot), bone)


def test_a_pose_is_found_with_turned_femora_and_a_cup_in_the_way(found, scene):
    assert found.verdict is Verdict.CONVERGED, found.reasons
    assert (np.abs(errors(found, scene)) < LIMITS).all()


def test_a_machine_as_stated_is_not_contradicted_but_what_the_picture_can_not_tell_is_said(found):
    # 1 % of 1000 mm moves the hip, about 680 mm from the source, by about 6.8 mm (similar triangles)
    assert abs(abs(found.machine.pose_change[5, 0]) * 0.01 - 6.8) < 0.7
    assert (np.abs(found.machine.estimate) < 3.3 * found.machine.sd).all()
    assert not any("does not fit the stated machine" in reason for reason in found.reasons)
    assert any("can't tell whether the machine is as stated" in reason for reason in found.reasons)


def test_depth_is_said_to_be_known_worst(found):
    assert found.sd[5] > 3 * found.sd[3:5].max()


def test_the_same_seed_finds_the_same_pose(found, scene, bone):
    again = register(scene.picture, RoughPose(scene.rough, scene.pivot), bone)
    np.testing.assert_array_equal(again.carm.source_lps_mm, found.carm.source_lps_mm)


def test_a_patient_who_lies_elsewhere_in_the_scanner_gives_the_pose_that_moved_with_him(found, scene, sample_series):
    _, volume, truth = sample_series
    moved = rigid_matrix(rotation_matrix((0.2, 0.3, 1.0), 25.0), (40.0, -20.0, 10.0))
    scan = Volume(volume.voxels, moved @ volume.ijk_to_lps)
    labels = Volume(truth.labels.voxels, moved @ truth.labels.ijk_to_lps)
    pivot = moved[:3, :3] @ scene.pivot + moved[:3, 3]
    there = register(scene.picture, RoughPose(scene.rough.moved(moved), pivot), bone_model(scan, labels))
    back = there.carm.moved(np.linalg.inv(moved))
    apart = handle_of(scene.true, scene.pivot).numbers_of(pose_between(found.carm, back))
    assert (np.abs(apart) < 0.3 * LIMITS).all()


@pytest.mark.parametrize("what", ["mirrored", "black", "noise"])
def test_a_wrong_picture_is_not_believed(what, scene, bone):
    shown = scene.picture.attenuation
    other = {
        "mirrored": np.ascontiguousarray(shown[:, ::-1]),
        "black": np.zeros_like(shown),
        "noise": np.random.default_rng(3).normal(size=shown.shape).astype(np.float32),
    }[what]
    wrong = register(Radiograph(other, scene.picture.usable), RoughPose(scene.rough, scene.pivot), bone)
    assert wrong.verdict is not Verdict.CONVERGED
    assert wrong.reasons


def test_the_other_hip_is_not_believed(scene, bone, sample_series):
    left = sample_series[2].sockets[Side.LEFT].center_lps_mm
    wrong = register(scene.picture, RoughPose(c_arm(left), left), bone)
    assert wrong.verdict is not Verdict.CONVERGED


def test_a_second_view_settles_the_depth(found, scene, bone, sample_series):
    _, volume, truth = sample_series
    rough = c_arm(scene.pivot, primary=-35.0)
    # the patient lies alike to both: what moved the first pose off its view moved the second
    true = rough.moved(pose_between(scene.rough, scene.true))
    other = register(picture_from(volume, truth, Side.RIGHT, true, seed=2), RoughPose(rough, scene.pivot), bone)
    expected = rough.moved(pose_between(scene.rough, found.carm))
    joined = join_views([found, other], [expected], scene.pivot, machine_sd=(0.02, 0.1))
    assert joined.agree
    first = joined.registrations[0]
    assert first.sd[5] < 0.5 * found.sd[5]
    assert (np.abs(errors(first, scene)) < LIMITS * [1, 1, 1, 1, 1, 0.5]).all()


def test_views_that_do_not_fit_one_pelvis_are_doubtful(found, scene):
    moved = handle_of(found.carm, scene.pivot).moved(found.carm, [0, 0, 4.0, 0, 0, 0])
    joined = join_views([found, found], [moved], scene.pivot, machine_sd=(0.3, 1.0))
    assert not joined.agree
    assert {each.verdict for each in joined.registrations} == {Verdict.DOUBTFUL}
    assert joined.apart_deg == pytest.approx(4.0, abs=1e-6)


def test_a_picture_of_another_size_than_its_pose_is_refused(scene, bone):
    with pytest.raises(InputError, match="differ in size"):
        register(scene.picture, RoughPose(scene.rough.resized((128, 128)), scene.pivot), bone)


def test_a_label_map_without_a_pelvis_or_on_another_grid_is_refused(sample_series):
    _, volume, truth = sample_series
    with pytest.raises(InputError, match="neither a hip bone"):
        bone_model(volume, truth.labels.with_voxels(np.where(truth.labels.voxels > 3, truth.labels.voxels, 0)))
    with pytest.raises(InputError, match="different grids"):
        bone_model(volume, truth.labels.cropped((0, 0, 0), (20, 20, 20)))
