"""Synthetic scans: the requested posture, believable HU, and surfaces where the density steps."""

import numpy as np
import pytest
from cotyle.anatomy.pelvis import posture_of
from cotyle.image.sampling import sample
from cotyle.space.side import Side
from cotyle_sample import Posture, scan

POSTURE = Posture(12.0, -9.0, 7.0)


def test_truth_lies_in_the_requested_posture(coarse_scan):
    _, truth = coarse_scan(POSTURE)
    found = posture_of(truth.app)
    assert found.anterior_tilt_deg == pytest.approx(12.0, abs=1e-6)
    assert found.rotation_to_left_deg == pytest.approx(-9.0, abs=1e-6)
    assert found.left_up_deg == pytest.approx(7.0, abs=1e-6)
    # the words of the definition, without the formula: left side higher, front turned to the right, ASIS in front
    marks = truth.landmarks
    assert marks["asis_left"][2] > marks["asis_right"][2] + 15
    assert marks["asis_left"][1] < marks["asis_right"][1] - 15
    asis = 0.5 * (marks["asis_left"] + marks["asis_right"])
    tubercles = 0.5 * (marks["pubic_tubercle_left"] + marks["pubic_tubercle_right"])
    assert asis[1] < tubercles[1] - 5


def test_plane_of_the_landmarks_touches_the_bone(coarse_scan):
    _, truth = coarse_scan(POSTURE)
    for name in ("left_hip_bone", "right_hip_bone"):
        depth = truth.app.to_frame(truth.surfaces[name].vertices_lps_mm)[:, 1]
        assert depth.min() > -1.5  # one tubercle may stand a little in front of their middle


def test_hounsfield_units_are_those_of_their_tissue(coarse_scan):
    """Ranges asked of the sample: cortex 1150 to 1350, trabecular bone 150 to 300 HU; soft tissue by textbook."""
    volume, truth = coarse_scan(POSTURE, noise_hu=0.0)
    assert volume.voxels.dtype == np.int16
    side = Side.LEFT
    head = truth.heads[side]
    inside = head.center_lps_mm + np.random.default_rng(0).normal(size=(500, 3)) * 4.0
    assert 200 < np.median(sample(volume, inside)) < 330
    # a shaft is thick enough to show its cortex in full even at 1.6 mm
    shaft = truth.surfaces["left_femur"]
    low = volume.corners_lps_mm[:, 2].min() + 8
    ring = np.abs(shaft.vertices_lps_mm[:, 2] - low) < 6
    cortex = sample(volume, shaft.vertices_lps_mm[ring] - 2.4 * shaft.vertex_normals[ring])
    assert 1100 < np.median(cortex) < 1400
    air = volume.voxels[:, 2:6, 2:6]
    assert np.median(air) == -1000
    body = volume.voxels[(volume.voxels > -300) & (truth.labels.voxels == 0)]
    assert 40 < np.percentile(body, 60) < 75  # muscle
    assert -115 < np.percentile(body, 12) < -85  # fat


def test_noise_has_the_requested_size_in_muscle_and_is_correlated(coarse_scan):
    noisy, _ = coarse_scan(POSTURE, noise_hu=22.0)
    clean, truth = coarse_scan(POSTURE, noise_hu=0.0)
    muscle = (clean.voxels > 40) & (clean.voxels < 70) & (truth.labels.voxels == 0)
    difference = noisy.voxels.astype(float) - clean.voxels
    assert np.std(difference[muscle]) == pytest.approx(22.0, abs=1.5)
    row = difference[:, 120:130, 100:150]
    assert np.corrcoef(row[..., 1:].ravel(), row[..., :-1].ravel())[0, 1] > 0.03


def test_half_height_of_the_density_step_lies_on_the_surface(subject):
    """Fine voxels without noise: on thick cortex the half-height is within 0.1 mm of the truth's surface."""
    healthy = subject()
    volume, truth = scan(healthy, POSTURE, voxel_mm=(0.8, 0.8, 1.0), noise_hu=0.0, seed=1)
    steps = np.arange(-3.0, 2.5, 0.05)
    for name in ("left_hip_bone", "right_femur"):
        mesh = truth.surfaces[name]
        thick = truth.matter(name).thickness_mm > 1.8
        vertices = np.flatnonzero(thick & (mesh.vertices_lps_mm[:, 2] > volume.corners_lps_mm[:, 2].min() + 6))[::7]
        points = mesh.vertices_lps_mm[vertices][:, None] + steps[:, None] * mesh.vertex_normals[vertices][:, None]
        profiles = sample(volume, points).astype(float)
        errors = []
        for profile in profiles:
            peak = np.argmax(np.where(steps < 0.8, profile, -1e9))
            outside = profile[steps > 1.3].mean()
            below = np.flatnonzero(profile[peak:] < 0.5 * (profile[peak] + outside))
            if len(below):
                errors.append(steps[peak + below[0]])
        assert len(errors) > 100
        assert abs(np.median(errors)) < 0.1, (name, np.median(errors))


def test_label_map_agrees_with_the_surfaces_and_covers_all_bones(coarse_scan):
    _, truth = coarse_scan(POSTURE)
    labels = truth.labels
    assert set(np.unique(labels.voxels)) == {0, 1, 2, 3, 4, 5}
    counted = (labels.voxels == 3).sum() * labels.voxel_volume_mm3
    assert counted == pytest.approx(truth.surfaces["sacrum"].volume_mm3, rel=0.01)
    np.testing.assert_array_equal(truth.labels_on(labels).voxels, labels.voxels)
    left = labels.to_lps(np.argwhere(labels.voxels == 1)[:, ::-1].mean(axis=0))
    right = labels.to_lps(np.argwhere(labels.voxels == 2)[:, ::-1].mean(axis=0))
    assert left[0] > right[0] + 80


def test_hips_bend_when_the_pelvis_tilts_and_the_femora_stay_on_the_table(subject):
    healthy = subject()
    shafts = []
    for tilt in (-5.0, 15.0):
        _, truth = scan(healthy, Posture(tilt, 0.0, 0.0), voxel_mm=(6.0, 6.0, 6.0), noise_hu=0.0)
        femur = truth.surfaces["left_femur"].vertices_lps_mm
        shafts.append(femur[:200].mean(axis=0) - truth.heads[Side.LEFT].center_lps_mm)
    np.testing.assert_allclose(shafts[0], shafts[1], atol=1e-6)


def test_metal_is_bright_labelled_and_throws_streaks(coarse_scan):
    volume, truth = coarse_scan(POSTURE, "loose_cup")
    metal = truth.labels.voxels == 6
    assert metal.sum() * truth.labels.voxel_volume_mm3 > 2e4
    assert np.median(volume.voxels[metal]) > 5000
    assert volume.voxels.max() > 12000

    def unrest(scan_slice):
        """Median size of the change from row to row in soft tissue."""
        rows = scan_slice.astype(float)
        soft = (rows > -200) & (rows < 200)
        return np.median(np.abs(np.diff(rows, axis=0))[soft[1:] & soft[:-1]])

    i, j, k = np.round(volume.to_ijk(truth.sockets[Side.RIGHT].center_lps_mm)).astype(int)
    beside = np.s_[j - 30 : j + 30, i - 40 : i + 40]
    top = len(volume.voxels) - 12  # no metal in this slice
    assert not metal[top].any()
    assert unrest(volume.voxels[k][beside]) > 1.2 * unrest(volume.voxels[top])


def test_same_seed_same_voxels_other_seed_other_noise(subject):
    healthy = subject()
    first, _ = scan(healthy, POSTURE, voxel_mm=(4.0, 4.0, 4.0), seed=1)
    again, _ = scan(healthy, POSTURE, voxel_mm=(4.0, 4.0, 4.0), seed=1)
    other, _ = scan(healthy, POSTURE, voxel_mm=(4.0, 4.0, 4.0), seed=2)
    np.testing.assert_array_equal(first.voxels, again.voxels)
    assert (first.voxels != other.voxels).mean() > 0.3


def test_thin_density_darkens_the_bone(subject):
    healthy, truth = scan(subject(), POSTURE, voxel_mm=(3.0, 3.0, 3.0), noise_hu=0.0)
    thin, _ = scan(subject(), POSTURE, voxel_mm=(3.0, 3.0, 3.0), noise_hu=0.0, bone_density=0.6)
    bone = truth.labels.voxels > 0
    assert thin.voxels[bone].mean() < 0.75 * healthy.voxels[bone].mean()


def test_lumbar_vertebrae_are_bone_without_a_label(coarse_scan):
    volume, truth = coarse_scan(POSTURE)
    middle = truth.spine[0].vertices_lps_mm.mean(axis=0)
    i, j, k = np.round(volume.to_ijk(middle)).astype(int)
    assert truth.labels.voxels[k, j, i] == 0
    assert 100 < np.median(volume.voxels[k - 2 : k + 3, j - 2 : j + 3, i - 2 : i + 3]) < 260
