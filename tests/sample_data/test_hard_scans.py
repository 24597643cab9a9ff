"""Thin soft bone, contrast medium in the pelvis, bone in the soft parts."""

import numpy as np
import pytest
from cotyle.image.sampling import sample
from cotyle.space.mesh_queries import MeshQuery
from cotyle.space.side import Side
from cotyle_sample import Posture, scan
from cotyle_sample.bone_islands import BoneIsland
from cotyle_sample.bone_matter import Osteopenia, matter_of
from cotyle_sample.tissue import Organs
from scipy.ndimage import label

POSTURE = Posture(8.0, 3.0, -2.0)


@pytest.mark.parametrize("bone", ["left_hip_bone", "sacrum", "right_femur"])
def test_osteopenic_bone_takes_the_whole_of_its_ranges(subject, bone):
    matter = matter_of(subject(), bone, Osteopenia(shaft_share=0.0))
    assert 0.6 <= matter.thickness_mm.min() < matter.thickness_mm.max() <= 1.0
    assert 500 <= matter.cortex_hu.min() < 560
    assert 740 < matter.cortex_hu.max() <= 800
    assert -30 <= matter.trabecular_hu.min() < matter.trabecular_hu.max() <= 80


def test_femoral_shafts_of_osteopenic_bone_keep_a_share(subject):
    healthy, thin = matter_of(subject(), "left_femur"), matter_of(subject(), "left_femur", Osteopenia())
    assert 1.5 < thin.thickness_mm.max() < 0.6 * healthy.thickness_mm.max()


@pytest.fixture(scope="module")
def filled(subject):
    organs = Organs(bladder_hu=350.0, bowel_hu=250.0, full_mm=22.0, wall_gap_mm=4.0)
    island = BoneIsland(Side.RIGHT, gap_mm=3.0)
    return scan(subject(), POSTURE, (2.0, 2.0, 2.0), noise_hu=0.0, organs=organs, islands=(island,))


def test_contrast_comes_close_to_the_inner_wall_and_keeps_its_gap(filled):
    volume, truth = filled
    pieces, _ = label((volume.voxels > 340) & (volume.voxels < 360) & (truth.labels.voxels == 0))
    bright = pieces == 1 + np.argmax(np.bincount(pieces.ravel())[1:])
    assert bright.sum() * volume.voxel_volume_mm3 > 1e5
    points = volume.to_lps(np.argwhere(bright)[:, ::-1][::7].astype(float))
    way = np.minimum(*(np.abs(MeshQuery(truth.surfaces[f"{side}_hip_bone"]).signed_distance(points)) for side in Side))
    assert 2.5 < way.min() < 8.0


def test_an_island_of_bone_bears_no_label_and_touches_nothing(filled, subject):
    volume, truth = filled
    plain, _ = scan(subject(), POSTURE, (2.0, 2.0, 2.0), noise_hu=0.0)
    center = truth.sockets[Side.RIGHT].center_lps_mm
    island = (volume.voxels.astype(float) - plain.voxels > 300) & (truth.labels.voxels == 0)
    points = volume.to_lps(np.argwhere(island)[:, ::-1].astype(float))
    points = points[np.linalg.norm(points - center, axis=1) < 70.0]
    points = points[(points - center) @ np.array([-0.75, -0.6, 0.3]) > 0]
    assert len(points) > 20
    bones = [MeshQuery(truth.surfaces[name]) for name in ("right_hip_bone", "right_femur")]
    assert min(np.min(bone.signed_distance(points)) for bone in bones) > 1.0
    assert sample(volume, points.mean(axis=0)[None])[0] > 180
