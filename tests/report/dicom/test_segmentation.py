"""The segmentation of a label map, read back by highdicom and by our own reader of labels."""

import io

import highdicom
import numpy as np
import pydicom
import pytest
from cotyle.case.anatomy_file import ScanSource
from cotyle.errors import InputError
from cotyle.image.label_files import read_labels
from cotyle.image.labels import BONE_LABELS
from cotyle.image.read import read_volume
from cotyle.image.source_series import find_series
from cotyle.image.volume import Volume
from cotyle.report.dicom.segmentation import segmentation
from cotyle.report.dicom.source import copied_source, source_of
from cotyle.report.dicom.study import anonymous_study, as_bytes
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from tests.image.dicom_phantom import PLANTED_ID, make_slices, marked_sphere_hu, tilted_slices, write_slices
from tests.report.dicom.validators import complaints, judged, needs_validators


def scan_of(shape=(6, 9, 7), seed=0):
    """HU on a turned, uneven grid."""
    angle = np.radians(20)
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1]])
    affine = np.eye(4)
    affine[:3, :3] = turn * np.array([0.8, 0.7, 1.25])
    affine[:3, 3] = [-31.5, 12.25, -204.125]
    voxels = np.random.default_rng(seed).integers(-1000, 2000, shape).astype(np.int16)
    return Volume(voxels, affine)


def of_nobody(scan):
    return copied_source(anonymous_study("a scan"), scan)


def source_facts(volume, info):
    return ScanSource(
        info.voxel_mm, info.size, volume.ijk_to_lps, info.series_hash, info.repairs, synthetic=True, bones_origin="x"
    )


def of_patient(folder, repair=False):
    volume, info = read_volume(folder, repair=repair)
    facts = source_facts(volume, info)
    return volume, source_of(find_series(folder, facts.series, facts.grid, bool(facts.repairs)), facts)


def files_in(folder):
    return [file for file in folder.rglob("*") if file.is_file()]


def labels_on(volume):
    """Boxes of three bones, one of them at the edge, on the grid of a volume."""
    labels = np.zeros(volume.voxels.shape, dtype=np.uint8)
    k, j, i = labels.shape
    labels[1 : k // 2, 1 : j // 2, 1 : i // 2] = 2
    labels[k // 2 : k - 1, : j // 3, i // 2 :] = 3
    labels[0, -1, -1] = 6
    return volume.with_voxels(labels)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_grid_that_runs_backwards_keeps_its_places(axis, tmp_path):
    scan = scan_of()
    affine = np.array(scan.ijk_to_lps)
    affine[:3, 3] = scan.to_lps([n - 1 if place == axis else 0 for place, n in enumerate(scan.size)])
    affine[:3, axis] *= -1
    flipped = Volume(np.flip(scan.voxels, 2 - axis), affine)
    file = tmp_path / "seg.dcm"
    labels = flipped.with_voxels(np.flip(labels_on(scan).voxels, 2 - axis))
    file.write_bytes(as_bytes(segmentation(labels, (), of_nobody(flipped))))
    np.testing.assert_array_equal(read_labels(file, scan).voxels, labels_on(scan).voxels)


def read_back(dataset):
    return highdicom.seg.segread(io.BytesIO(as_bytes(dataset)))


@settings(max_examples=12, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(seed=st.integers(0, 2**32), bones=st.sets(st.integers(1, 6), min_size=1), filled=st.floats(0.05, 1.0))
def test_every_voxel_comes_back_with_the_name_of_its_bone(seed, bones, filled):
    scan, chance = scan_of(), np.random.default_rng(seed)
    labels = chance.choice(sorted(bones), scan.voxels.shape).astype(np.uint8)
    labels[chance.random(labels.shape) > filled] = 0
    labels[2, 3, 4] = max(bones)
    found = read_back(segmentation(scan.with_voxels(labels), (), of_nobody(scan)))
    volume = found.get_volume(combine_segments=True)
    names = {int(s.SegmentNumber): s.SegmentLabel.lower().replace(" ", "_") for s in found.SegmentSequence}
    numbers = {number: name for number, name in BONE_LABELS.items() if (labels == number).any()}
    assert list(names.values()) == list(numbers.values())
    # slices may run the other way and empty ones at the ends may be left out: each voxel is looked up at its place
    theirs = Volume(np.asarray(volume.array), np.asarray(volume.affine)[:, [2, 1, 0, 3]])
    kji = np.argwhere(theirs.voxels)
    ijk = scan.to_ijk(theirs.to_lps(kji[:, ::-1]))
    assert np.abs(ijk - np.rint(ijk)).max() < 1e-4
    back = np.zeros_like(labels)
    i, j, k = np.rint(ijk).astype(int).T
    back[k, j, i] = np.array([0, *numbers], dtype=np.uint8)[theirs.voxels[tuple(kji.T)]]
    np.testing.assert_array_equal(back, labels)


def test_bones_are_coded_with_their_side_as_modifier():
    scan = scan_of()
    labels = scan.with_voxels(
        np.arange(scan.voxels.size, dtype=np.int64).reshape(scan.voxels.shape).astype(np.uint8) % 7
    )
    found = segmentation(labels, {"left_femur"}, of_nobody(scan))
    coded = {}
    for segment in found.SegmentSequence:
        kind = segment.SegmentedPropertyTypeCodeSequence[0]
        side = kind.get("SegmentedPropertyTypeModifierCodeSequence", [None])[0]
        coded[segment.SegmentLabel] = (kind.CodeValue, side and side.CodeMeaning, segment.SegmentAlgorithmType)
    assert coded == {  # SNOMED CT codes from DICOM PS3.16
        "Left hip bone": ("118645006", "Left", "AUTOMATIC"),
        "Right hip bone": ("118645006", "Right", "AUTOMATIC"),
        "Sacrum": ("54735007", None, "AUTOMATIC"),
        "Left femur": ("71341001", "Left", "MANUAL"),
        "Right femur": ("71341001", "Right", "AUTOMATIC"),
        "Metal": ("40388003", None, "AUTOMATIC"),
    }


def test_labels_go_back_through_our_own_reader_onto_the_series(tmp_path):
    series = write_slices(tmp_path / "ct", make_slices(shape=marked_sphere_hu))
    volume, source = of_patient(series)
    labels = labels_on(volume)
    file = tmp_path / "seg.dcm"
    file.write_bytes(as_bytes(segmentation(labels, (), source)))
    again = read_labels(file, volume, frame_of_reference_uid=source.study.frame_of_reference_uid)
    np.testing.assert_array_equal(again.voxels, labels.voxels)


def test_each_frame_names_the_slice_it_was_drawn_on(tmp_path):
    series = write_slices(tmp_path / "ct", make_slices(shape=marked_sphere_hu))
    volume, source = of_patient(series)
    found = segmentation(labels_on(volume), (), source)
    heights = {}
    for file in files_in(series):
        header = pydicom.dcmread(file, stop_before_pixels=True)
        heights[header.SOPInstanceUID] = float(header.ImagePositionPatient[2])
    assert found.PatientID == PLANTED_ID
    assert found.FrameOfReferenceUID == source.study.frame_of_reference_uid
    assert {
        item.ReferencedSOPInstanceUID for item in found.ReferencedSeriesSequence[0].ReferencedInstanceSequence
    } == set(heights)
    for frame in found.PerFrameFunctionalGroupsSequence:
        named = frame.DerivationImageSequence[0].SourceImageSequence
        assert len(named) == 1
        own = float(frame.PlanePositionSequence[0].ImagePositionPatient[2])
        assert heights[named[0].ReferencedSOPInstanceUID] == pytest.approx(own, abs=1e-6)


def test_a_series_in_one_file_of_many_frames_is_a_source_as_well(tmp_path):
    slices = make_slices(shape=marked_sphere_hu)
    for ds in slices:  # what the conversion of others asks for
        ds.AccessionNumber = ds.StudyID = ds.StudyDate = ds.StudyTime = ds.PatientSex = ds.ReferringPhysicianName = ""
        ds.AcquisitionDate, ds.AcquisitionTime, ds.KVP = "20250304", "101112", "120"
        ds.Manufacturer, ds.PositionReferenceIndicator = "Sample", ""
    uid = slices[0].SeriesInstanceUID
    whole = highdicom.legacy.LegacyConvertedEnhancedCTImage(slices, uid, 3, "2.25.77", 1)
    (tmp_path / "ct").mkdir()
    whole.save_as(tmp_path / "ct" / "whole.dcm")
    volume, source = of_patient(tmp_path / "ct")
    labels = labels_on(volume)
    file = tmp_path / "seg.dcm"
    file.write_bytes(as_bytes(segmentation(labels, (), source)))
    found = pydicom.dcmread(file)
    assert found.ReferencedSeriesSequence[0].ReferencedInstanceSequence[0].ReferencedSOPInstanceUID == "2.25.77"
    np.testing.assert_array_equal(read_labels(file, volume).voxels, labels.voxels)


def test_an_identity_that_breaks_the_rules_is_kept_as_it_is(tmp_path):
    slices = make_slices(shape=marked_sphere_hu)
    odd = {"PatientBirthDate": "1931.04.17", "PatientSex": "female", "PatientID": "S" * 70, "StudyDate": "2025.03.04"}
    with pydicom.config.disable_value_validation():
        for ds in slices:
            for name, value in odd.items():
                setattr(ds, name, value)
        series = write_slices(tmp_path / "ct", slices)
    volume, source = of_patient(series)
    found = pydicom.dcmread(io.BytesIO(as_bytes(segmentation(labels_on(volume), (), source))))
    assert {name: found[name].value for name in odd} == odd
    assert found.ContentDate == "19000101"  # no date that the standard knows


def test_labels_of_a_repaired_scan_keep_their_own_grid_and_name_the_series(tmp_path):
    series = write_slices(tmp_path / "ct", tilted_slices(12.0))
    volume, source = of_patient(series, repair=True)
    assert source.grid is None
    labels = labels_on(volume)
    file = tmp_path / "seg.dcm"
    file.write_bytes(as_bytes(segmentation(labels, (), source)))
    found = pydicom.dcmread(file)
    assert found.ReferencedSeriesSequence[0].SeriesInstanceUID == source.images[0].SeriesInstanceUID
    np.testing.assert_array_equal(read_labels(file, volume).voxels, labels.voxels)


def test_another_series_is_refused_as_source(tmp_path):
    one = write_slices(tmp_path / "one", make_slices())
    other = write_slices(tmp_path / "other", make_slices())
    for file in files_in(other):
        header = pydicom.dcmread(file)
        header.SeriesInstanceUID = "2.25.1234"
        header.save_as(file)
    volume, info = read_volume(one)
    with pytest.raises(InputError) as refused:
        find_series(other, info.series_hash, volume, repaired=False)
    assert refused.value.code == "source-differs"


def test_a_series_that_lacks_a_slice_is_refused_as_source(tmp_path):
    series = write_slices(tmp_path / "ct", make_slices())
    volume, info = read_volume(series)
    max(files_in(series), key=lambda file: float(pydicom.dcmread(file).ImagePositionPatient[2])).unlink()
    with pytest.raises(InputError) as refused:
        find_series(series, info.series_hash, volume, repaired=False)
    assert refused.value.code == "source-differs"


def test_no_bone_is_no_segmentation():
    scan = scan_of()
    with pytest.raises(InputError) as refused:
        segmentation(scan.with_voxels(np.zeros(scan.voxels.shape, np.uint8)), (), of_nobody(scan))
    assert refused.value.code == "labels-empty"


@pytest.mark.parametrize("scale", [1.0, 1.5], ids=["whole HU", "HU beyond 16 bits"])
def test_the_copied_scan_holds_the_hu_of_the_case(tmp_path, scale):
    scan = scan_of((5, 24, 20))
    if scale != 1.0:
        scan = scan.with_voxels(np.maximum(scan.voxels.astype(np.float32) * 19, -1000))
    for number, image in enumerate(of_nobody(scan).images):
        (tmp_path / f"{number}.dcm").write_bytes(as_bytes(image))
    again, _ = read_volume(tmp_path)
    np.testing.assert_allclose(again.ijk_to_lps, scan.ijk_to_lps, atol=1e-6)
    step = 0 if scale == 1.0 else 1.0  # half a step of 2 HU
    assert np.abs(again.voxels.astype(float) - scan.voxels).max() <= step


@needs_validators
def test_a_validator_of_others_finds_no_error(tmp_path):
    scan = scan_of()
    source = of_nobody(scan)
    (tmp_path / "seg.dcm").write_bytes(as_bytes(segmentation(labels_on(scan), {"sacrum"}, source)))
    (tmp_path / "ct.dcm").write_bytes(as_bytes(source.images[0]))
    for file in tmp_path.iterdir():
        errors, warnings = complaints(file)
        assert not errors
        assert all(map(judged, warnings))
