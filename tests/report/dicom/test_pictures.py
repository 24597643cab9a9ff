import numpy as np
import pydicom
from cotyle.report.dicom.study import anonymous_study, study_of
from PIL import Image
from pydicom.uid import SecondaryCaptureImageStorage


def test_a_view_is_a_secondary_capture_of_the_picture_beside_it(planned_case):
    capture = pydicom.dcmread(planned_case.folder / "xray" / "ap_pelvis.dcm")
    assert capture.SOPClassUID == SecondaryCaptureImageStorage
    assert "SIMULATED" in capture.SeriesDescription
    assert "under the table" in capture.ImageComments
    picture = np.asarray(Image.open(planned_case.folder / "xray" / "ap_pelvis-cup.png").convert("RGB"))
    np.testing.assert_array_equal(capture.pixel_array, picture)


def test_by_default_nobody_is_named(planned_case):
    capture = pydicom.dcmread(planned_case.folder / "xray" / "ap_pelvis.dcm")
    source = pydicom.dcmread(next(planned_case.series.glob("*.dcm")))
    assert str(capture.PatientName) == f"{capture.PatientID}^Nobody"  # a made-up number
    assert capture.PatientID.startswith("COTYLE-")
    assert str(source.PatientID) not in capture.PatientID
    assert capture.PatientIdentityRemoved == "YES"
    assert capture.PatientBirthDate == ""
    assert capture.StudyInstanceUID != source.StudyInstanceUID


def test_identity_is_kept_on_demand(planned_case):
    file = next(planned_case.series.glob("*.dcm"))
    study, source = study_of(file), pydicom.dcmread(file)
    assert study.study_uid == source.StudyInstanceUID
    assert study.identity.PatientID == source.PatientID


def test_the_same_scan_gives_the_same_study():
    assert anonymous_study("a").study_uid == anonymous_study("a").study_uid
    assert anonymous_study("a").study_uid != anonymous_study("b").study_uid
