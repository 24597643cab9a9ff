"""``compare`` on what it can't be used on: one clear line and exit code 2, or the verdict failed; never a number."""

import json
import shutil

import numpy as np
import pytest
from cotyle.space.side import Side
from PIL import Image

from tests.cli.test_compare import GEOMETRY, HOW, SHOWN, png
from tests.validation.theatre.wrong import KNEE
from tests.xray.pictures.makers import dicom, saved, shown
from tests.xray.registration.scenes import SIZE, c_arm, take


@pytest.fixture(scope="module")
def scene(sample_series):
    _, volume, truth = sample_series
    return take(volume, truth, Side.RIGHT)


@pytest.fixture
def refused(command, planned_case, tmp_path):
    """Runs a comparison that must end with one line; returns its code in brackets."""

    def check(*arguments):
        code, out, err = command("compare", planned_case.folder, *arguments)
        lines = [line for line in err.splitlines() if not line.endswith(" ...")]
        assert code == 2, err
        assert out == ""
        assert len(lines) == 1, lines
        assert "Traceback" not in err
        assert not list(planned_case.folder.glob("comparison-*"))
        assert "Comparison 1" not in (planned_case.folder / "report.html").read_text(encoding="utf-8")
        return lines[0].rsplit("[", 1)[1].rstrip("]")

    return check


@pytest.fixture
def failed(command, planned_case, tmp_path):
    """Runs a comparison that must be written as failed, without a number of cup or pelvis; returns its file."""

    def check(*arguments):
        case = tmp_path / "case"
        shutil.copytree(planned_case.folder, case)
        code, out, err = command("compare", case, *arguments, "--json")
        assert code == 0, err
        found = json.loads(out)
        assert found["verdict"] == "failed"
        for field in ("cup", "center_shift", "depth_left_mm", "rim_ellipse", "levelling", "uncertainty", "difference"):
            assert found[field] is None, field
        assert found["orientation"] == {}
        assert found["registration"]["source_lps_mm"] is None
        assert found["registration"]["standard_deviations"] == {}
        assert found["warnings"]
        return found

    return check


def test_no_scale_at_all(refused, scene, tmp_path):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    assert refused(image, "--view", "ap_hip", *SHOWN) == "picture-geometry"


@pytest.mark.parametrize("kind", ["CT", "MR", "US", "MG", "NM"])
def test_the_wrong_modality(refused, tmp_path, kind):
    ds = dicom(np.random.default_rng(0).integers(0, 4000, (SIZE, SIZE), dtype=np.uint16), kind)
    assert refused(saved(ds, tmp_path / "it.dcm"), *HOW) == "picture-modality"


def test_a_slice_of_the_ct_itself(refused, sample_series):
    folder, _, _ = sample_series
    assert refused(next(iter(sorted(folder.iterdir()))), *HOW) == "picture-modality"


def test_the_ct_as_a_volume(refused, planned_case):
    assert refused(planned_case.folder / "ct.nrrd", *HOW) == "picture-volume"


@pytest.mark.parametrize("level", [0, 30000])
def test_a_black_picture_and_a_grey_one(refused, tmp_path, level):
    Image.fromarray(np.full((SIZE, SIZE), level, dtype=np.uint16)).save(tmp_path / "black.png")
    assert refused(tmp_path / "black.png", *HOW) == "picture-black"


def test_a_picture_without_a_beam_is_failed(failed, tmp_path):
    noise = np.random.default_rng(2).normal(600.0, 200.0, (SIZE, SIZE))
    Image.fromarray(np.clip(noise, 0, 65535).astype(np.uint16)).save(tmp_path / "dark.png")
    failed(tmp_path / "dark.png", *HOW)


def test_a_knee_is_failed(failed, scene, tmp_path):
    failed(png(tmp_path / "knee.png", knee(c_arm(scene.pivot), scene.pivot)), *HOW)


def knee(carm, middle):
    """Chords of plain bodies times what they attenuate (flesh and bone at about 65 keV, 1/mm), in closed form."""
    columns, rows = carm.size
    rays = carm.ray(np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2))
    total = np.zeros(len(rays))
    for center, half_axes, hu in KNEE:
        start, way = (carm.source_lps_mm - middle - center) / half_axes, rays / half_axes
        a, b, c = (way**2).sum(axis=1), way @ start, start @ start - 1.0
        total += (0.02 if hu == 40 else 3e-5 * hu) * 2.0 * np.sqrt(np.maximum(b * b - a * c, 0.0)) / a
    return np.random.default_rng(3).normal(total, 0.01).reshape(rows, columns)


def test_a_screenshot_as_it_comes_tells_no_scale(refused, scene, tmp_path):
    assert refused(screenshot(scene, tmp_path), "--view", "ap_hip", *SHOWN[:2]) in {
        "picture-geometry",
        "picture-polarity",
    }


def test_a_mouse_pointer_is_left_out_and_said_so(command, own_case, scene, tmp_path):
    code, out, err = command("compare", own_case, screenshot(scene, tmp_path), *HOW, "--cup-diameter", 50, "--json")
    assert code == 0, err
    found = json.loads(out)
    assert any("pointer was left out" in text for text in found["warnings"])
    # where the pointer covers the bone nothing is read off it: the pose is that of the picture without it
    if found["verdict"] != "failed":
        off = np.array(found["registration"]["source_lps_mm"]) - scene.true.source_lps_mm
        assert np.linalg.norm(off) < 8.0


def screenshot(scene, folder):
    """An 8-bit picture of a screen with an arrow of one grey that no detector blurred, over the bone."""
    attenuation = scene.picture.attenuation
    low, high = np.percentile(attenuation, [0.5, 99.9])
    grey = (235 * np.clip((attenuation - low) / (high - low), 0.0, 1.0)).astype(np.uint8)
    for row in range(15):
        grey[90 + row, 150 : 151 + min(row, 9)] = 255
    Image.fromarray(grey).save(folder / "screen.png")
    return folder / "screen.png"


@pytest.mark.parametrize("count", [0, 1, 3, 4])
def test_too_few_points_for_an_ellipse(refused, scene, tmp_path, count):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    points = " ".join(["100,100", "120,130", "140,90", "120,80"][:count])
    assert refused(image, *HOW, "--rim", points or " ") == "ellipse-too-few"


def test_points_of_a_rim_on_one_line(refused, scene, tmp_path):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    assert refused(image, *HOW, "--rim", "10,10 20,20 30,30 40,40 50,50") == "ellipse-degenerate"


def test_two_pictures_of_different_patients(refused, scene, tmp_path):
    images = []
    for number, name in enumerate(("Sample^Anna", "Sample^Berta")):
        told = {"PatientName": name, "PatientID": f"S-{number}", "PatientBirthDate": f"1940010{number + 1}"}
        ds = dicom(shown(scene.picture.attenuation), "XA", **told)
        images.append(saved(ds, tmp_path / f"{number}.dcm"))
    assert refused(*images, *HOW, "--polarity", "bone_dark") == "pictures-two-patients"


def test_the_file_of_a_patient_is_never_named(command, planned_case, tmp_path):
    ds = dicom(np.zeros((SIZE, SIZE), dtype=np.uint16), "XA", PatientName="Sample^Sunniva", PatientID="S-77-1234")
    path = saved(ds, tmp_path / "Sample_Sunniva.dcm")
    _, out, err = command("compare", planned_case.folder, path, *HOW)
    assert not any(word in (out + err) for word in ("Sunniva", "S-77", "Sample"))


def test_a_picture_of_a_grid_without_a_grid(refused, scene, tmp_path):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    assert refused(image, *HOW, "--grid", image) == "grid-dots"


def test_a_grid_of_another_size(refused, scene, tmp_path):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    assert refused(image, *HOW, "--grid", png(tmp_path / "grid.png", grid_of(512))) == "grid-size"


def test_a_broken_distortion_file(refused, scene, tmp_path):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    (tmp_path / "grid.json").write_text('{"schema": "cotyle/distortion", "version": 1}', encoding="utf-8")
    assert refused(image, *HOW, "--grid", tmp_path / "grid.json") == "field-invalid"


def grid_of(size, spacing=20.0):
    """Dark dots on a slow shade."""
    y, x = np.mgrid[:size, :size].astype(float)
    made = 0.2 * x / size
    near = (x - spacing * np.rint(x / spacing)) ** 2 + (y - spacing * np.rint(y / spacing)) ** 2
    return made - 0.6 * np.exp(-near / 18.0) + 0.02 * np.random.default_rng(0).standard_normal(made.shape)


@pytest.mark.parametrize(
    ("more", "code"),
    [
        (("--sphere", "10,10 20,20"), "sphere-diameter"),
        (("--sphere-diameter", 28), "sphere-points"),
        (("--sphere", "10,10 20,20", "--sphere-diameter", 28), "sphere-points"),
        (("--sphere", "10,10 20,20 30,10", "--sphere-diameter", -1), "sphere-diameter"),
        (("--sphere", "10,10 20,20 30,30", "--sphere-diameter", 28), "sphere-arc"),
        (("--sphere", "10,10 20,20 30,10", "--sphere-diameter", 28, "--sphere-depth", 1200), "sphere-distance"),
    ],
)
def test_a_sphere_that_tells_no_scale(refused, scene, tmp_path, more, code):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    assert refused(image, "--view", "ap_hip", *GEOMETRY[2:], *SHOWN, *more) == code


def test_a_scale_given_twice(refused, scene, tmp_path):
    image = png(tmp_path / "seen.png", scene.picture.attenuation)
    assert refused(image, *HOW, "--sphere", "10,10 20,20 30,10", "--sphere-diameter", 28) == "scale-twice"
