"""``cotyle decide`` on the sample case: files, pictures and report, and what it refuses."""

import json
import shutil

import pytest

from tests.conftest import outcome

GIVEN = {
    "posture": {
        "supine": {"sacral_slope_deg": 40},
        "standing": {"sacral_slope_deg": 22},
        "seated": {"sacral_slope_deg": 20},
    },
    "screws": {"screws": [{"from_pole_deg": 40, "around_deg": 300, "length_mm": 45}]},
}
PARTS = ("posture", "screws", "bone")


@pytest.fixture(scope="module")
def decided(planned_case, tmp_path_factory):
    folder = tmp_path_factory.mktemp("decided")
    case = folder / "case"
    shutil.copytree(planned_case.folder, case)
    given = folder / "given.json"
    given.write_text(json.dumps(GIVEN))
    only = [word for part in PARTS for word in ("--only", part)]
    code, out, err = outcome(["decide", str(case), "--given", str(given), *only, "--seed", "3", "--no-pdf", "--json"])
    assert code == 0, err
    return case, json.loads(out)


def test_each_part_stands_in_its_file_as_it_was_printed(decided):
    case, printed = decided
    assert set(printed["decisions"]) == set(PARTS)
    assert {path.stem for path in (case / "decision").iterdir()} == set(PARTS)
    for part in PARTS:
        file = json.loads((case / "decision" / f"{part}.json").read_text(encoding="utf-8"))
        assert file == printed["decisions"][part]
        assert file["schema"] == f"cotyle/{part}"
        assert file["version"] == 1
        assert file["made"]["seed"] == 3
        assert file["made"]["given"] == GIVEN
        assert file["assumptions"]


def test_posture_is_that_of_the_plan_and_warns_of_what_a_level_picture_hides(decided, planned_case):
    found = decided[1]["decisions"]["posture"]
    supine = found["postures"]["supine"]
    assert supine["orientation"] == planned_case.measurements["orientation"]["supine"]
    assert found["postures"]["standing"]["change_from_supine_deg"] == pytest.approx(-18.0)
    assert found["beam"]["towards"] == "outlet"
    assert found["mobility"]["mobility"] == "stiff"
    assert "posture-hidden-standing" in {each["code"] for each in found["doubts"]}


def test_screws_end_in_bone_and_the_anterior_one_is_warned_of(decided):
    found = decided[1]["decisions"]["screws"]
    asked = next(each for each in found["screws"] if not each["proposed"])
    assert asked["quadrant"] == "anterior-superior"
    assert asked["allowed_mm"] == 0.0
    assert {"screw-1"} <= {each["code"] for each in found["doubts"]}
    proposed = [each for each in found["screws"] if each["proposed"]]
    assert proposed[0]["quadrant"] == "posterior-superior"
    for screw in proposed:
        assert 0.0 < screw["steady_mm"] <= screw["safe_mm"] < screw["exit_mm"]
        assert screw["allowed_mm"] <= screw["steady_mm"]
    # the posterior-superior quadrant holds the longest safe screws (Wasielewski et al. 1990)
    shares = {name: each["share_20_mm"] for name, each in found["quadrants"].items()}
    assert max(shares, key=shares.get) == "posterior-superior"


def test_the_bone_of_the_sample_is_as_dense_as_it_was_made(decided):
    """Its trabecular bone was made of 100 to 350 HU; see the generator of the sample."""
    found = decided[1]["decisions"]["bone"]
    assert 100.0 < found["marrow_hu"] < 350.0
    assert found["soft"] is False
    assert found["opposite_marrow_hu"] == pytest.approx(found["marrow_hu"], abs=60.0)


def test_the_report_has_a_section_with_every_picture(decided):
    case, _ = decided
    page = (case / "report.html").read_text(encoding="utf-8")
    assert page.count("<h2>Decisions</h2>") == 1
    for title in ("Posture", "Screws", "Bone quality"):
        assert page.count(f"<h3>{title}</h3>") == 1
    assert "This picture could not be drawn." not in page.split("<h2>Decisions</h2>")[1]
    assert page.count("<b>Assumes:</b>") >= len(list((case / "figures").glob("decision-*.png")))


def test_another_plan_leaves_no_decision_behind(decided, tmp_path, command):
    case = tmp_path / "case"
    shutil.copytree(decided[0], case)
    code, _, err = command("measure", case, "--anteversion", 20, "--no-pdf")
    assert code == 0, err
    assert "decisions" in err
    assert not (case / "decision").exists()
    assert not list((case / "figures").glob("decision-*"))
    assert "<h2>Decisions</h2>" not in (case / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (("--only", "colour"), "part-unknown"),
        (("--only", ""), "part-unknown"),
        (("--only", "posture,"), "part-unknown"),
        (("--given", "absent.json"), "file-missing"),
        (("--seed", "-1"), "usage"),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_line(planned_case, command, arguments, word):
    code, out, err = command("decide", planned_case.folder, *arguments, "--no-pdf")
    assert code == 2
    assert f"[{word}]" in err
    assert err.strip().count("\n") == 0
    assert out == ""
    assert not (planned_case.folder / "decision").exists()


@pytest.mark.parametrize(
    ("content", "word"),
    [
        ("{", "json-unreadable"),
        ('{"posture": {"standing": {"sacral_slope": 3}}}', "sacral_slope"),
        ('{"bone": {"soft_below_hu": "low"}}', "soft_below_hu"),
    ],
)
def test_a_bad_file_of_questions_is_refused_and_nothing_is_written(planned_case, command, tmp_path, content, word):
    given = tmp_path / "given.json"
    given.write_text(content)
    code, _, err = command("decide", planned_case.folder, "--given", given, "--no-pdf")
    assert code == 2
    assert word in err
    assert not (planned_case.folder / "decision").exists()


def test_a_screw_into_the_joint_is_refused(own_case, command, tmp_path):
    given = tmp_path / "given.json"
    direction = {"from_pole_deg": 0, "around_deg": 0, "direction_lps": [-1, 0, 0]}
    given.write_text(json.dumps({"screws": {"screws": [direction]}}))
    code, _, err = command("decide", own_case, "--given", given, "--only", "screws", "--no-pdf")
    assert code == 2
    assert "screw-direction" in err
    assert not (own_case / "decision").exists()


@pytest.mark.parametrize(
    ("content", "word"), [(None, "report-missing"), (b"\xff\xfe", "report-missing"), (b"old", "report-outdated")]
)
def test_a_case_without_its_report_is_refused_before_the_work(own_case, command, content, word):
    (own_case / "report.html").unlink()
    if content is not None:
        (own_case / "report.html").write_bytes(content)
    code, _, err = command("decide", own_case, "--only", "posture", "--no-pdf")
    assert code == 2
    assert f"[{word}]" in err
    assert "turning the pelvis" not in err
    assert not (own_case / "decision").exists()


def test_a_folder_that_is_no_case_is_refused(command, tmp_path):
    code, _, err = command("decide", tmp_path, "--no-pdf")
    assert code == 2
    assert "[case-not]" in err
