"""The comparisons behind the page's table of outside readers see what differs."""

import json

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk

from tests.reliability import dicom_readers
from tests.reliability.dicom_readers import Reading


def image(voxels, origin=(1.0, -2.0, 3.0), spacing=(0.5, 0.75, 1.25)):
    made = sitk.GetImageFromArray(voxels)
    made.SetOrigin(origin)
    made.SetSpacing(spacing)
    return made


@pytest.fixture
def labels(tmp_path):
    """A label map of two bones as a case holds it, and its folder."""
    voxels = np.zeros((6, 8, 10), np.uint8)
    voxels[1:3, 2:5, 1:4], voxels[3:5, 4:7, 5:9] = 1, 3
    kept = image(voxels)
    kept.SetMetaData("label_names", json.dumps({"1": "left_hip_bone", "3": "sacrum"}))
    sitk.WriteImage(kept, str(tmp_path / "bones.nrrd"))
    return voxels, tmp_path


NAMES = {1: "Left hip bone", 2: "Sacrum"}


def as_segments(voxels):
    return np.where(voxels == 3, 2, voxels).astype(np.uint8)


def read(made, case):
    (found,) = dicom_readers._bones("a reader", made, NAMES, case)
    return found


def test_the_same_bones_agree_also_on_a_grid_cut_smaller(labels):
    voxels, case = labels
    assert read(image(as_segments(voxels)), case).good
    cut = image(as_segments(voxels)[1:, 2:, 1:], origin=(1.0 + 0.5, -2.0 + 2 * 0.75, 3.0 + 1.25))
    assert read(cut, case).good


def test_a_voxel_too_many_too_few_or_of_another_bone_is_seen(labels):
    voxels, case = labels
    for place, value in (((0, 0, 0), 1), ((1, 2, 1), 0), ((1, 2, 1), 2)):
        changed = as_segments(voxels)
        changed[place] = value
        found = read(image(changed), case)
        assert (found.good, found.of - found.agree) == (False, 1)


def test_bones_that_are_moved_or_mirrored_do_not_agree(labels):
    voxels, case = labels
    assert not read(image(as_segments(voxels), origin=(1.2, -2.0, 3.0)), case).good
    assert not read(image(as_segments(voxels)[:, :, ::-1]), case).good


def test_a_scan_at_another_place_does_not_agree_at_all():
    voxels = np.arange(60, dtype=np.int16).reshape(3, 4, 5)
    kept = image(voxels)
    assert dicom_readers._voxels("scan", "a reader", image(voxels), kept).good
    assert dicom_readers._voxels("scan", "a reader", image(voxels, origin=(1.0, -2.0, 3.1)), kept).agree == 0
    changed = voxels.copy()
    changed[0, 0, 0] += 1
    assert dicom_readers._voxels("scan", "a reader", image(changed), kept).agree == voxels.size - 1


def test_an_attribute_that_differs_deep_within_is_seen():
    def nested(value):
        inner, outer = pydicom.Dataset(), pydicom.Dataset()
        inner.CodeValue, inner.ImagePositionPatient = value, [1.0, 2.0, 3.0]
        outer.ConceptNameCodeSequence = [inner]
        return outer

    ours = nested("NAME")
    assert dicom_readers._alike(nested("NAME"), ours, ours["ConceptNameCodeSequence"])
    assert not dicom_readers._alike(nested("OTHER"), ours, ours["ConceptNameCodeSequence"])
    assert not dicom_readers._alike(pydicom.Dataset(), ours, ours["ConceptNameCodeSequence"])


def test_nothing_at_all_is_no_agreement():
    assert not Reading("pictures", "a reader", "pixels", 0, 0).good
    assert not Reading("pictures", "a reader", "pixels", 3, 4).good
