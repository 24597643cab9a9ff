"""A picture from its file to the usual view: scale from a sphere, distortion undone, clicks brought along."""

from dataclasses import replace

import numpy as np
import pytest
from cotyle.case.distortion_file import DistortionFile, distortion_file, read_distortion
from cotyle.case.picture_reading import Clicked, SeenSphere, read_picture
from cotyle.errors import InputError
from cotyle.space.shapes import Sphere
from cotyle.xray.carm import Tube
from cotyle.xray.display import Polarity
from cotyle.xray.ellipse import project_sphere, to_pixels
from cotyle.xray.pictures.picture_file import Told
from cotyle.xray.views import ViewName
from PIL import Image

from tests.xray.pictures.makers import body, shown
from tests.xray.pictures.test_distortion import CENTER, bend, dots_in_view, grid_picture
from tests.xray.registration.scenes import SIZE, c_arm

TOLD = Told(
    polarity=Polarity.BONE_DARK,
    tube=Tube.UNDER_TABLE,
    source_detector_mm=1000.0,
    source_isocenter_mm=680.0,
    patient_orientation=("L", "F"),
)
CARM = c_arm(np.zeros(3))


@pytest.fixture
def picture(tmp_path):
    Image.fromarray(shown(body(SIZE))).save(tmp_path / "hip.png")
    return tmp_path / "hip.png"


def outline(center_lps_mm, diameter_mm, count=9):
    """Points on the outline of a ball, by the closed form that the readable projector's tests check."""
    return to_pixels(project_sphere(CARM, Sphere(np.array(center_lps_mm), diameter_mm / 2)), CARM).points(count)[:-1]


def test_a_ball_of_known_size_and_depth_gives_the_pitch(picture):
    ball = SeenSphere(outline((-40.0, 30.0, -50.0), 25.0), 25.0, 680.0 - 30.0)
    found = read_picture(picture, ViewName.AP_HIP, TOLD, Clicked(sphere=ball))
    assert found.radiograph.geometry.pixel_pitch_mm == pytest.approx(CARM.pixel_pitch_mm, rel=1e-6)
    assert not any("does not tell the size of a pixel" in text for text in found.radiograph.doubts)
    assert any("rests on a sphere of 25 mm" in text for text in found.radiograph.doubts)


@pytest.mark.parametrize("off_mm", [-30.0, 30.0])
def test_a_ball_of_unknown_depth_says_how_wrong_the_pitch_may_be(picture, off_mm):
    ball = SeenSphere(outline((-40.0, off_mm, -50.0), 25.0), 25.0)
    found = read_picture(picture, ViewName.AP_HIP, TOLD, Clicked(sphere=ball))
    off = found.radiograph.geometry.pixel_pitch_mm[0] / CARM.pixel_pitch_mm[0] - 1.0
    # similar triangles: 30 of 680 mm, and that is one stated deviation
    assert abs(off) == pytest.approx(30.0 / 680.0, rel=0.06)
    # besides: 10 of 1000 mm to the detector, and 1 px of each click on a radius of some 15 px
    assert 30.0 / 680.0 < found.pitch_sd < 1.3 * 30.0 / 680.0
    assert any("as far from the source as the isocentre" in text for text in found.radiograph.doubts)


def test_a_sphere_without_distances_is_no_scale(picture):
    ball = SeenSphere(outline((0.0, 0.0, 0.0), 25.0), 25.0)
    with pytest.raises(InputError, match="sphere-distance"):
        read_picture(picture, ViewName.AP_HIP, replace(TOLD, source_detector_mm=None), Clicked(sphere=ball))


def test_clicks_come_along_when_the_picture_is_turned(picture):
    told = replace(TOLD, patient_orientation=("R", "H"), pixel_pitch_mm=1.0)
    clicked = Clicked(rim_px=np.array([[10, 20], [30, 25], [40, 60], [20, 70], [5, 40.0]]), places_px={"a": (3.0, 4.0)})
    found = read_picture(picture, ViewName.AP_HIP, told, clicked)
    np.testing.assert_allclose(found.rim_px, SIZE - 1.0 - clicked.rim_px)
    np.testing.assert_allclose(found.clicked_px["a"], (SIZE - 4.0, SIZE - 5.0))
    np.testing.assert_allclose(found.to_file @ (*found.clicked_px["a"], 1.0), (3.0, 4.0))


@pytest.fixture
def grid(tmp_path):
    values = grid_picture(dots_in_view()[1])
    grey = (values - values.min()) / np.ptp(values)
    Image.fromarray((65535 * grey).astype(np.uint16)).save(tmp_path / "grid.png")
    return tmp_path / "grid.png"


def test_a_distortion_comes_back_from_its_file(grid, tmp_path):
    known = read_distortion(grid)
    assert known.distortion.held_back_px < 0.3
    distortion_file(known).write(tmp_path / "grid.json")
    again = read_distortion(tmp_path / "grid.json")
    points = dots_in_view(radius=200.0)[1]
    np.testing.assert_allclose(again.straight(points, "dots"), known.straight(points, "dots"), atol=1e-6)
    assert DistortionFile.read(tmp_path / "grid.json") == distortion_file(again)


def test_clicks_on_a_bent_picture_are_straightened(grid, tmp_path):
    Image.fromarray(shown(body(512))).save(tmp_path / "hip.png")
    known, told = read_distortion(grid), replace(TOLD, pixel_pitch_mm=0.6)
    rng = np.random.default_rng(0)
    truth = CENTER + rng.uniform(-120.0, 120.0, (12, 2))
    places = {f"place {n}": each for n, each in enumerate(bend(truth))}
    found = read_picture(tmp_path / "hip.png", ViewName.AP_HIP, told, Clicked(places_px=places), distortion=known)
    straight = np.stack(list(found.clicked_px.values()))
    # a grid tells neither turn nor scale: distances keep their proportions
    apart = [np.linalg.norm(each[:, None] - each, axis=-1)[np.triu_indices(12, 1)] for each in (straight, truth)]
    ratio = apart[0] / apart[1]
    assert np.ptp(ratio) < 0.02
    bent = np.stack(list(places.values()))
    before = np.linalg.norm(bent[:, None] - bent, axis=-1)[np.triu_indices(12, 1)] / apart[1]
    assert np.ptp(before) > 3 * np.ptp(ratio)
    assert any("straightened by a grid" in text for text in found.radiograph.doubts)
    with pytest.raises(InputError, match="grid-beyond"):
        read_picture(
            tmp_path / "hip.png", ViewName.AP_HIP, told, Clicked(places_px={"x": np.array([2.0, 2.0])}), None, known
        )
