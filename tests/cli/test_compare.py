"""``cotyle compare``: a picture with a known cup is measured, and what must not be measured is refused or failed."""

import json
import shutil

import numpy as np
import pytest
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.space.frames import frame_from_left_and_superior
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from cotyle.xray.ellipse import project_sphere, to_pixels
from cotyle.xray.levelling.levelling import levelling_of
from cotyle.xray.registration.motion import pose_between
from PIL import Image

from tests.conftest import outcome
from tests.xray.registration.scenes import SIZE, c_arm, picture_from, take

GEOMETRY = (
    "--pixel-pitch",
    300.0 / SIZE,
    "--source-detector",
    1000,
    "--source-isocenter",
    680,
    "--tube",
    "under_table",
)
SHOWN = ("--shown", "L/F", "--polarity", "bone_light")
HOW = ("--view", "ap_hip", *GEOMETRY, *SHOWN, "--no-pdf")


def png(path, attenuation):
    low, high = np.percentile(attenuation, [0.5, 99.9])
    grey = np.clip((attenuation - low) / (high - low), 0.0, 1.0)
    Image.fromarray((65535 * grey).astype(np.uint16)).save(path)
    return path


@pytest.fixture(scope="module")
def scene(sample_series):
    _, volume, truth = sample_series
    return take(volume, truth, Side.RIGHT)


@pytest.fixture(scope="module")
def compared(planned_case, scene, tmp_path_factory):
    folder = tmp_path_factory.mktemp("compared")
    case = folder / "case"
    shutil.copytree(planned_case.folder, case)
    image = png(folder / "seen.png", scene.picture.attenuation)
    arguments = ["compare", case, image, *HOW, "--cup-diameter", 50, "--json"]
    code, out, err = outcome([str(each) for each in arguments])
    assert code == 0, err
    return case, json.loads(out)


def test_the_pose_and_the_cup_are_found(compared, scene, planned_case):
    case, printed = compared
    file = json.loads((case / "comparison-1.json").read_text(encoding="utf-8"))
    assert printed == {"comparison": 1, **file}
    assert file["registration"]["verdict"] == "converged"
    source = np.array(file["registration"]["source_lps_mm"])
    assert np.linalg.norm(source - scene.true.source_lps_mm) < 6.0
    frames = planned_case.measurements["frames"]["app"]
    assert set(file["orientation"]) == {"app", "supine", "standing"}
    axis = np.array(file["cup"]["opening_axis_lps"])
    true = np.array([0.62 * Side.RIGHT.lateral_sign, -0.33, -0.71])
    assert np.rad2deg(np.arccos(axis @ true / np.linalg.norm(true))) < 1.5
    found = file["orientation"]["app"]["radiographic"]
    again = orientation_of_axis(axis, app_frame(frames), Side.RIGHT, Definition.RADIOGRAPHIC)
    assert found["inclination_deg"] == pytest.approx(again.inclination_deg, abs=1e-3)
    assert file["levelling"]["supine"]["moves"].keys() == {"picture_turn_deg", "table_roll_deg", "cranial_deg"}


def app_frame(fields):
    return frame_from_left_and_superior("app", fields["origin_lps_mm"], fields["left"], fields["superior"])


def test_the_report_gets_a_section_and_pictures(compared):
    case, _ = compared
    page = (case / "report.html").read_text(encoding="utf-8")
    assert page.count("Comparison 1: a real picture against the plan") == 1
    assert "research software" in page.lower()
    names = {path.name for path in (case / "figures").glob("comparison-1-*.png")}
    assert names == {f"comparison-1-1-{each}.png" for each in ("overlay", "simulated", "difference", "blink")}


def test_a_second_comparison_is_put_beside_the_first(compared, scene, command, tmp_path):
    case, _ = compared
    image = png(tmp_path / "mirrored.png", scene.picture.attenuation[:, ::-1])
    code, out, err = command("compare", case, image, *HOW, "--json")
    assert code == 0, err
    second = json.loads(out)
    assert second["comparison"] == 2
    assert second["verdict"] == "failed"
    assert second["cup"] is None
    assert second["orientation"] == {}
    assert second["warnings"]
    page = (case / "report.html").read_text(encoding="utf-8")
    assert page.count("Comparison 1: a real") == page.count("Comparison 2: a real") == 1


@pytest.mark.parametrize(
    ("without", "word"),
    [
        ("--pixel-pitch", "pixel pitch"),
        ("--source-detector", "detector"),
        ("--tube", "tube"),
        ("--shown", "usual view"),
    ],
)
def test_what_nobody_said_is_asked_for(own_case, scene, command, tmp_path, without, word):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    given = list(HOW)
    at = given.index(without)
    code, _, err = command("compare", own_case, image, *given[:at], *given[at + 2 :])
    assert code == 2
    assert word in err
    assert "Traceback" not in err
    assert not list(own_case.glob("comparison-*"))


def test_a_black_picture_and_three_clicked_points_are_refused(own_case, scene, command, tmp_path):
    black = tmp_path / "black.png"
    Image.fromarray(np.zeros((SIZE, SIZE), dtype=np.uint16)).save(black)
    code, _, err = command("compare", own_case, black, *HOW)
    assert code == 2
    assert err.strip().count("\n") <= 3
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    code, _, err = command("compare", own_case, image, *HOW, "--rim", "100,100 120,130 140,90")
    assert code == 2
    assert "5" in err
    assert not list(own_case.glob("comparison-*"))


def test_clicked_points_level_a_picture_that_cannot_be_matched(own_case, scene, planned_case, command, tmp_path):
    noise = np.random.default_rng(1).normal(size=(SIZE, SIZE))
    image = png(tmp_path / "noise.png", noise)
    marks = planned_case.measurements["landmarks"]
    pixels = {name: scene.true.project(np.array(mark["lps_mm"])) for name, mark in marks.items()}
    seen = {name: pixel.tolist() for name, pixel in pixels.items() if within(pixel)}
    assert len(seen) >= 4
    clicks = tmp_path / "clicks.json"
    clicks.write_text(json.dumps(seen), encoding="utf-8")
    code, out, err = command("compare", own_case, image, *HOW, "--clicks", clicks, "--json")
    assert code == 0, err
    found = json.loads(out)
    assert found["verdict"] == "failed"
    assert found["cup"] is None
    assert any("levelled by the clicked points alone" in text for text in found["warnings"])
    true = levelling_of(scene.true, {"supine": supine(planned_case)})["supine"].posture
    told = found["levelling"]["supine"]
    for name in ("anterior_tilt_deg", "rotation_to_left_deg", "left_up_deg"):
        assert told[name] == pytest.approx(getattr(true, name), abs=3.0 * told["sd"][name] + 0.1)


def within(pixel):
    return bool((pixel > 0).all() and (pixel < SIZE - 1).all())


def supine(case):
    fields = case.measurements["frames"]["supine"]
    return frame_from_left_and_superior("supine", fields["origin_lps_mm"], fields["left"], fields["superior"])


def test_two_pictures_with_the_machines_angles_are_joined(own_case, scene, sample_series, command, tmp_path):
    _, volume, truth = sample_series
    oblique = c_arm(scene.pivot, primary=-35.0).moved(pose_between(scene.rough, scene.true))
    images = [
        png(tmp_path / "first.png", scene.picture.attenuation),
        png(tmp_path / "second.png", picture_from(volume, truth, Side.RIGHT, oblique, seed=4).attenuation),
    ]
    angles = ("--angles=0,0", "--angles=-35,0")
    views = ("--view", "ap_hip", "--view", "obturator_oblique")
    arguments = (*views, *angles, *GEOMETRY, *SHOWN, "--no-pdf", "--cup-diameter", 50, "--json")
    code, out, err = command("compare", own_case, *images, *arguments)
    assert code == 0, err
    joined = json.loads(out)
    assert joined["views_agree"] is True
    assert joined["uncertainty"]["center_shift_mm"]["anterior"] < 2.0


def test_a_ball_gives_the_scale_and_the_depth_is_said_to_be_poor(own_case, scene, command, tmp_path):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    # a ball of 25 mm beside the hip, clicked on its outline (closed form); nobody knows its depth
    ball = Sphere(scene.pivot + np.array([30.0, 10.0, -40.0]), 12.5)
    points = to_pixels(project_sphere(scene.true, ball), scene.true).points(9)[:-1]
    clicked = " ".join(f"{column:.2f},{row:.2f}" for column, row in points)
    how = ("--view", "ap_hip", *GEOMETRY[2:], *SHOWN, "--no-pdf", "--cup-diameter", 50)
    code, out, err = command("compare", own_case, image, *how, "--sphere", clicked, "--sphere-diameter", 25, "--json")
    assert code == 0, err
    found = json.loads(out)
    assert found["verdict"] != "failed"
    assert any("rests on a sphere" in text for text in found["warnings"])
    pitch = found["registration"]["pixel_pitch_mm"][0] * SIZE / 300.0
    assert pitch == pytest.approx(1.0, abs=0.05)
    # a pitch wrong by a share is a distance wrong by that share: 30 of 680 mm one deviation, so is the depth
    sd = found["registration"]["standard_deviations"]["depth_mm"]
    assert sd == pytest.approx(30.0, rel=0.3)
    depth = np.linalg.norm(np.array(found["registration"]["source_lps_mm"]) - scene.true.source_lps_mm)
    assert depth < 3 * sd
    axis = np.array(found["cup"]["opening_axis_lps"])
    true = np.array([0.62 * Side.RIGHT.lateral_sign, -0.33, -0.71])
    assert np.rad2deg(np.arccos(axis @ true / np.linalg.norm(true))) < 2.5
    # the cup against the bone hardly feels it: both are enlarged alike
    assert found["uncertainty"]["depth_left_mm"] < 2.0
    off = np.array(found["cup"]["center_lps_mm"]) - scene.pivot
    assert np.linalg.norm(off[[0, 2]]) < 1.0


def test_the_grid_command_writes_a_file_that_compare_takes(command, tmp_path):
    from tests.cli.test_compare_bad_pictures import grid_of

    grid = png(tmp_path / "grid.png", grid_of(256))
    code, out, err = command("grid", grid, "--out", tmp_path / "machine.json", "--json")
    assert code == 0, err
    assert json.loads(out)["dots"] > 100
    code, _, err = command("grid", grid, "--out", tmp_path / "machine.txt")
    assert code == 2
    assert "grid-out" in err
    assert command("grid", grid, "--out", tmp_path / "machine.json")[0] == 0
    (tmp_path / "plan.json").write_text("{}")
    code, _, err = command("grid", grid, "--out", tmp_path / "plan.json")
    assert code == 2
    assert "output-other" in err
    assert (tmp_path / "plan.json").read_text() == "{}"
