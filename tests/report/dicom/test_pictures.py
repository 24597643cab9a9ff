import numpy as np
import pydicom
from cotyle.report import ink
from cotyle.report.dicom.pictures import read_picture
from cotyle.report.dicom.study import anonymous_study, study_of
from cotyle.space.shapes import Circle
from cotyle.xray.outlines import hemisphere_outline
from matplotlib.colors import to_rgb
from PIL import Image
from pydicom.uid import SecondaryCaptureImageStorage


def test_a_view_is_a_secondary_capture_of_the_picture_beside_it(planned_case):
    capture = pydicom.dcmread(planned_case.folder / "xray" / "ap_pelvis.dcm")
    assert capture.SOPClassUID == SecondaryCaptureImageStorage
    assert "SIMULATED" in capture.SeriesDescription
    assert "under the table" in capture.ImageComments
    picture = np.asarray(Image.open(planned_case.folder / "xray" / "ap_pelvis-cup.png").convert("RGB"))
    np.testing.assert_array_equal(capture.pixel_array, picture)


def test_the_machine_stands_where_the_pixels_of_the_picture_say(planned_case):
    """The drawn picture is cut and enlarged: the cup's outline, projected from what is told of tube and detector, lies
    where it was drawn."""
    stored = read_picture(planned_case.folder / "xray" / "ap_pelvis.dcm")
    assert stored.carm.size == stored.pixels.shape[1::-1]
    cup = planned_case.measurements["cup"]
    rim = Circle(np.array(cup["center_lps_mm"]), np.array(cup["opening_axis_lps"]), cup["outer_diameter_mm"] / 2)
    columns, rows = np.round(hemisphere_outline(stored.carm, rim).silhouette_px).astype(int).T
    blue = (np.array(to_rgb(ink.CUP)) * 255).round()
    here = np.abs(stored.pixels[rows, columns] - blue).max(axis=1) < 40
    assert here.mean() > 0.6  # the dashed rim is drawn over part of it
    beside = np.abs(stored.pixels[rows - 12, columns - 12] - blue).max(axis=1) < 40
    assert beside.mean() < 0.3


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
