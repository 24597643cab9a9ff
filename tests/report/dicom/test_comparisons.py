"""A comparison with a DICOM X-ray picture as DICOM: every number comes back, and the picture is named only if asked."""

import io
import json
import shutil
from types import SimpleNamespace

import highdicom
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from cotyle import CAUTION
from cotyle.case.comparison_file import ComparisonFile
from cotyle.report.dicom.comparison_report import ComparedImages, comparison_report
from cotyle.report.dicom.export import export_case
from cotyle.report.dicom.pictures import PRIVATE_CREATOR, PRIVATE_GROUP
from cotyle.report.dicom.study import as_bytes, study_of
from cotyle.space.side import Side
from PIL import Image

from tests.cli.test_compare import GEOMETRY, SHOWN
from tests.conftest import outcome
from tests.identity import plant, traces
from tests.report.dicom.code_table import fields_by_code
from tests.report.dicom.report_reading import content_items, exactly, field_at, numbers
from tests.report.dicom.validators import complaints, dumped_report, judged, needs_validators, study_complaints
from tests.xray.pictures.makers import dicom, saved
from tests.xray.registration.scenes import take

GROUPS = {
    "cup found": "Cup found",
    "against the plan": "Against the plan",
    "rim ellipse": "Rim ellipse",
    "other cup": "Other cup",
}


@pytest.fixture(scope="module")
def compared(planned_case, sample_series, tmp_path_factory):
    """A case with one comparison: its folder, the picture's file (with a planted patient), and the file's content."""
    _, volume, truth = sample_series
    folder = tmp_path_factory.mktemp("compared")
    seen = take(volume, truth, Side.RIGHT).picture.attenuation
    grey = (65535 * np.clip(seen / np.percentile(seen, 99.9), 0, 1)).astype(np.uint16)
    image = saved(plant(dicom(grey, "OT")), folder / "seen.dcm")
    case = folder / "case"
    shutil.copytree(planned_case.folder, case)
    words = ["compare", case, image, "--view", "ap_hip", *GEOMETRY, *SHOWN, "--cup-diameter", 50, "--no-pdf", "--json"]
    code, _, err = outcome([str(each) for each in words])
    assert code == 0, err
    content = json.loads((case / "comparison-1.json").read_text(encoding="utf-8"))
    return SimpleNamespace(case=case, image=image, content=content, series=planned_case.series)


@pytest.fixture(scope="module")
def of_nobody(compared, tmp_path_factory):
    out = tmp_path_factory.mktemp("comparisons") / "nobody"
    export_case(compared.case, out, only=("comparisons", "report", "scan"))
    return out


@pytest.fixture(scope="module")
def of_patient(compared, tmp_path_factory):
    out = tmp_path_factory.mktemp("comparisons") / "patient"
    export_case(compared.case, out, compared.series, only=("comparisons",), pictures=[compared.image])
    return out


def report_in(folder):
    return pydicom.dcmread(folder / "comparison-1.dcm")


def where(group):
    """The group's name in the documentation, and what stands for # in its fields."""
    name = group.removeprefix("comparison 1: ")
    if name.startswith("levelling, "):
        return "Each levelling", ""
    if name.startswith("picture "):
        return "Each picture", str(int(name.removeprefix("picture ")) - 1)
    return GROUPS[name], ""


@needs_validators
@pytest.mark.parametrize("whose", ["of_nobody", "of_patient"])
def test_validators_of_others_find_no_error(whose, request):
    folder = request.getfixturevalue(whose)
    files = sorted(folder.glob("comparison-*"))
    assert {file.name for file in files} == {
        "comparison-1.dcm",
        *(f"comparison-1-1-{kind}.dcm" for kind in ("overlay", "simulated", "difference")),
    }
    for file in files:
        errors, warnings = complaints(file)
        assert not errors, file.name
        assert not [each for each in warnings if not judged(each)], file.name
    assert not [each for each in study_complaints(files) if not judged(each)]
    assert "Radiographic inclination of the cup found, supine frame" in dumped_report(folder / "comparison-1.dcm")


def test_every_number_and_its_range_are_those_of_the_comparison(of_nobody, compared):
    table, content = fields_by_code(), compared.content
    assert content["verdict"] != "failed"
    seen = {}
    for group, name, value, unit, spread in numbers(report_in(of_nobody)):
        if name.CodeValue == "113750":  # the distance is told by two points of the file
            source, origin, column, row = (
                np.array(content["views"][0][field])
                for field in ("source_lps_mm", "detector_origin_lps_mm", "column_direction_lps", "row_direction_lps")
            )
            assert value == pytest.approx(abs((origin - source) @ np.cross(column, row)), abs=1e-6)
            continue
        words, item = where(group)
        field = table[name.CodingSchemeDesignator, name.CodeValue][words].replace("#", item)
        assert value == exactly(field_at(content, field)), field
        seen[field] = unit, spread
    found = content["orientation"]
    for frame in ("app", "supine", "standing"):
        for definition in ("radiographic", "operative", "anatomic"):
            for angle in ("inclination_deg", "anteversion_deg"):
                unit, spread = seen[f"orientation.{frame}.{definition}.{angle}"]
                sd = content["uncertainty"]["orientation"][frame][definition][angle]
                assert (unit, spread) == ("deg", pytest.approx(2 * sd, abs=1e-9))
                less = content["difference"]["orientation"][frame][definition][angle]
                assert f"difference.orientation.{frame}.{definition}.{angle}" in seen
                assert abs(less) < abs(found[frame][definition][angle]) + 90
    for way, sd in content["uncertainty"]["center_shift_mm"].items():
        assert seen[f"center_shift.{way}"] == ("mm", pytest.approx(2 * sd, abs=1e-9))
    depth = 2 * content["uncertainty"]["depth_left_mm"]
    assert seen["depth_left_mm"] == ("mm", pytest.approx(depth, abs=1e-9))
    for frame, fields in content["levelling"].items():
        for name, sd in fields["sd"].items():
            place = "" if name in fields else "moves."
            assert seen[f"levelling.{frame}.{place}{name}"] == ("deg", pytest.approx(2 * sd, abs=1e-9))
    assert seen["rim_ellipse.semi_major_px"][0] == "{pixels}"


def test_points_lie_where_the_comparison_has_them_in_the_ct(of_nobody, compared):
    frame = pydicom.dcmread(next(of_nobody.glob("scan-*")), stop_before_pixels=True).FrameOfReferenceUID
    points = {}
    for group, name, item in content_items(report_in(of_nobody)):
        if item.ValueType == "SCOORD3D":
            assert item.ReferencedFrameOfReferenceUID == frame
            points[group, name.CodeValue] = np.float32(item.GraphicData)
    content, first = compared.content, "comparison 1: picture 1"
    for key, place in {
        ("comparison 1: cup found", "FND-CENTER"): content["cup"]["center_lps_mm"],
        (first, "XRAY-SOURCE"): content["registration"]["source_lps_mm"],
        (first, "XRAY-DETECTOR"): content["registration"]["detector_origin_lps_mm"],
    }.items():
        np.testing.assert_array_equal(points[key], np.float32(place))


def test_verdict_warnings_moves_and_side_are_told(of_nobody, compared):
    items = list(content_items(report_in(of_nobody)))
    answers = {(group, name.CodeValue): item for group, name, item in items if item.ValueType == "CODE"}
    verdict = answers["", "CMP-VERDICT"].ConceptCodeSequence[0].CodeValue
    assert verdict == compared.content["verdict"].upper()
    assert ("comparison 1: against the plan", "CMP-VERDICT") in answers
    texts = [(group, name.CodeValue, item.TextValue) for group, name, item in items if item.ValueType == "TEXT"]
    assert ("", "121106", CAUTION) in texts
    told = [text for group, code, text in texts if (group, code) == ("", "WARNING")]
    twin = compared.content["twin_choice"]["text"]
    assert told == [text for text in compared.content["warnings"] if text != twin]
    moves = [text for group, code, text in texts if group.endswith("supine frame") and code == "LEVELLING-WORDS"]
    assert moves == compared.content["levelling"]["supine"]["words"]
    sides = {
        item.ContentSequence[0].ConceptCodeSequence[0].CodeMeaning
        for _, name, item in items
        if name is not None and name.CodeValue == "363698007" and "ContentSequence" in item
    }
    assert sides == {"Right"}
    assert answers["comparison 1: cup found", "HIP-SIDE"].ConceptCodeSequence[0].CodeMeaning == "Right"


def test_highdicom_finds_the_groups(of_nobody):
    report = highdicom.sr.srread(of_nobody / "comparison-1.dcm")
    assert isinstance(report, highdicom.sr.Comprehensive3DSR)
    names = {group.tracking_identifier for group in report.content.get_image_measurement_groups()}
    assert names >= {f"comparison 1: {name}" for name in (*GROUPS, "picture 1", "levelling, supine frame")}


def test_pictures_come_back_pixel_for_pixel_with_the_place_of_the_tube(of_nobody, compared):
    view = compared.content["views"][0]
    for kind in ("overlay", "simulated", "difference"):
        capture = pydicom.dcmread(of_nobody / f"comparison-1-1-{kind}.dcm")
        drawn = Image.open(compared.case / "figures" / f"comparison-1-1-{kind}.png").convert("RGB")
        np.testing.assert_array_equal(capture.pixel_array, np.asarray(drawn))
        assert list(capture.PatientOrientation) == ["L", "F"]
        block = capture.private_block(PRIVATE_GROUP, PRIVATE_CREATOR)
        assert list(block[1].value) == view["source_lps_mm"]
        origin, column, row, pitch = (np.array(block[n].value) for n in (2, 3, 4, 5))
        # the corner of the detector stays where it is, whatever number of pixels it is cut into
        corner = origin - 0.5 * pitch[0] * column - 0.5 * pitch[1] * row
        before = np.array(view["detector_origin_lps_mm"]) - 0.5 * view["pixel_pitch_mm"][0] * (column + row)
        np.testing.assert_allclose(corner, before, atol=1e-6)
        width = view["picture"]["size"][0] * view["pixel_pitch_mm"][0]
        assert pitch[0] * capture.Columns == pytest.approx(width, abs=1e-6)


def test_simpleitk_reads_the_pictures_as_they_are(of_nobody, compared):
    for kind in ("overlay", "simulated", "difference"):
        read, drawn = (
            sitk.GetArrayFromImage(sitk.ReadImage(str(file)))
            for file in (
                of_nobody / f"comparison-1-1-{kind}.dcm",
                compared.case / "figures" / f"comparison-1-1-{kind}.png",
            )
        )
        np.testing.assert_array_equal(read.reshape(drawn.shape[0], drawn.shape[1], 3), drawn[..., :3])


def test_no_picture_that_shows_a_real_one_promises_to_bear_no_text(of_nobody):
    promised = {file.name: pydicom.dcmread(file).get("BurnedInAnnotation") for file in of_nobody.glob("comparison-1-*")}
    assert promised == {
        "comparison-1-1-overlay.dcm": None,
        "comparison-1-1-difference.dcm": None,
        "comparison-1-1-simulated.dcm": "NO",
    }
    assert pydicom.dcmread(of_nobody / "report.dcm").BurnedInAnnotation == "YES"


def test_of_nobody_nothing_leads_to_the_patient_or_the_picture(of_nobody, compared):
    assert traces(of_nobody) == []
    header = pydicom.dcmread(compared.image, stop_before_pixels=True)
    secrets = [str(header[name].value).encode() for name in ("StudyInstanceUID", "SeriesInstanceUID", "SOPInstanceUID")]
    for file in of_nobody.iterdir():
        assert not [secret for secret in secrets if secret in file.read_bytes()], file.name
    said = [i.TextValue for _, n, i in content_items(report_in(of_nobody)) if n and n.CodeValue == "PICTURE-TOLD"]
    assert said
    assert "not referred to" in said[0]


def test_the_overlay_is_named_by_the_report(of_nobody):
    overlay = pydicom.dcmread(of_nobody / "comparison-1-1-overlay.dcm", stop_before_pixels=True)
    named = [
        item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID
        for _, name, item in content_items(report_in(of_nobody))
        if item.ValueType == "IMAGE" and name.CodeValue == "OVERLAY"
    ]
    assert named == [overlay.SOPInstanceUID]


def test_a_picture_that_is_given_is_the_source_of_the_measurement(of_patient, compared):
    header = pydicom.dcmread(compared.image, stop_before_pixels=True)
    report = report_in(of_patient)
    named = [
        (item.ReferencedSOPSequence[0].ReferencedSOPClassUID, item.ReferencedSOPSequence[0].ReferencedSOPInstanceUID)
        for _, name, item in content_items(report)
        if item.ValueType == "IMAGE" and name.CodeValue == "121112"  # DCM: Source of Measurement
    ]
    assert named == [(header.SOPClassUID, header.SOPInstanceUID)]
    evidence = [
        (study.StudyInstanceUID, series.SeriesInstanceUID, item.ReferencedSOPInstanceUID)
        for sequence in ("CurrentRequestedProcedureEvidenceSequence", "PertinentOtherEvidenceSequence")
        for study in report.get(sequence, ())
        for series in study.ReferencedSeriesSequence
        for item in series.ReferencedSOPSequence
    ]
    assert (header.StudyInstanceUID, header.SeriesInstanceUID, header.SOPInstanceUID) in evidence
    scan = pydicom.dcmread(next(compared.series.glob("*.dcm")), stop_before_pixels=True)
    assert (scan.StudyInstanceUID, scan.SeriesInstanceUID, scan.SOPInstanceUID) in evidence
    assert report.StudyInstanceUID == scan.StudyInstanceUID
    overlay = pydicom.dcmread(of_patient / "comparison-1-1-overlay.dcm", stop_before_pixels=True)
    sources = {item.ReferencedSOPInstanceUID for item in overlay.SourceImageSequence}
    assert {header.SOPInstanceUID, scan.SOPInstanceUID} <= sources


def test_writing_again_gives_the_same_bytes(of_nobody, compared, tmp_path):
    export_case(compared.case, tmp_path / "again", only=("comparisons",))
    for file in (tmp_path / "again").iterdir():
        assert file.read_bytes() == (of_nobody / file.name).read_bytes(), file.name


def test_what_cannot_be_referred_to_is_refused(command, compared, tmp_path):
    other = pydicom.dcmread(compared.image)
    other.SOPInstanceUID = other.file_meta.MediaStorageSOPInstanceUID = "2.25.99"
    saved(other, tmp_path / "other.dcm")
    whose = pydicom.dcmread(compared.image)
    whose.PatientName, whose.PatientID, whose.PatientBirthDate = "Sample^Sven", "S-1", "19400101"
    saved(whose, tmp_path / "whose.dcm")
    (tmp_path / "broken.dcm").write_bytes(b"no DICOM file at all" * 50)
    kept = ("--source", compared.series, "--keep-identity")
    for image, more, expected in (
        (compared.image, (), "source-identity"),
        (tmp_path / "other.dcm", kept, "picture-unknown"),
        (tmp_path / "whose.dcm", kept, "pictures-two-patients"),
        (tmp_path / "broken.dcm", kept, "source-damaged"),
    ):
        out = tmp_path / "out"
        ended, _, said = command("export", compared.case, "--out", out, *more, "--picture", image)
        assert (ended, f"[{expected}]" in said) == (2, True), said
        assert not out.exists()


def test_a_case_without_comparisons_says_so_only_if_asked(command, planned_case, tmp_path):
    ended, _, said = command("export", planned_case.folder, "--out", tmp_path / "one", "--only", "comparisons")
    assert (ended, "[part-missing]" in said) == (2, True)
    ended, printed, _ = command("export", planned_case.folder, "--out", tmp_path / "two", "--only", "report", "--json")
    assert (ended, json.loads(printed)["left_out"]) == (0, [])


def test_it_is_said_where_pixels_of_a_real_picture_are_handed_on(command, compared, planned_case, tmp_path):
    ended, _, said = command("export", compared.case, "--out", tmp_path / "one", "--only", "report")
    assert (ended, "text burnt into it" in said) == (0, True)
    ended, printed, _ = command("export", compared.case, "--out", tmp_path / "two", "--only", "measurements", "--json")
    assert (ended, json.loads(printed)["shows_real_pictures"]) == (0, False)
    ended, _, said = command("export", planned_case.folder, "--out", tmp_path / "three", "--only", "report")
    assert (ended, "text burnt into it" in said) == (0, False)


@needs_validators
def test_a_comparison_that_failed_gives_no_number_of_a_cup(compared, tmp_path):
    places = ("source_lps_mm", "detector_origin_lps_mm", "column_direction_lps", "row_direction_lps")
    lost = {**compared.content["registration"], **dict.fromkeys(places)}
    lost |= {"verdict": "failed", "standard_deviations": {}, "residual_mm": None}
    lost |= {"depth_mm_per_percent_of_distance": None, "picture": None}
    nothing = dict.fromkeys(
        ("cup", "difference", "center_shift", "depth_left_mm", "rim_ellipse", "levelling", "twin_choice", "uncertainty")
    )
    failed = {**compared.content, **nothing, "orientation": {}, "verdict": "failed"}
    failed |= {"registration": lost, "views": [lost], "warnings": ["no pose was found"]}
    (tmp_path / "comparison-1.json").write_text(json.dumps(failed), encoding="utf-8")
    file = ComparisonFile.read(tmp_path / "comparison-1.json")
    source = SimpleNamespace(study=study_of(compared.image), images=())
    source.images = (pydicom.dcmread(next(compared.series.glob("*.dcm")), stop_before_pixels=True),)
    source.study = study_of(next(compared.series.glob("*.dcm")))
    data = as_bytes(comparison_report(1, file, Side.RIGHT, source, ComparedImages({}, {})))
    (tmp_path / "failed.dcm").write_bytes(data)
    assert complaints(tmp_path / "failed.dcm")[0] == []
    report = pydicom.dcmread(io.BytesIO(data))
    groups = {group for group, *_ in numbers(report)}
    assert groups == {"comparison 1: picture 1"}
    assert not [item for *_, item in content_items(report) if item.ValueType == "SCOORD3D"]
    answers = [i.ConceptCodeSequence[0].CodeValue for _, n, i in content_items(report) if i.ValueType == "CODE"]
    assert "FAILED" in answers
    assert "CONVERGED" not in answers
