"""The synthetic series as other programs read it."""

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from cotyle.errors import InputError
from cotyle_sample import make_subject, scan, write_series


@pytest.fixture(scope="module")
def volume():
    return scan(make_subject(3, divisions=6), voxel_mm=(4.0, 4.5, 5.0), size=(96, 84, 60), seed=1)[0]


@pytest.fixture(scope="module", params=[False, True])
def folder(request, volume, tmp_path_factory):
    folder = tmp_path_factory.mktemp("case") / "ct"
    write_series(volume, folder, name="test", against_z=request.param)
    return folder


def test_simpleitk_reads_the_same_grid_and_the_same_numbers(volume, folder):
    reader = sitk.ImageSeriesReader()
    image = sitk.ReadImage(reader.GetGDCMSeriesFileNames(str(folder)))
    assert image.GetSize() == volume.size
    np.testing.assert_allclose(image.GetSpacing(), volume.spacing_mm, atol=1e-5)
    np.testing.assert_allclose(image.GetOrigin(), volume.ijk_to_lps[:3, 3], atol=1e-5)
    np.testing.assert_allclose(image.GetDirection(), np.eye(3).ravel())
    np.testing.assert_array_equal(sitk.GetArrayFromImage(image), volume.voxels)


def test_every_file_says_that_it_is_synthetic_and_names_nobody(folder):
    for file in sorted(folder.glob("*.dcm"))[::20]:
        dataset = pydicom.dcmread(file)
        assert dataset.SOPClassUID == pydicom.uid.CTImageStorage
        assert str(dataset.PatientName) == "Synthetic^Subject"
        assert "SYNTHETIC - not a person" in dataset.SeriesDescription
        assert dataset.PatientBirthDate == ""
        assert dataset.PatientPosition == "HFS"
        assert dataset.RescaleIntercept == -1024


def test_uids_are_unique_valid_and_the_same_each_time(volume, folder, tmp_path):
    first = [pydicom.dcmread(f, stop_before_pixels=True) for f in sorted(folder.glob("*.dcm"))]
    uids = [d.SOPInstanceUID for d in first]
    assert len(set(uids)) == len(uids) == 60
    assert all(uid.is_valid for uid in uids)
    assert len({d.SeriesInstanceUID for d in first}) == 1
    write_series(volume, tmp_path / "again", name="test")
    again = pydicom.dcmread(tmp_path / "again" / "IM0001.dcm", stop_before_pixels=True)
    assert again.SeriesInstanceUID == first[0].SeriesInstanceUID
    assert again.SOPInstanceUID == first[0].SOPInstanceUID


def test_instance_numbers_can_run_against_z(volume, tmp_path):
    for against_z in (False, True):
        write_series(volume, tmp_path / str(against_z), against_z=against_z)
        files = [pydicom.dcmread(f, stop_before_pixels=True) for f in (tmp_path / str(against_z)).glob("*.dcm")]
        files.sort(key=lambda d: int(d.InstanceNumber))
        heights = [float(d.ImagePositionPatient[2]) for d in files]
        assert heights == sorted(heights, reverse=against_z)


def test_folder_that_holds_something_is_left_alone(volume, tmp_path):
    (tmp_path / "note.txt").write_text("mine")
    with pytest.raises(InputError, match="sample-folder"):
        write_series(volume, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["note.txt"]
