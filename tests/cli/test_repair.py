"""``cotyle repair`` on the sample case: a round trip through files, and cases it must leave alone."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest
import SimpleITK as sitk
from cotyle.anatomy.findings import Concern, Finding, Grade
from cotyle.case.anatomy_file import Anatomy
from cotyle.case.plan_file import PlanFile
from cotyle.case.review import review_of, surveyed, write_review
from cotyle.case.store import read_case
from cotyle.space.side import Side

STOP = Finding("socket-hidden", "the right socket cannot be seen", Grade.CANNOT_PLAN, (Concern.CENTER,), Side.RIGHT)


def landmarks_of(folder):
    return json.loads((folder / "landmarks.json").read_text())


def write_json(path, content):
    path.write_text(json.dumps(content))
    return path


def all_files(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def stopped_case(planned_case, tmp_path):
    """What ``plan`` leaves of a right hip that cannot be planned."""
    folder = tmp_path / "stopped"
    folder.mkdir()
    for name in ("bones.nrrd", "ct.nrrd"):
        shutil.copy(planned_case.folder / name, folder / name)
    stored = read_case(planned_case.folder)
    skeleton = stored.anatomy.skeleton
    left = surveyed(replace(skeleton, doubts=(*skeleton.doubts, STOP)), {}, Side.RIGHT)
    write_review(folder, left, review_of(left, PlanFile(side=Side.RIGHT)))
    return folder


def test_a_moved_landmark_turns_the_frame_and_keeps_a_chosen_cup(command, planned_case, own_case, tmp_path):
    before = planned_case.measurements
    center = ",".join(f"{x:.6f}" for x in before["cup"]["center_lps_mm"])
    assert command("measure", own_case, f"--center={center}", "--no-pdf")[0] == 0
    points = landmarks_of(own_case)
    points["asis_right"]["lps_mm"][1] += 5.0
    points["asis_right"].pop("uncertainty_mm")
    file = write_json(tmp_path / "points.json", points)
    code, out, err = command("repair", own_case, "--landmarks", file, "--no-pdf", "--json")
    assert code == 0, err
    after = json.loads(out)
    turned = after["pelvis"]["rotation_to_left_deg"] - before["pelvis"]["rotation_to_left_deg"]
    span = np.linalg.norm(
        np.subtract(before["landmarks"]["asis_left"]["lps_mm"], before["landmarks"]["asis_right"]["lps_mm"])
    )
    assert abs(turned) == pytest.approx(np.degrees(5.0 / span), abs=0.15)
    assert after["cup"]["center_lps_mm"] == pytest.approx(before["cup"]["center_lps_mm"], abs=1e-5)
    assert after["landmarks"]["asis_right"]["origin"] == "given"
    spread, spread_before = (each["pelvis"]["uncertainty_deg"]["rotation_to_left"] for each in (after, before))
    assert spread > spread_before  # a hand is less sure than a clear ridge
    plan = json.loads((own_case / "plan.json").read_text())
    assert plan["given"]["landmarks"]["asis_right"]["lps_mm"] == pytest.approx(points["asis_right"]["lps_mm"])
    assert landmarks_of(own_case)["asis_right"]["origin"] == "given"
    # what was given stays given when another cup is measured, and giving it again changes nothing
    assert command("measure", own_case, "--diameter", 56, "--no-pdf")[0] == 0
    assert json.loads((own_case / "plan.json").read_text())["given"] == plan["given"]
    code, _, err = command("repair", own_case, "--landmarks", file, "--no-pdf")
    assert code == 2
    assert "[repair-nothing]" in err


def test_labels_corrected_in_another_program_make_another_case_and_leave_the_first(command, planned_case, tmp_path):
    """As a label editor does it: NIfTI without names, so a name table beside it; 3 mm taken off round the socket."""
    before = all_files(planned_case.folder)
    measured = planned_case.measurements
    image = sitk.ReadImage(str(planned_case.folder / "bones.nrrd"))
    labels = sitk.GetArrayFromImage(image)
    kji = np.argwhere(labels == 2)
    points = kji[:, ::-1] * np.array(image.GetSpacing()) + np.array(image.GetOrigin())  # its axes are those of LPS
    center = np.array(measured["native"]["center_lps_mm"])
    cut = np.linalg.norm(points - center, axis=1) < measured["native"]["diameter_mm"] / 2 + 3.0
    labels[tuple(kji[cut].T)] = 0
    edited = sitk.GetImageFromArray(labels)
    edited.CopyInformation(image)
    file = tmp_path / "edited.nii.gz"
    sitk.WriteImage(edited, str(file))
    names = write_json(tmp_path / "names.json", json.loads(image.GetMetaData("label_names")))
    corrected = tmp_path / "corrected"
    more = ("--labels", file, "--label-names", names, "--out", corrected, "--no-pdf", "--json")
    code, out, err = command("repair", planned_case.folder, *more)
    assert code == 0, err
    after = json.loads(out)
    assert after["native"]["diameter_mm"] > measured["native"]["diameter_mm"] + 1.0
    # the surface lies where it was cut; the scan may take back three quarters of a voxel (1.5 mm)
    bone = Anatomy.read(corrected / "anatomy.npz").surfaces["right_hip_bone"].vertices_lps_mm
    inward = np.linalg.norm(bone - center, axis=1) - measured["native"]["diameter_mm"] / 2
    assert np.percentile(inward, 1) > 3.0 - 1.2 - 0.5
    assert after["cup"]["outer_diameter_mm"] > measured["cup"]["outer_diameter_mm"]  # what was proposed follows
    given = json.loads((corrected / "plan.json").read_text())["given"]["labels"]
    removed = cut.sum() * np.prod(image.GetSpacing()) / 1000
    assert given[0]["changed_ml"]["right_hip_bone"] == pytest.approx(removed, rel=1e-3)
    written = sitk.GetArrayFromImage(sitk.ReadImage(str(corrected / "bones.nrrd")))
    np.testing.assert_array_equal(written, labels)
    assert all_files(planned_case.folder) == before


def test_a_stopped_hip_is_planned_once_its_centre_is_confirmed(command, stopped_case, tmp_path):
    points = landmarks_of(stopped_case)
    points["hip_center_right"]["origin"] = "given"
    file = write_json(tmp_path / "points.json", points)
    code, out, err = command("repair", stopped_case, "--landmarks", file, "--no-pdf", "--json")
    assert code == 0, err
    assert json.loads(out)["verdict"]["grade"] == "check"
    assert (stopped_case / "plan.json").is_file()
    assert not (stopped_case / "review.json").exists()


def test_a_stopped_hip_stays_stopped_with_its_reason_in_one_line_and_a_page(command, stopped_case, tmp_path):
    points = landmarks_of(stopped_case)
    points["psis_left"]["lps_mm"][0] += 1.0
    file = write_json(tmp_path / "points.json", points)
    code, out, err = command("repair", stopped_case, "--landmarks", file, "--no-pdf", "--json")
    assert code == 2
    assert err.count("\n") == 1
    assert "the right socket cannot be seen" in err
    assert "review.html" in err
    assert "[socket-hidden]" in err
    document = json.loads(out)
    assert document["error"]["code"] == "socket-hidden"
    assert document["verdict"]["grade"] == "cannot_plan"
    assert document["verdict"]["hips"]["left"]["grade"] == "sound"
    written = {path.name for path in stopped_case.rglob("*") if path.is_file()}
    assert written >= {"review.json", "review.html", "landmarks.json", "bones.nrrd", "ct.nrrd", "skeleton.npz"}
    assert written >= {"doubt-left.png", "doubt-right.png"}
    assert "plan.json" not in written
    page = (stopped_case / "review.html").read_text()
    assert "Cannot be planned automatically" in page
    assert "cotyle repair" in page
    # the point that was moved is kept for the next try
    assert landmarks_of(stopped_case)["psis_left"]["origin"] == "given"


def test_a_standing_case_is_never_replaced_by_one_that_cannot_be_planned(command, own_case, tmp_path):
    anatomy = Anatomy.read(own_case / "anatomy.npz")
    skeleton = replace(anatomy.skeleton, doubts=(*anatomy.skeleton.doubts, STOP))
    replace(anatomy, skeleton=skeleton).write(own_case / "anatomy.npz")
    before = all_files(own_case)
    points = landmarks_of(own_case)
    points["psis_left"]["lps_mm"][0] += 1.0
    code, _, err = command("repair", own_case, "--landmarks", write_json(tmp_path / "p.json", points))
    assert code == 2
    assert "[socket-hidden]" in err
    assert all_files(own_case) == before


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ((), "repair-nothing"),
        (("--labels", "nowhere.nrrd"), "file-missing"),
        (("--landmarks", "nowhere.json"), "file-missing"),
    ],
)
def test_a_correction_that_is_none_is_said_in_one_line(command, planned_case, more, code):
    exit_code, out, err = command("repair", planned_case.folder, *more)
    assert exit_code == 2
    assert f"[{code}]" in err
    assert out == ""


def test_labels_of_another_scan_are_refused_and_change_nothing(command, own_case, tmp_path):
    before = all_files(own_case)
    other = sitk.Image([20, 20, 20], sitk.sitkUInt8)
    other[10, 10, 10] = 1
    other.SetMetaData("label_names", json.dumps({"1": "left_hip_bone"}))
    sitk.WriteImage(other, str(tmp_path / "other.nrrd"))
    code, _, err = command("repair", own_case, "--labels", tmp_path / "other.nrrd")
    assert code == 2
    assert "[labels-geometry]" in err
    assert all_files(own_case) == before


def test_a_folder_that_is_no_case_is_said(command, tmp_path):
    points = write_json(tmp_path / "p.json", {})
    (tmp_path / "empty").mkdir()
    code, _, err = command("repair", tmp_path / "empty", "--landmarks", points)
    assert code == 2
    assert "[case-not]" in err
