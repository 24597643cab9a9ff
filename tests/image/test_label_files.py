"""A label map of the user's own is read onto the CT's grid with the right sides, or refused in one line."""

from __future__ import annotations

import json

import highdicom
import numpy as np
import pytest
import SimpleITK as sitk
from cotyle.errors import InputError
from cotyle.image.bone_names import bone_label, read_name_table
from cotyle.image.label_files import read_labels, write_labels
from cotyle.image.labels import BONE_LABELS, LABEL_OF_BONE
from cotyle.image.orient import reoriented
from cotyle.image.read import read_volume
from cotyle.image.sitk_bridge import to_sitk
from cotyle.image.volume import Volume
from dicom_phantom import asymmetric_hu, grid_positions, make_slices, write_slices
from pydicom import dcmread
from pydicom.sr.codedict import codes
from pydicom.uid import generate_uid


def ct_volume(size=(20, 24, 28), spacing=(1.0, 1.0, 1.5), turn=0.3) -> Volume:
    c, s = np.cos(turn), np.sin(turn)
    affine = np.eye(4)
    affine[:3, :3] = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) * spacing
    affine[:3, 3] = (-10, 5, -300)
    return Volume(np.zeros(size[::-1], np.int16), affine)


def some_labels(ct: Volume) -> Volume:
    voxels = np.zeros(ct.voxels.shape, np.uint8)
    voxels[4:9, 5:9, 3:8], voxels[4:9, 5:9, 11:17] = 1, 2
    voxels[12:15, 3:20, 8:12] = 3
    voxels[20, 20, 4] = 4
    return ct.with_voxels(voxels)


def refusal(*args, **kwargs) -> InputError:
    with pytest.raises(InputError) as error:
        read_labels(*args, **kwargs)
    assert "\n" not in str(error.value)
    return error.value


def test_our_own_file_comes_back_with_its_names(tmp_path):
    ct = ct_volume()
    write_labels(tmp_path / "bones.nrrd", some_labels(ct))
    header = sitk.ReadImage(str(tmp_path / "bones.nrrd")).GetMetaData("label_names")
    assert json.loads(header) == {str(n): name for n, name in BONE_LABELS.items()}
    back = read_labels(tmp_path / "bones.nrrd", ct)
    assert back.voxels.dtype == np.uint8
    np.testing.assert_array_equal(back.voxels, some_labels(ct).voxels)
    assert [p.name for p in tmp_path.iterdir()] == ["bones.nrrd"]


@pytest.mark.parametrize("suffix", [".nii.gz", ".nrrd", ".mha"])
def test_other_numbers_are_translated_by_a_name_table(tmp_path, suffix):
    ct = ct_volume()
    theirs = some_labels(ct).voxels.astype(np.int16)
    theirs = np.choose(theirs, [0, 77, 25, 110, 9]).astype(np.int16)
    path = tmp_path / f"seg{suffix}"
    sitk.WriteImage(to_sitk(ct.with_voxels(theirs)), str(path))
    table = tmp_path / "names.json"
    table.write_text('{"77": "hip_left", "25": "Right hip bone", "110": "sacrum", "9": "Femur, left", "3": "bladder"}')
    np.testing.assert_array_equal(read_labels(path, ct, table).voxels, some_labels(ct).voxels)
    assert refusal(path, ct).code == "labels-no-names"


def test_flipped_swapped_and_cropped_grids_are_taken_over_voxel_by_voxel(tmp_path):
    ct = ct_volume()
    expected = some_labels(ct)
    axes = np.array([[0, -1, 0, 23], [0, 0, 1, 0], [-1, 0, 0, 19], [0, 0, 0, 1]])  # old index -> new index
    turned = Volume(
        np.ascontiguousarray(expected.voxels.transpose(2, 0, 1)[::-1, :, ::-1]), ct.ijk_to_lps @ np.linalg.inv(axes)
    )
    for n, labels in enumerate((turned, expected.cropped((2, 3, 4), (18, 24, 26)), reoriented(expected))):
        write_labels(tmp_path / f"{n}.nrrd", labels)
        np.testing.assert_array_equal(read_labels(tmp_path / f"{n}.nrrd", ct).voxels, expected.voxels)


def test_another_grid_that_covers_the_ct_is_read_at_the_nearest_voxel(tmp_path):
    ct = ct_volume(spacing=(1.2, 1.1, 1.5))
    affine = np.diag([0.5, 0.5, 0.5, 1.0])
    affine[:3, 3] = ct.corners_lps_mm.min(axis=0)
    size = np.ceil(np.ptp(ct.corners_lps_mm, axis=0) / 0.5).astype(int)
    fine = Volume(np.zeros(size[::-1], np.uint8), affine)
    k, j, i = np.indices(fine.voxels.shape)
    middle = ct.corners_lps_mm.mean(axis=0)

    def ball(points):
        return (np.linalg.norm(points - middle, axis=-1) < 8).astype(np.uint8)

    write_labels(
        tmp_path / "fine.nrrd",
        fine.with_voxels(ball(fine.to_lps(np.stack([i, j, k], -1).reshape(-1, 3))).reshape(i.shape)),
    )
    k, j, i = np.indices(ct.voxels.shape)
    points = ct.to_lps(np.stack([i, j, k], -1).reshape(-1, 3))
    far_from_edge = np.abs(np.linalg.norm(points - middle, axis=-1) - 8) > 0.45
    read = read_labels(tmp_path / "fine.nrrd", ct).voxels.ravel()
    np.testing.assert_array_equal(read[far_from_edge], ball(points)[far_from_edge])


@pytest.mark.parametrize("move", [(40.0, 0, 0), (0, 0, 500.0), (0.5, 0.5, 0.7)], ids=["beside", "above", "half over"])
def test_a_label_map_of_another_geometry_is_refused_in_one_line(tmp_path, move):
    ct = ct_volume()
    labels = some_labels(ct)
    affine = np.array(labels.ijk_to_lps)
    affine[:3, 3] += np.array(move) * (1 if max(move) > 1 else 10)
    write_labels(tmp_path / "other.nrrd", Volume(labels.voxels, affine))
    error = refusal(tmp_path / "other.nrrd", ct)
    assert error.code == "labels-geometry"
    assert "other.nrrd belongs to another geometry" in str(error)


def test_a_shift_on_the_same_lattice_that_loses_labels_is_refused(tmp_path):
    ct = ct_volume()
    labels = some_labels(ct)
    affine = np.array(labels.ijk_to_lps)
    affine[:3, 3] += 5 * affine[:3, 0]
    write_labels(tmp_path / "other.nrrd", Volume(labels.voxels, affine))
    assert refusal(tmp_path / "other.nrrd", ct).code == "labels-geometry"


@pytest.mark.parametrize(
    ("names", "code"),
    [
        ({1: "bladder"}, "label-names"),
        ({1: "left_hip_bone", 2: "hip left"}, "label-names"),
        ({1: "hip bone"}, "label-names"),
        ({9: "sacrum"}, "labels-empty"),
    ],
)
def test_names_that_lead_nowhere_are_refused(tmp_path, names, code):
    ct = ct_volume()
    write_labels(tmp_path / "bones.nrrd", some_labels(ct))
    assert refusal(tmp_path / "bones.nrrd", ct, names).code == code


TWICE = '{"1": "left_hip_bone", "1": "right_hip_bone"}'


@pytest.mark.parametrize(
    "text", ["", "[1]", '{"a": "sacrum"}', '{"1": 2}', "{}", TWICE, TWICE.replace(' "1"', ' "01"')]
)
def test_a_broken_name_table_is_refused(tmp_path, text):
    (tmp_path / "names.json").write_text(text)
    with pytest.raises(InputError) as error:
        read_name_table(tmp_path / "names.json")
    assert error.value.code == "label-names"


def test_a_giant_name_table_is_refused_unread(tmp_path):
    (tmp_path / "names.json").write_text('{"1": "' + "a" * 5_000_001 + '"}')
    with pytest.raises(InputError, match="larger than any table"):
        read_name_table(tmp_path / "names.json")


def test_names_mean_bones_only_with_their_side():
    for number, name in BONE_LABELS.items():
        assert bone_label(name) == number
    assert bone_label("Innominate bone (R)") == LABEL_OF_BONE["right_hip_bone"]
    assert bone_label("l_femur") == LABEL_OF_BONE["left_femur"]
    assert bone_label("femur") is bone_label("left right femur") is bone_label("left sacrum") is None


def test_segments_named_in_a_segmentation_nrrd_are_understood(tmp_path):
    ct = ct_volume()
    image = to_sitk(some_labels(ct))
    for n, name in enumerate(("hip left", "hip right", "sacrum", "femur left")):
        image.SetMetaData(f"Segment{n}_Name", name)
        image.SetMetaData(f"Segment{n}_LabelValue", str(n + 1))
    sitk.WriteImage(image, str(tmp_path / "s.seg.nrrd"))
    np.testing.assert_array_equal(read_labels(tmp_path / "s.seg.nrrd", ct).voxels, some_labels(ct).voxels)


def test_a_dicom_segmentation_lands_on_the_ct_by_its_segment_labels(tmp_path):
    """highdicom writes it, from the CT's own slices, with empty slices left out."""
    write_slices(tmp_path / "ct", make_slices(grid_positions(12), asymmetric_hu, column=(0, -1, 0), size=24))
    ct, info = read_volume(tmp_path / "ct")
    mask = np.zeros(ct.voxels.shape, np.uint8)
    mask[3:7, 4:9, 2:6], mask[5:9, 12:20, 10:15] = 1, 2
    segments = [
        highdicom.seg.SegmentDescription(
            segment_number=n,
            segment_label=label,
            segmented_property_category=codes.SCT.Tissue,
            segmented_property_type=codes.SCT.Bone,
            algorithm_type=highdicom.seg.SegmentAlgorithmTypeValues.MANUAL,
        )
        for n, label in ((1, "Right femur"), (2, "Left hip bone"))
    ]
    sources = [dcmread(path) for path in info.source_files]
    for ds in sources:
        ds.StudyID = ds.StudyDate = ds.StudyTime = ds.AccessionNumber = ds.PatientSex = ds.ReferringPhysicianName = ""
    seg = highdicom.seg.Segmentation(
        sources, mask, highdicom.seg.SegmentationTypeValues.BINARY, segments, generate_uid(), 1, generate_uid(), 1,
        "Cotyle", "test", "0", "0", omit_empty_frames=True,
    )  # fmt: skip
    seg.save_as(tmp_path / "seg.dcm")
    expected = np.choose(mask, [0, LABEL_OF_BONE["right_femur"], LABEL_OF_BONE["left_hip_bone"]])
    uid = info.frame_of_reference_uid
    np.testing.assert_array_equal(read_labels(tmp_path / "seg.dcm", ct, frame_of_reference_uid=uid).voxels, expected)
    other = refusal(tmp_path / "seg.dcm", ct, frame_of_reference_uid="2.25.1")
    assert other.code == "labels-geometry"


def test_a_ct_slice_is_no_label_map(tmp_path):
    (ds,) = make_slices([0.0])
    ds.save_as(tmp_path / "a.dcm", enforce_file_format=True)
    assert refusal(tmp_path / "a.dcm", ct_volume()).code == "labels-damaged"


def test_an_unwritable_folder_leaves_nothing_behind(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(InputError) as error:
        write_labels(tmp_path / "file" / "bones.nrrd", some_labels(ct_volume()))
    assert error.value.code == "output-unwritable"
    assert [p.name for p in tmp_path.iterdir()] == ["file"]
