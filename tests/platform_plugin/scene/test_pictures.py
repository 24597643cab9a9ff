"""Looking at pictures: what must be seen is seen, where it belongs."""

import sys

import numpy as np
import pytest
from cotyle.cup.wall import WallMap, hemisphere_mesh
from cotyle.errors import InputError
from cotyle.report import scene_process
from cotyle.report.cavity_view import MOST_WALL_MM, wall_colors
from cotyle.report.scene import Camera
from cotyle_platform.scene import parts, stage, views
from cotyle_platform.scene.axes import mesh_to_ras
from cotyle_platform.scene.nodes import fill_model
from cotyle_platform.scene.plan_scene import PlanScene
from cotyle_platform.scene.stage import THREE_D, Stage

from tests.platform_plugin.scene.small_case import BALL_LPS_MM, small_case

FRONT = Camera(np.array([0.0, 0.0, 10.0]), np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0]), 150.0)
SIZE = (320, 240)


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """A small case on a stage, seen from in front, the cup's handles off."""
    try:
        made = Stage(SIZE)
    except InputError as error:
        pytest.skip(str(error))
    case = small_case(tmp_path_factory.mktemp("case"))
    with made:
        picture = PlanScene(made.scene, case)
        picture.show(case.plan)
        picture.set_handles(False)
        made.background(picture.node(parts.CT))
        views.look(made.view(THREE_D), FRONT)
        yield made, picture, case


def at(pixels, camera, point):
    column, row = camera.project(np.asarray(point, dtype=float), *SIZE).round().astype(int)
    return pixels[row - 2 : row + 3, column - 2 : column + 3].reshape(-1, 3).mean(axis=0)


def test_a_translucent_bone_is_seen_and_so_is_what_lies_behind_it(shown):
    """Through the hip bone's box, in front of the sacrum's: neither the ground nor the bone alone."""
    made, picture, _ = shown
    spot = (-85.0, 0.0, 60.0)
    colors = {}
    for opacity in (0.0, 0.45, 1.0):
        picture.set_opacity("right_hip_bone", opacity)
        colors[opacity] = at(made.pixels(THREE_D), FRONT, spot).mean()
    picture.set_opacity("right_hip_bone", 0.45)
    ground, half, solid = colors.values()
    assert solid > ground + 60
    assert ground + 20 < half < solid - 20


def test_a_cup_is_seen_through_the_bone_in_front_of_it(shown):
    made, picture, case = shown
    spot = np.array(case.plan.cup.center_lps_mm) + [12.0, 0.0, 16.0]
    with_cup = at(made.pixels(THREE_D), FRONT, spot)
    picture.set_shown(parts.CUP, False)
    without = at(made.pixels(THREE_D), FRONT, spot)
    picture.set_shown(parts.CUP, True)
    # the cup is blue: blue gains on red
    assert (with_cup[2] - with_cup[0]) > (without[2] - without[0]) + 20


def test_the_handles_that_move_and_turn_the_cup_are_seen(shown):
    made, picture, _ = shown
    before = made.pixels(THREE_D).astype(int)
    picture.set_handles(True)
    after = made.pixels(THREE_D).astype(int)
    picture.set_handles(False)
    assert (np.abs(after - before).max(axis=2) > 40).sum() > 150


def test_handles_are_seen_in_slices_too(shown):
    made, picture, _ = shown
    picture.slice_to("app")
    made.show_height(200.0)
    before = made.pixels("Green").astype(int)
    picture.set_handles(True)
    after = made.pixels("Green").astype(int)
    picture.set_handles(False)
    assert (np.abs(after - before).max(axis=2) > 40).sum() > 60


def test_the_patients_left_is_on_the_right_of_the_picture_and_the_letters_say_so(shown):
    """The ball of the scan lies on the patient's left, in front, high (convention of the trade for CT)."""
    made, picture, _ = shown
    show_only(picture)
    scale = SIZE[1] / 240.0
    letters = picture.slice_to("scanner", (0.0, *BALL_LPS_MM[1:]))
    made.write_letters(letters)
    made.show_height(240.0)
    pictures = {name: made.pixels(name).astype(int) for name in ("Red", "Green")}
    show_only(picture, *picture.parts)
    for name, pixels in pictures.items():
        rows, columns = np.nonzero(ball(pixels))
        assert columns.mean() == pytest.approx(SIZE[0] / 2 + BALL_LPS_MM[0] * scale, abs=2), name
        assert rows.mean() == pytest.approx(SIZE[1] / 2, abs=2), name
        assert letters[name][0] == "L"
        edge = pixels[SIZE[1] // 2 - 12 : SIZE[1] // 2 + 12, -18:].min(axis=2)
        assert (edge > 200).any(), "no letter at the right edge"


def show_only(picture, *names):
    for name in picture.parts:
        picture.set_shown(name, name in names and name != parts.CAVITY)


def ball(pixels):
    """Bright and grey: neither a coloured outline nor a letter near the edge."""
    grey = np.ptp(pixels, axis=2) < 12
    inside = np.zeros(pixels.shape[:2], dtype=bool)
    inside[30:-30, 30:-30] = True
    return grey & inside & (pixels.min(axis=2) > 170)


def test_the_cavity_has_the_colour_of_its_wall_and_none_when_it_is_stale(shown):
    """A wall of 3 mm everywhere: yellow in the report's scale; grey where it belongs to an older plan."""
    made, picture, case = shown
    record = picture._record
    mesh = hemisphere_mesh(case.plan.cup.center_lps_mm, (1.0, 0.0, 0.0), 25.0, 24, 96)
    draw_map(record, WallMap(mesh, np.full(len(mesh.vertices_lps_mm), 3.0)))
    picture.show_cavity_alone(True)
    spot = np.array(case.plan.cup.center_lps_mm) + [14.0, 0.0, 0.0]
    looks = {}
    for stale in (False, True):
        parts.mark_cavity(record, stale)
        looks[stale] = at(made.pixels(THREE_D), FRONT, spot)
    picture.show_cavity_alone(False)
    picture.set_shown(parts.CAVITY, False)
    wanted = wall_colors()[round(3.0 / MOST_WALL_MM * 255)]
    fresh = looks[False] / looks[False].max()
    np.testing.assert_allclose(fresh, wanted / wanted.max(), atol=0.12)
    assert np.ptp(looks[True]) < 0.5 * np.ptp(looks[False])


def draw_map(record, wall_map):
    from cotyle_platform.scene.nodes import fill_colors

    colors = record.node_of(parts.WALL_COLORS, "vtkMRMLColorTableNode", "Wall in mm")
    fill_colors(colors, wall_colors(), MOST_WALL_MM)
    node = record.node_of(parts.CAVITY, "vtkMRMLModelNode", "Cavity")
    fill_model(node, mesh_to_ras(wall_map.mesh), wall_map.thickness_mm, parts.THICKNESS_ARRAY)


def test_a_camera_of_the_core_shows_the_same_place_in_the_same_spot(shown):
    """The landmark on the left ASIS, green, where the camera's own formula puts it."""
    made, picture, case = shown
    show_only(picture, parts.LANDMARKS)
    pixels = made.pixels(THREE_D).astype(int)
    show_only(picture, *picture.parts)
    green = (pixels[..., 1] - pixels[..., 0] > 60) & (pixels[..., 1] > 120)
    wanted = FRONT.project(case.anatomy.landmarks["asis_left"].lps_mm, *SIZE)
    rows, columns = np.nonzero(green)
    near = np.hypot(columns - wanted[0], rows - wanted[1]) < 6
    assert near.sum() >= 3
    assert columns[near].mean() == pytest.approx(wanted[0], abs=1.5)
    assert rows[near].mean() == pytest.approx(wanted[1], abs=1.5)


def test_pictures_are_written_as_files(shown, tmp_path):
    from PIL import Image

    made, _, _ = shown
    made.write_png(THREE_D, tmp_path / "view.png")
    np.testing.assert_array_equal(np.asarray(Image.open(tmp_path / "view.png"))[..., :3], made.pixels(THREE_D))


def test_a_machine_that_cannot_draw_is_one_line_with_what_to_install(monkeypatch):
    crash = "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)" if sys.platform != "win32" else "exit(3)"
    real = scene_process.subprocess.Popen
    monkeypatch.setattr(
        scene_process.subprocess, "Popen", lambda _, **more: real([sys.executable, "-c", crash], **more)
    )
    with pytest.raises(InputError) as raised:
        Stage(SIZE)
    assert raised.value.code == "no-opengl"
    assert "libegl1 libgl1 libgl1-mesa-dri" in str(raised.value)
    assert "\n" not in str(raised.value)
    assert stage.PACKAGES in str(raised.value)
