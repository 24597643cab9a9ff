"""A planned case as DICOM: what others' validators say, and that every number, voxel and byte comes back."""

import json
import re
import shutil
from types import SimpleNamespace

import highdicom
import numpy as np
import pydicom
import pytest
from cotyle import CAUTION
from cotyle.case.anatomy_file import read_scan_copy
from cotyle.errors import InputError
from cotyle.image.label_files import load_label_file, read_labels
from cotyle.image.read import read_volume
from cotyle.report.dicom.export import export_case
from cotyle.report.dicom.pictures import PRIVATE_CREATOR, PRIVATE_GROUP
from PIL import Image

from tests.report.dicom.code_table import fields_by_code
from tests.report.dicom.report_reading import content_items, exactly, field_at, numbers
from tests.report.dicom.validators import complaints, dumped_report, judged, needs_validators, study_complaints

PLANTED_NAME, PLANTED_ID, PLANTED_BIRTH = "Sample^Ännchen=桜^花", "ZQ-55-0914", "19310418"
GROUPS = {
    "pelvis": "Pelvis",
    "native socket": "Native socket",
    "cup": "Cup",
    "wall": "Wall",
    "coverage": "Coverage",
    "shift": "Shift of the hip centre",
    "press-fit": "Press-fit",
    "wall view": "View of the wall",
}


@pytest.fixture(scope="module")
def of_nobody(planned_case, tmp_path_factory):
    """The case exported into a study of nobody."""
    out = tmp_path_factory.mktemp("export") / "nobody"
    return SimpleNamespace(folder=out, found=export_case(planned_case.folder, out))


@pytest.fixture(scope="module")
def of_patient(planned_case, tmp_path_factory):
    """The case exported into the study of a patient with a planted identity."""
    series = tmp_path_factory.mktemp("source") / "ct"
    shutil.copytree(planned_case.series, series)
    for file in series.iterdir():
        header = pydicom.dcmread(file)
        header.SpecificCharacterSet = "ISO_IR 192"
        header.PatientName, header.PatientID, header.PatientBirthDate = PLANTED_NAME, PLANTED_ID, PLANTED_BIRTH
        header.StudyDate, header.StudyTime = "20250304", "101112"
        header.save_as(file)
    out = tmp_path_factory.mktemp("export") / "patient"
    return SimpleNamespace(folder=out, series=series, found=export_case(planned_case.folder, out, series))


def results(export):
    return sorted(file for file in export.folder.iterdir() if not file.name.startswith("scan-"))


def where(group):
    """The group's name in the documentation, and what stands for # in its fields."""
    if match := re.fullmatch(r"reamer (\d+)", group):
        return "Each reamer", str(int(match[1]) - 1)
    if match := re.fullmatch(r".+ \((\w+)\)", group):
        return "Each frame", match[1]
    return (GROUPS[group], "") if group in GROUPS else ("Each landmark", group)


@needs_validators
@pytest.mark.parametrize("whose", ["of_nobody", "of_patient"])
def test_validators_of_others_find_no_error(whose, request):
    export = request.getfixturevalue(whose)
    files = results(export)
    assert {file.name for file in files} >= {"segmentation.dcm", "measurements.dcm", "report.dcm", "view-01.dcm"}
    for file in [*files, *sorted(export.folder.glob("scan-*"))[:2]]:
        errors, warnings = complaints(file)
        assert not errors, file.name
        assert not [each for each in warnings if not judged(each)], file.name
    assert not [each for each in study_complaints(export.folder.iterdir()) if not judged(each)]


@needs_validators
def test_dcmtk_reads_the_report_with_its_caution(of_nobody):
    text = dumped_report(of_nobody.folder / "measurements.dcm")
    assert CAUTION[:20] in text
    assert "Radiographic inclination of the cup, supine frame" in text
    assert "CONTINUOUS" not in text  # readers would run numbers together without their names


def test_every_number_of_the_report_is_that_of_the_case(of_nobody, planned_case):
    measured, table = planned_case.measurements, fields_by_code()
    report = pydicom.dcmread(of_nobody.folder / "measurements.dcm")
    seen = {}
    for group, name, value, unit, _ in numbers(report):
        if group.startswith("simulated view"):
            continue
        words, item_name = where(group)
        field = table[(name.CodingSchemeDesignator, name.CodeValue)][words].replace("#", item_name)
        assert value == exactly(field_at(measured, field)), field
        seen[field] = unit
    assert seen["coverage.fraction"] == "%"
    assert seen["orientation.supine.radiographic.inclination_deg"] == "deg"
    assert seen["wall.minimum_mm"] == "mm"
    assert {f"reaming.{n}.removed_ml" for n in range(len(measured["reaming"]))} <= seen.keys()
    assert {f"landmarks.{name}.uncertainty_mm" for name in measured["landmarks"]} <= seen.keys()
    present = [field for fields in table.values() for field in fields.values() if "#" not in field]
    for field in present:
        try:
            known = field_at(measured, field) is not None
        except (KeyError, TypeError):
            known = False
        assert (field in seen) == known, field


def test_a_range_is_two_standard_deviations(of_nobody, planned_case):
    measured = planned_case.measurements
    report = pydicom.dcmread(of_nobody.folder / "measurements.dcm")
    ranges = {}
    for group, name, item in content_items(report):
        for child in item.get("ContentSequence", ()):
            if child.ValueType == "NUM" and child.ConceptNameCodeSequence[0].CodeValue == "371884006":
                ranges[group, name.CodeValue] = float(child.MeasuredValueSequence[0].NumericValue)
    assert ranges["wall", "WALL-LEAST"] == pytest.approx(2 * measured["wall"]["minimum_uncertainty_mm"], abs=1e-9)
    assert ranges["cup", "CUP-RA-STA"] == pytest.approx(
        2 * measured["orientation_uncertainty_deg"]["standing"]["anteversion_deg"], abs=1e-9
    )


def test_points_lie_where_the_case_has_them_to_single_precision(of_nobody, planned_case):
    measured = planned_case.measurements
    report = pydicom.dcmread(of_nobody.folder / "measurements.dcm")
    frame = pydicom.dcmread(of_nobody.folder / "segmentation.dcm", stop_before_pixels=True).FrameOfReferenceUID
    points = {}
    for group, name, item in content_items(report):
        if item.ValueType == "SCOORD3D":
            assert item.ReferencedFrameOfReferenceUID == frame
            points[group, name.CodeValue] = np.float32(item.GraphicData)
    for name, mark in measured["landmarks"].items():
        np.testing.assert_array_equal(points[name, "111030"], np.float32(mark["lps_mm"]))
    np.testing.assert_array_equal(points["cup", "260753009"], np.float32(measured["cup"]["center_lps_mm"]))
    np.testing.assert_array_equal(points["wall", "260753009"], np.float32(measured["wall"]["minimum_at_lps_mm"]))
    end = measured["reaming"][0]["end_center_lps_mm"]
    np.testing.assert_array_equal(points["reamer 1", "REAMER-END"], np.float32(end))


def test_side_verdict_and_warnings_are_told(of_nobody, planned_case):
    measured = planned_case.measurements
    report = highdicom.sr.srread(of_nobody.folder / "measurements.dcm")
    assert report.VerificationFlag == "UNVERIFIED"
    assert report.PreliminaryFlag == "PRELIMINARY"
    items = list(content_items(report))
    sites = {
        group: child.ContentSequence[0].ConceptCodeSequence[0].CodeMeaning
        for group, name, child in items
        if name is not None and name.CodeValue == "363698007" and "ContentSequence" in child
    }
    assert sites["cup"] == measured["side"].capitalize()
    assert sites["asis_left"] == "Left"
    assert sites["teardrop_right"] == "Right"
    assert "sacrum_midline" not in sites
    texts = [(name.CodeValue, child.TextValue) for _, name, child in items if child.ValueType == "TEXT"]
    assert ("121106", CAUTION) in texts
    assert ("VERDICT-WORDS", measured["verdict"]["text"]) in texts
    graded = {group for group, name, child in items if child.ValueType == "CODE" and name.CodeValue == "VERDICT"}
    assert graded >= {"native socket", "cup", "wall", "coverage", "shift", "reamer 1", "press-fit"}
    assert next(text for _, text in texts if text.startswith("Research")) == CAUTION
    told = [text for code, text in texts if code == "WARNING"]
    assert told == [f"{each['text']} [{each['code']}]" for each in measured["warnings"]]


def test_highdicom_finds_the_measurement_groups(of_nobody):
    report = highdicom.sr.srread(of_nobody.folder / "measurements.dcm")
    assert isinstance(report, highdicom.sr.Comprehensive3DSR)
    groups = report.content.get_image_measurement_groups()
    names = {group.tracking_identifier for group in groups}
    assert {"cup", "wall", "native socket", "reamer 1", "simulated view 1"} <= names
    marks = report.content.get_planar_roi_measurement_groups()
    assert "asis_left" in {mark.tracking_identifier for mark in marks}


def test_the_bones_come_back_voxel_for_voxel_on_the_scan_of_the_study(of_nobody, planned_case, tmp_path):
    for file in of_nobody.folder.glob("scan-*"):
        shutil.copy(file, tmp_path)
    volume, info = read_volume(tmp_path)
    kept = read_scan_copy(planned_case.folder / "ct.nrrd")
    np.testing.assert_array_equal(volume.voxels, kept.voxels)
    np.testing.assert_allclose(volume.ijk_to_lps, kept.ijk_to_lps, atol=1e-6)
    again = read_labels(
        of_nobody.folder / "segmentation.dcm", volume, frame_of_reference_uid=info.frame_of_reference_uid
    )
    labels = load_label_file(planned_case.folder / "bones.nrrd").labels
    low = np.rint(labels.to_ijk(kept.to_lps([0, 0, 0]))).astype(int)
    i, j, k = again.size
    part = labels.voxels[low[2] : low[2] + k, low[1] : low[1] + j, low[0] : low[0] + i]
    np.testing.assert_array_equal(again.voxels, part)
    assert np.count_nonzero(part) == np.count_nonzero(labels.voxels)


def test_the_bones_come_back_voxel_for_voxel_on_the_patients_series(of_patient, planned_case):
    volume, info = read_volume(of_patient.series)
    again = read_labels(
        of_patient.folder / "segmentation.dcm", volume, frame_of_reference_uid=info.frame_of_reference_uid
    )
    labels = load_label_file(planned_case.folder / "bones.nrrd").labels
    np.testing.assert_array_equal(again.voxels, labels.voxels)


def test_surfaces_and_report_come_back_byte_for_byte(of_nobody, planned_case):
    for file in (planned_case.folder / "mesh").glob("*.stl"):
        held = pydicom.dcmread(of_nobody.folder / f"surface-{file.stem.replace('_', '-')}.dcm")
        assert held.EncapsulatedDocument[: held.EncapsulatedDocumentLength] == file.read_bytes()
        assert held.MeasurementUnitsCodeSequence[0].CodeValue == "mm"
    assert (of_nobody.folder / "surface-cavity.dcm").is_file()
    report = pydicom.dcmread(of_nobody.folder / "report.dcm")
    pdf = (planned_case.folder / "report.pdf").read_bytes()
    assert report.EncapsulatedDocument[: report.EncapsulatedDocumentLength] == pdf


def test_a_simulated_view_says_where_tube_and_detector_were(of_nobody, planned_case):
    view = pydicom.dcmread(of_nobody.folder / "view-01.dcm")
    picture = np.asarray(Image.open(planned_case.folder / "xray" / "ap_pelvis-cup.png").convert("RGB"))
    np.testing.assert_array_equal(view.pixel_array, picture)
    block = view.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)
    source, origin, column, row = (np.array(block[n].value) for n in (1, 2, 3, 4))
    pitch = np.array(block[5].value)
    # the planned centre, projected by hand, lies within the picture and near its hip
    normal = np.cross(column, row)
    center = np.array(planned_case.measurements["cup"]["center_lps_mm"])
    hit = source + (center - source) * ((origin - source) @ normal) / ((center - source) @ normal)
    pixel = np.array([(hit - origin) @ column, (hit - origin) @ row]) / pitch
    assert (pixel > 0).all()
    assert (pixel < [view.Columns, view.Rows]).all()
    assert (pixel[0] < view.Columns / 2) == (planned_case.measurements["side"] == "right")
    assert "under the table" in view.ImageComments


def test_all_objects_are_of_one_patient_and_study_and_refer_to_the_series(of_patient, of_nobody):
    source = pydicom.dcmread(next(of_patient.series.iterdir()), stop_before_pixels=True)
    for file in results(of_patient):
        held = pydicom.dcmread(file)
        assert held.StudyInstanceUID == source.StudyInstanceUID
        assert str(held.PatientName) == PLANTED_NAME
        assert (held.PatientID, held.PatientBirthDate) == (PLANTED_ID, PLANTED_BIRTH)
        assert held.SeriesInstanceUID != source.SeriesInstanceUID
        assert (held.ContentDate, held.ContentTime) == ("20250304", "101112")
        assert source.SOPInstanceUID.encode() in file.read_bytes()
    numbers = {pydicom.dcmread(file).PatientID for file in of_nobody.folder.iterdir()}
    assert len(numbers) == 1
    scans = {pydicom.dcmread(file).SOPInstanceUID for file in of_nobody.folder.glob("scan-*")}
    named = pydicom.dcmread(of_nobody.folder / "segmentation.dcm").ReferencedSeriesSequence[0]
    assert {item.ReferencedSOPInstanceUID for item in named.ReferencedInstanceSequence} <= scans


def test_without_the_flag_nothing_leads_to_the_patient(of_nobody, of_patient, planned_case):
    names = ("PatientName", "PatientID", "StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID")
    source = pydicom.dcmread(next(planned_case.series.glob("*.dcm")), stop_before_pixels=True)
    secrets = [str(source[name].value).encode() for name in (*names, "SOPInstanceUID")]
    secrets += [PLANTED_ID.encode(), b"nnchen", PLANTED_BIRTH.encode()]
    for file in of_nobody.folder.iterdir():
        content = file.read_bytes()
        assert not [secret for secret in secrets if secret in content], file.name
        assert re.fullmatch(r"(scan-\d{4}|view-\d{2}|surface-[a-z-]+|segmentation|measurements|report)\.dcm", file.name)
        assert pydicom.dcmread(file, stop_before_pixels=True).PatientIdentityRemoved == "YES"


def test_writing_again_gives_the_same_bytes(of_nobody, planned_case, tmp_path):
    export_case(planned_case.folder, tmp_path / "again")
    for file in of_nobody.folder.iterdir():
        assert (tmp_path / "again" / file.name).read_bytes() == file.read_bytes(), file.name


def test_another_plan_gets_other_uids(of_nobody, own_case, tmp_path):
    file = own_case / "measurements.json"
    changed = json.loads(file.read_text(encoding="utf-8"))
    changed["press_fit"]["proud_mm"] += 0.25
    file.write_text(json.dumps(changed), encoding="utf-8")
    export_case(own_case, tmp_path / "out", only=("measurements",))
    one, other = (pydicom.dcmread(folder / "measurements.dcm") for folder in (of_nobody.folder, tmp_path / "out"))
    assert one.SOPInstanceUID != other.SOPInstanceUID
    assert one.SeriesInstanceUID == other.SeriesInstanceUID


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--keep-identity"], "identity-source"),
        (["--source", "SERIES"], "source-identity"),
        (["--only", "everything"], "part-unknown"),
        (["--only", "report,"], "part-unknown"),
        (["--only", "report,scan", "--source", "SERIES", "--keep-identity"], "part-scan"),
        (["--only", "scan", "--source", "SERIES", "--keep-identity"], "part-scan"),
        (["--source", "CASE", "--keep-identity"], "source-differs"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_written(arguments, code, command, planned_case, tmp_path):
    places = {"SERIES": planned_case.series, "CASE": planned_case.folder}
    out = tmp_path / "out"
    given = [places.get(each, each) for each in arguments]
    ended, _, said = command("export", planned_case.folder, "--out", out, *given)
    assert (ended, f"[{code}]" in said) == (2, True), said
    assert not list(tmp_path.iterdir())


def test_a_folder_that_holds_something_is_left_alone(command, planned_case, own_case):
    before = sorted(own_case.rglob("*"))
    ended, _, said = command("export", planned_case.folder, "--out", own_case)
    assert (ended, "[output-not-empty]" in said) == (2, True)
    assert sorted(own_case.rglob("*")) == before


def test_what_a_case_lacks_is_said(command, own_case, tmp_path):
    (own_case / "report.pdf").unlink()
    wanted = ["--only", "report", "--only", "surfaces"]
    ended, _, said = command("export", own_case, "--out", tmp_path / "one", *wanted)
    assert (ended, "[part-missing]" in said) == (2, True)
    assert not (tmp_path / "one").exists()


def test_the_command_lists_what_it_wrote(command, planned_case, tmp_path):
    ended, printed, _ = command(
        "export", planned_case.folder, "--out", tmp_path / "out", "--only", "views", "--only", "report", "--json"
    )
    listed = json.loads(printed)
    assert ended == 0
    assert listed["study"] == "nobody"
    assert {each["file"]: each["bytes"] for each in listed["files"]} == {
        file.name: file.stat().st_size for file in (tmp_path / "out").iterdir()
    }


def test_a_case_of_no_dicom_series_has_no_identity_to_keep(planned_case, tmp_path, monkeypatch):
    from cotyle.report.dicom import contents

    stored = contents.read_case(planned_case.folder)
    facts = SimpleNamespace(series="", digest="0", repairs=(), grid=None)
    nobodys = SimpleNamespace(anatomy=SimpleNamespace(source=facts), scan=stored.scan)
    monkeypatch.setattr(contents, "read_case", lambda folder: nobodys)
    with pytest.raises(InputError) as refused:
        export_case(planned_case.folder, tmp_path / "out", planned_case.series)
    assert refused.value.code == "identity-none"
