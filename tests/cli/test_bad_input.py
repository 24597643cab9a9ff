"""Bad input ends in one clear line, exit code 2, no trace of our code and nothing half-written."""

import json
import os
import shutil

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk
from cotyle.image.sitk_bridge import to_sitk
from cotyle.image.volume import Volume

from tests.anatomy.not_a_pelvis import chest, head


@pytest.fixture
def refused(command, tmp_path):
    """Runs a command that must fail and returns the code in brackets at the end of its one line."""

    def check(*arguments, out=None):
        before = sorted(tmp_path.rglob("*"))
        code, stdout, stderr = command(*arguments)
        lines = [line for line in stderr.splitlines() if not line.endswith(" ...")]
        assert code == 2, stderr
        assert stdout == ""
        assert len(lines) == 1
        assert "Traceback" not in stderr
        assert lines[0].startswith("cotyle: ")
        assert sorted(tmp_path.rglob("*")) == before
        return lines[0].rsplit("[", 1)[1].rstrip("]")

    return check


def write_image(volume: Volume, path):
    sitk.WriteImage(to_sitk(volume), str(path))
    return path


def plan(ct, out, *more, side="right"):
    return ("plan", ct, "--side", side, "--out", out, *more)


def test_an_empty_folder(refused, tmp_path):
    (tmp_path / "empty").mkdir()
    assert refused(*plan(tmp_path / "empty", tmp_path / "case")) == "series-none"


def test_a_path_that_is_not_there(refused, tmp_path):
    assert refused(*plan(tmp_path / "nowhere", tmp_path / "case")) == "input-missing"


@pytest.mark.parametrize("body", [head, chest], ids=["head", "chest"])
def test_a_ct_of_another_part_of_the_body(refused, tmp_path, body):
    ct = write_image(body(), tmp_path / "ct.nrrd")
    assert refused(*plan(ct, tmp_path / "case")) in {"no-pelvis", "image-too-small", "series-extent"}


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_scan_with_that_hip_cut_off(refused, tmp_path, sample_series, side):
    _, volume, _ = sample_series
    columns, rows, slices = volume.size
    if side == "left":
        keep = volume.cropped((0, 0, 0), (180, rows, slices))
    else:
        keep = volume.cropped((columns - 180, 0, 0), volume.size)
    ct = write_image(keep.with_voxels(np.ascontiguousarray(keep.voxels)), tmp_path / "ct.nrrd")
    code = refused(*plan(ct, tmp_path / "case", side=side))
    assert code in {"side-not-in-scan", "field-of-view", "socket-missing", "no-pelvis"}


def test_a_series_with_a_missing_slice(refused, tmp_path, sample_series):
    series = tmp_path / "series"
    shutil.copytree(sample_series[0], series)
    files = sorted(series.glob("*.dcm"))
    files[len(files) // 2].unlink()
    assert refused(*plan(series, tmp_path / "case")) == "series-gap"


def test_a_label_map_of_another_geometry(refused, tmp_path, sample_series):
    labels = Volume(np.ones((40, 40, 40), dtype=np.uint8), np.diag([2.0, 2.0, 2.0, 1.0]))
    names = tmp_path / "names.json"
    names.write_text('{"1": "left_hip_bone"}')
    file = write_image(labels, tmp_path / "labels.nrrd")
    more = ("--labels", file, "--label-names", names)
    assert refused(*plan(sample_series[0], tmp_path / "case", *more)) == "labels-geometry"


@pytest.mark.parametrize(
    ("point", "code"),
    [([9000.0, 0.0, 0.0], "landmark-outside"), ([float("nan"), 0.0, 0.0], None), (["a", 0, 0], None), ([1, 2], None)],
)
def test_landmarks_outside_the_image_or_without_a_place(refused, tmp_path, sample_series, point, code):
    file = tmp_path / "points.json"
    file.write_text(json.dumps({"asis_left": {"lps_mm": point}}))
    found = refused(*plan(sample_series[0], tmp_path / "case", "--landmarks", file))
    assert found == code if code else found.startswith("landmark")


def test_a_landmark_of_no_known_name(refused, tmp_path, sample_series):
    file = tmp_path / "points.json"
    file.write_text(json.dumps({"left_toe": {"lps_mm": [0, 0, 0]}}))
    assert refused(*plan(sample_series[0], tmp_path / "case", "--landmarks", file)) == "landmark-unknown"


@pytest.mark.parametrize(
    ("more", "code"),
    [
        (("--cup-diameter", 5), "cup-size"),
        (("--cup-diameter", 500), "cup-size"),
        (("--diameter", "nan"), "cup-size"),
        (("--center", "1,2"), "center"),
        (("--center", "nan,1,2"), "field-invalid"),
        (("--inclination", 40), "orientation-incomplete"),
        (("--definition", "operative"), "orientation-incomplete"),
        (("--inclination", 40, "--anteversion", 15, "--definition", "flat"), "field-invalid"),
        (("--inclination", 40, "--anteversion", 15, "--frame", "moon"), "field-invalid"),
        (("--inclination", "inf", "--anteversion", 15), "field-invalid"),
        (("--standing-tilt-change", 200), "field-invalid"),
        (("--targets", "nowhere.json"), "file-missing"),
        (("--landmarks", "nowhere.json"), "file-missing"),
        (("--labels", "nowhere.nrrd"), "file-missing"),
        (("--series", 99), "series-number"),
        (("--diameter", "wide"), "usage"),
        (("--no-such-option",), "usage"),
    ],
)
def test_options_that_make_no_plan(refused, tmp_path, sample_series, more, code):
    assert refused(*plan(sample_series[0], tmp_path / "case", *more)) == code


@pytest.mark.parametrize(
    "text", ["{", '{"inclination_deg": NaN}', '{"wish": 1}', '{"schema": "cotyle/plan", "version": 9}']
)
def test_a_targets_file_that_is_none(refused, tmp_path, sample_series, text):
    file = tmp_path / "targets.json"
    file.write_text(text)
    found = refused(*plan(sample_series[0], tmp_path / "case", "--targets", file))
    assert found in {"json-unreadable", "field-invalid", "schema-newer"}


def test_a_plan_of_the_other_side_as_targets(refused, tmp_path, sample_series):
    file = tmp_path / "targets.json"
    file.write_text(json.dumps({"schema": "cotyle/plan", "version": 1, "side": "left"}))
    assert refused(*plan(sample_series[0], tmp_path / "case", "--targets", file)) == "side-differs"


def test_a_side_that_is_none_is_never_guessed(refused, tmp_path, sample_series):
    assert refused(*plan(sample_series[0], tmp_path / "case", side="both")) == "side"


def test_no_side_at_all(refused, tmp_path, sample_series):
    assert refused("plan", sample_series[0], "--out", tmp_path / "case") == "usage"


def test_an_output_folder_that_cannot_be_written(refused, tmp_path, sample_series):
    (tmp_path / "file").write_text("in the way")
    assert refused(*plan(sample_series[0], tmp_path / "file" / "case")) == "output-unwritable"


@pytest.mark.skipif(os.name == "nt" or (hasattr(os, "geteuid") and os.geteuid() == 0), reason="root may write anywhere")
def test_a_read_only_output_folder(refused, tmp_path, sample_series):
    (tmp_path / "locked").mkdir(mode=0o500)
    assert refused(*plan(sample_series[0], tmp_path / "locked" / "case")) == "output-unwritable"


def test_an_output_folder_with_other_things_in_it(refused, tmp_path, sample_series):
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "one.jpg").write_text("mine")
    assert refused(*plan(sample_series[0], tmp_path / "photos")) == "output-not-a-case"


def test_identity_of_a_scan_that_has_none(refused, tmp_path, sample_series):
    ct = write_image(sample_series[1], tmp_path / "ct.nrrd")
    assert refused(*plan(ct, tmp_path / "case", "--keep-identity")) == "identity-none"


def test_an_mr_series(refused, tmp_path, sample_series):
    series = tmp_path / "series"
    series.mkdir()
    for file in sorted(sample_series[0].glob("*.dcm"))[:40]:
        slice_ = pydicom.dcmread(file)
        slice_.Modality = "MR"
        slice_.save_as(series / file.name)
    refused(*plan(series, tmp_path / "case"))


@pytest.mark.parametrize("verb", ["measure", "xray"])
def test_a_folder_that_is_no_case(refused, tmp_path, verb):
    more = ("--view", "ap_pelvis") if verb == "xray" else ()
    assert refused(verb, tmp_path, *more) == "case-not"
    assert refused(verb, tmp_path / "nowhere", *more) == "case-missing"


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("measure", "--diameter", 500), "cup-size"),
        (("measure", "--center", "9000,0,0"), "center-far"),
        (("measure", "--center", "0,0,1e300"), "center-far"),
        (("measure", "--inclination", "nan"), "field-invalid"),
        (("xray", "--view", "sideways"), "view-name"),
        (("xray", "--view", "ap_pelvis", "--frame", "moon"), "frame-unknown"),
    ],
)
def test_a_bad_change_leaves_the_case_as_it_was(command, own_case, arguments, code):
    before = {path: path.read_bytes() for path in own_case.rglob("*") if path.is_file()}
    exit_code, out, err = command(arguments[0], own_case, *arguments[1:])
    if code is not None:
        assert exit_code == 2
        assert f"[{code}]" in err
        assert out == ""
    assert "Traceback" not in err
    if exit_code:
        assert {path: path.read_bytes() for path in own_case.rglob("*") if path.is_file()} == before


def test_a_case_with_a_damaged_file(refused, own_case):
    (own_case / "anatomy.npz").write_bytes(b"PK\x03\x04")
    assert refused("measure", own_case) == "case-outdated"


def test_errors_are_one_document_when_json_is_asked_for(command, tmp_path):
    code, out, err = command("check", tmp_path / "nowhere", "--json")
    assert code == 2
    assert json.loads(out)["error"]["code"] == "input-missing"
    assert err.count("\n") == 1
