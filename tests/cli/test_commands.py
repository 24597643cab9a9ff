"""The commands against a planned sample case, and their numbers against formulas written out here."""

import json

import numpy as np
import pydicom
import pytest
import SimpleITK as sitk

FILES = {
    "plan.json",
    "measurements.json",
    "landmarks.json",
    "bones.nrrd",
    "ct.nrrd",
    "report.html",
    "figures/depth-track.png",
    "figures/orientation-field.png",
    "xray/ap_pelvis.png",
    "xray/ap_pelvis.dcm",
    "mesh/cup.stl",
    "mesh/cavity.vtp",
    "mesh/left_hip_bone.stl",
    "mesh/right_hip_bone.stl",
}


def murray(axis, frame, sign):
    """Both angles in all definitions of Murray (J Bone Joint Surg Br 1993;75-B:228) from x lateral, y front, z up."""
    x, y, z = sign * np.dot(axis, frame["left"]), -np.dot(axis, frame["posterior"]), np.dot(axis, frame["superior"])
    return {
        "radiographic": (np.degrees(np.arctan2(x, -z)), np.degrees(np.arcsin(y))),
        "operative": (np.degrees(np.arcsin(x)), np.degrees(np.arctan2(y, -z))),
        "anatomic": (np.degrees(np.arccos(-z)), np.degrees(np.arctan2(y, x))),
    }


def shift_of(measured):
    return {name: measured["center_shift"]["from_native_mm"][name] for name in ("medial", "superior", "anterior")}


def test_a_plan_writes_all_its_files(planned_case):
    written = {path.relative_to(planned_case.folder).as_posix() for path in planned_case.folder.rglob("*")}
    assert written >= FILES
    assert not [name for name in written if name.split("/")[-1].startswith(".")]


def test_what_is_printed_is_what_is_written(planned_case):
    printed = dict(planned_case.printed)
    assert printed.pop("timings_s")
    assert printed == planned_case.measurements


@pytest.mark.parametrize("frame", ["app", "supine", "standing"])
def test_orientation_follows_murray_in_every_frame(planned_case, frame):
    measured = planned_case.measurements
    sign = 1 if measured["side"] == "left" else -1
    expected = murray(measured["cup"]["opening_axis_lps"], measured["frames"][frame], sign)
    for definition, (inclination, anteversion) in expected.items():
        found = measured["orientation"][frame][definition]
        assert found["inclination_deg"] == pytest.approx(inclination, abs=1e-6)
        assert found["anteversion_deg"] == pytest.approx(anteversion, abs=1e-6)


def test_the_default_plan_meets_its_targets(planned_case):
    measured = planned_case.measurements
    plan = json.loads((planned_case.folder / "plan.json").read_text())
    found = measured["orientation"]["supine"]["radiographic"]
    assert found["inclination_deg"] == pytest.approx(plan["targets"]["inclination_deg"], abs=1e-6)
    assert found["anteversion_deg"] == pytest.approx(plan["targets"]["anteversion_deg"], abs=1e-6)
    assert not measured["wall"]["breached"]
    assert measured["wall"]["minimum_mm"] >= plan["targets"]["least_wall_mm"] - 0.3


def test_native_centre_and_landmarks_are_those_of_the_subject(planned_case):
    """Against the generator's surfaces; a coarse scan, so within 1.5 mm and 5 mm."""
    from cotyle.space.side import Side

    measured, truth = planned_case.measurements, planned_case.truth
    center = truth.sockets[Side.RIGHT].center_lps_mm
    assert np.linalg.norm(np.array(measured["native"]["center_lps_mm"]) - center) < 1.5
    for name in ("asis_left", "asis_right", "pubic_tubercle_left", "pubic_tubercle_right"):
        assert np.linalg.norm(np.array(measured["landmarks"][name]["lps_mm"]) - truth.landmarks[name]) < 5


def test_centre_shift_is_the_way_between_the_centres_in_the_stated_frame(planned_case):
    measured = planned_case.measurements
    frame = measured["frames"][measured["center_shift"]["frame"]]
    way = np.array(measured["cup"]["center_lps_mm"]) - np.array(measured["native"]["center_lps_mm"])
    medial_sign = -1 if measured["side"] == "left" else 1
    assert shift_of(measured) == pytest.approx(
        {
            "medial": medial_sign * way @ frame["left"],
            "superior": way @ frame["superior"],
            "anterior": -way @ frame["posterior"],
        },
        abs=1e-6,
    )


def test_proud_stance_is_that_of_a_sphere_on_a_rim(planned_case):
    """sqrt(R^2 - r^2), Pythagoras."""
    measured = planned_case.measurements
    cup, reamer = measured["cup"]["outer_diameter_mm"], measured["reaming"][-1]["diameter_mm"]
    assert measured["press_fit"]["interference_mm"] == pytest.approx(cup - reamer)
    assert measured["press_fit"]["proud_mm"] == pytest.approx(np.sqrt(cup**2 - reamer**2) / 2, abs=1e-6)


def test_the_synthetic_case_says_that_it_is(planned_case):
    assert planned_case.measurements["synthetic"]
    assert planned_case.measurements["warnings"][0]["code"] == "synthetic"


def test_a_cup_moved_by_hand_is_measured_where_it_is(command, planned_case, own_case):
    before = planned_case.measurements
    frame = before["frames"]["supine"]
    outwards = -1 if before["side"] == "right" else 1
    center = np.array(before["cup"]["center_lps_mm"]) + outwards * 2.0 * np.array(frame["left"])
    text = ",".join(f"{x:.9f}" for x in center)
    code, out, err = command("measure", own_case, f"--center={text}", "--no-pdf", "--json")
    assert code == 0, err
    after = json.loads(out)
    assert shift_of(after)["medial"] == pytest.approx(shift_of(before)["medial"] - 2.0, abs=1e-6)
    assert after["wall"]["advance_mm"] > before["wall"]["advance_mm"]
    assert after["orientation"] == before["orientation"]
    plan = json.loads((own_case / "plan.json").read_text())
    assert "center_lps_mm" not in plan["cup"]["proposed"]
    # the next change starts from this cup
    code, out, _ = command("measure", own_case, "--inclination", 45, "--no-pdf", "--json")
    again = json.loads(out)
    assert again["cup"]["center_lps_mm"] == pytest.approx(list(center), abs=1e-6)
    assert again["orientation"]["supine"]["radiographic"]["inclination_deg"] == pytest.approx(45, abs=1e-6)


def test_angles_mean_what_definition_and_frame_say(command, own_case):
    angles = ("--inclination", 42, "--anteversion", 20, "--definition", "anatomic", "--frame", "app")
    code, out, err = command("measure", own_case, *angles, "--standing-tilt-change", -8, "--no-pdf", "--json")
    assert code == 0, err
    measured = json.loads(out)
    found = measured["orientation"]["app"]["anatomic"]
    assert (found["inclination_deg"], found["anteversion_deg"]) == pytest.approx((42, 20), abs=1e-6)
    # exact: tilting takes operative anteversion one for one and leaves operative inclination
    supine, standing = (measured["orientation"][name]["operative"] for name in ("supine", "standing"))
    assert standing["anteversion_deg"] - supine["anteversion_deg"] == pytest.approx(8, abs=1e-6)
    assert standing["inclination_deg"] == pytest.approx(supine["inclination_deg"], abs=1e-6)


def test_bones_and_their_names_read_by_a_general_library(planned_case):
    image = sitk.ReadImage(str(planned_case.folder / "bones.nrrd"))
    names = json.loads(image.GetMetaData("label_names"))
    assert names["1"] == "left_hip_bone"
    assert list(image.GetSize()) == planned_case.measurements["ct"]["size"]
    labels = sitk.GetArrayFromImage(image)
    left = np.argwhere(labels == 1).mean(axis=0)[::-1]
    right = np.argwhere(labels == 2).mean(axis=0)[::-1]
    assert (
        image.TransformContinuousIndexToPhysicalPoint(left)[0] > image.TransformContinuousIndexToPhysicalPoint(right)[0]
    )


def test_views_are_written_with_pose_and_cues(command, own_case):
    code, out, err = command("xray", own_case, "--view", "ap_hip", "--view", "inlet", "--film", "--json")
    assert code == 0, err
    views = json.loads(out)["views"]
    assert set(views) == {"ap_hip-film", "inlet-film"}
    assert "over the table" in views["inlet-film"]["description"]
    for view in views.values():
        assert all((own_case / name).is_file() for name in view["files"])


def test_check_prints_a_table_or_one_document(command, planned_case):
    code, out, _ = command("check", planned_case.series, "--json")
    assert code == 0
    assert json.loads(out)["series"][0]["plannable"]
    code, out, _ = command("check", planned_case.series)
    assert code == 0
    assert "can be planned on" in " ".join(out.split())


@pytest.fixture(scope="module")
def planted(sample_series, tmp_path_factory):
    """The series with an identity planted in each slice."""
    folder = tmp_path_factory.mktemp("planted") / "series"
    folder.mkdir()
    for file in sample_series[0].glob("*.dcm"):
        slice_ = pydicom.dcmread(file)
        slice_.PatientName, slice_.PatientID = "Secret^Planted", "ID-77-PLANTED"
        slice_.PatientBirthDate, slice_.AccessionNumber = "19010203", "ACC-PLANTED"
        slice_.save_as(folder / file.name)
    return folder


@pytest.mark.slow
def test_the_whole_plan_again_gives_the_same_bytes_and_no_identity(command, planned_case, planted, tmp_path):
    code, out, err = command("plan", planted, "--side", "right", "--out", tmp_path / "case", "--no-pdf")
    assert code == 0, err
    for name in ("plan.json", "measurements.json", "landmarks.json", "bones.nrrd", "anatomy.npz"):
        assert (tmp_path / "case" / name).read_bytes() == (planned_case.folder / name).read_bytes()
    series_uid = str(pydicom.dcmread(next(planted.glob("*.dcm"))).SeriesInstanceUID)
    said = (out + err).encode()
    for file in (path for path in (tmp_path / "case").rglob("*") if path.is_file()):
        said += file.read_bytes()
    for secret in (b"Planted", b"77-PLANTED", b"19010203", b"ACC-PLANTED", series_uid.encode()):
        assert secret not in said
