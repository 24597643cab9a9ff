"""Files that others made: pydicom's own test data and the package pydicom-data. No patient is named in them."""

from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from cotyle.errors import InputError
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.dicom_picture import read_dicom_picture
from cotyle.xray.pictures.picture_file import Told, read_radiograph
from pydicom.data import get_testdata_file

TEST_FILES = Path(pydicom.__file__).parent / "data" / "test_files"

STABLE = {
    "picture-modality",
    "picture-no-pixels",
    "picture-tiny",
    "picture-frames",
    "picture-polarity",
    "picture-format",
    "picture-color",
    "picture-pixels",
    "picture-damaged",
    "picture-black",
}


def outside(name):
    path = get_testdata_file(name, download=False)
    if path is None:
        pytest.skip(f"{name} comes with pydicom-data")
    return path


@pytest.mark.parametrize("path", sorted(p for p in TEST_FILES.iterdir() if p.is_file()), ids=lambda p: p.name)
def test_every_file_is_a_picture_or_gets_a_stable_code(path):
    picture, refused = None, None
    try:
        picture = read_radiograph(path)
    except InputError as error:
        refused = error
    if refused is not None:
        assert refused.code in STABLE
        assert "\n" not in str(refused)
        assert path.name not in str(refused)
    else:
        assert picture.usable.any()
        assert picture.doubts


# real films, stored MONOCHROME1; "chest" and "extremity" by (0018,0015)
@pytest.mark.parametrize("name", ["RG1_UNCR.dcm", "RG3_UNCR.dcm"])
def test_a_real_film_is_read_as_another_reader_reads_it(name):
    path = outside(name)
    shown = read_dicom_picture(Path(path)).shown
    itk = sitk.GetArrayFromImage(sitk.ReadImage(path))[0].astype(float)
    assert pydicom.dcmread(path).PhotometricInterpretation == "MONOCHROME1"
    # the other reader (GDCM within SimpleITK) turns MONOCHROME1 round as well
    np.testing.assert_allclose(shown - shown.min(), itk - itk.min(), atol=1e-3)


@pytest.mark.parametrize("name", ["RG1_J2KR.dcm", "RG3_J2KR.dcm"])
def test_a_compressed_film_is_the_uncompressed_one(name):
    plain = read_dicom_picture(Path(outside(name.replace("J2KR", "UNCR"))))
    packed = read_dicom_picture(Path(outside(name)))
    np.testing.assert_array_equal(packed.shown, plain.shown)


def test_the_blades_of_a_real_film_are_found():
    """A leg between two blades: seen by eye at about columns 440 and 1240 of 1760."""
    picture = read_radiograph(outside("RG3_UNCR.dcm"))
    assert picture.polarity is Polarity.BONE_LIGHT
    assert any("custom of showing bone light" in doubt for doubt in picture.doubts)
    columns = picture.usable[600:1200].mean(axis=0)
    kept = np.flatnonzero(columns > 0.5)
    assert abs(kept[0] - 440) < 30
    assert abs(kept[-1] - 1240) < 30
    assert picture.geometry.columns_to_left is False
    assert any("mirrored" in doubt for doubt in picture.doubts)


@pytest.mark.parametrize("name", ["SC_rgb_jpeg_dcmd.dcm", "SC_jpeg_no_color_transform.dcm"])
def test_a_capture_in_colour_is_the_brightness_that_another_reader_sees(name):
    path = outside(name)
    rgb = sitk.GetArrayFromImage(sitk.ReadImage(path))[0].astype(float)
    shown = read_dicom_picture(Path(path)).shown
    # SimpleITK's luminance by the same formula (DICOM PS3.3 C.7.6.3.1.2); JPEG decoders differ by a step
    np.testing.assert_allclose(shown, rgb @ [0.299, 0.587, 0.114], atol=3.0)


def test_no_doubt_of_any_file_names_its_patient():
    for name in ("RG1_UNCR.dcm", "RG3_UNCR.dcm"):
        path = outside(name)
        header = pydicom.dcmread(path, stop_before_pixels=True)
        picture = read_radiograph(path, told=Told(polarity=Polarity.BONE_LIGHT))
        for word in str(header.PatientName).split("^") + [str(header.PatientID)]:
            assert len(word) < 3 or word not in " ".join(picture.doubts)
