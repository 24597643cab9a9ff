"""A grid against distortion and the part of a file that is the picture, as the page gives them to the pictures."""

import asyncio
import io
import threading

import numpy as np
import pytest
from cotyle.case.distortion_file import distortion_file, read_distortion
from cotyle.case.picture_reading import Clicked, read_picture
from cotyle.xray.display import Polarity
from cotyle.xray.pictures.picture_file import Told
from cotyle.xray.views import ViewName
from cotyle_platform.web.panels.picture_tray import picture_of_view
from PIL import Image

from tests.platform_plugin.web.panels.sent_pictures import NAME, answer_all, png, send
from tests.xray.pictures.makers import body, shown
from tests.xray.pictures.test_distortion import CENTER, SIZE, bend, dots_in_view, grid_picture


@pytest.fixture(scope="module")
def grid():
    values = grid_picture(dots_in_view()[1])
    buffer = io.BytesIO()
    Image.fromarray((65535 * (values - values.min()) / np.ptp(values)).astype(np.uint16)).save(buffer, format="png")
    return buffer.getvalue()


def give_grid(desk, content, name=NAME):
    send(desk, content, name, "real_picture_grid_file")


def hip():
    return png(shown(body(SIZE)))


def told():
    return Told(polarity=Polarity.BONE_DARK, patient_orientation=("L", "F"))


def test_a_picture_is_straightened_as_the_command_line_straightens_it(desk, real, grid, tmp_path):
    send(desk, hip())
    answer_all(real)
    desk.set(real_picture_view="ap_hip")
    bent = desk.state.real_picture["real"]
    give_grid(desk, grid)
    assert desk.state.real_picture_message == ""
    assert "px apart" in desk.state.real_picture_grid
    assert desk.state.real_picture["real"] != bent
    assert any("straightened by a grid" in doubt for doubt in desk.state.real_picture["doubts"])
    (tmp_path / "hip.png").write_bytes(hip())
    (tmp_path / "grid.png").write_bytes(grid)
    known = read_distortion(tmp_path / "grid.png")
    same = read_picture(tmp_path / "hip.png", ViewName.AP_HIP, told(), Clicked(), distortion=known)
    np.testing.assert_array_equal(picture_of_view(real._slot).radiograph.attenuation, same.radiograph.attenuation)
    real.server.controller.trigger_fn("real_picture_no_grid")()
    assert desk.state.real_picture_grid == ""
    assert desk.state.real_picture["real"] == bent


def test_a_file_of_a_grid_does_as_well_as_its_picture_and_later_pictures_are_straightened_too(
    desk,
    real,
    grid,
    tmp_path,
):
    (tmp_path / "grid.png").write_bytes(grid)
    send(desk, hip())
    give_grid(desk, distortion_file(read_distortion(tmp_path / "grid.png")).to_json().encode(), "grid.json")
    words = desk.state.real_picture_grid
    give_grid(desk, grid)
    assert desk.state.real_picture_grid == words
    send(desk, hip())
    answer_all(real)
    assert any("straightened by a grid" in doubt for doubt in desk.state.real_picture["doubts"])


def test_a_clicked_point_stays_on_the_same_place_of_the_file_when_a_grid_comes_and_goes(desk, real, grid):
    truth = CENTER + [100.0, -80.0]
    send(desk, hip())
    answer_all(real)
    place = tuple(bend(truth))
    real.point("teardrop_left", *place)
    give_grid(desk, grid)
    ((column, row),) = desk.state.real_picture_points["teardrop_left"]
    # a grid tells neither turn nor scale, but the centre stays: nearer to the truth than the bent place
    assert np.linalg.norm([column, row] - truth) < np.linalg.norm(place - truth)
    desk.set(real_picture_view="ap_hip")
    np.testing.assert_allclose(picture_of_view(real._slot).clicked_px["teardrop_left"], (column, row), atol=1e-6)
    real.point("symphysis", column, row)
    real.server.controller.trigger_fn("real_picture_no_grid")()
    for name in ("teardrop_left", "symphysis"):
        np.testing.assert_allclose(desk.state.real_picture_points[name][0], place, atol=1e-3)


def test_what_a_grid_cannot_straighten_is_refused_in_one_line_and_all_stays(desk, real, grid):
    send(desk, png())
    before = desk.state.real_picture, desk.state.real_picture_tabs
    give_grid(desk, grid)
    assert desk.state.real_picture_message.startswith(
        "the grid was taken at 512 x 512 pixels, the picture has 256 x 256"
    )
    give_grid(desk, hip())
    assert desk.state.real_picture_message
    give_grid(desk, b"{", "grid.json")
    assert "not valid JSON" in desk.state.real_picture_message
    assert "\n" not in desk.state.real_picture_message
    assert (desk.state.real_picture, desk.state.real_picture_tabs) == before
    assert desk.state.real_picture_grid == ""
    real.take_away()
    send(desk, hip())
    answer_all(real)
    real.point("symphysis", 2.0, 2.0)
    give_grid(desk, grid)
    assert desk.state.real_picture_message.startswith("the symphysis lies beyond the dots of the grid")


def test_a_grid_is_read_beside_the_event_loop_and_answers_that_come_meanwhile_are_taken(
    desk,
    real,
    grid,
    monkeypatch,
):
    threads = []
    monkeypatch.setattr(
        "cotyle_platform.web.panels.picture_tray.read_distortion",
        lambda path: threads.append(threading.current_thread()) or read_distortion(path),
    )
    send(desk, hip())

    async def give():
        give_grid(desk, grid)
        assert desk.state.real_picture_reading
        answer_all(real)
        while real._tasks:
            await asyncio.gather(*real._tasks)

    asyncio.run(give())
    assert threads == [thread for thread in threads if thread is not threading.main_thread()] != []
    assert desk.state.real_picture_grid
    assert desk.state.real_picture_answers["tube"] == "under_table"
    assert not desk.state.real_picture_reading
    assert any("straightened by a grid" in doubt for doubt in desk.state.real_picture["doubts"])


def test_the_part_that_is_the_picture_is_typed_or_drawn_and_what_lies_beside_it_is_not_used(desk, real):
    send(desk, png())
    real.answer("region", "20,30,200")
    assert desk.state.real_picture_message.startswith("the part of the picture must be four whole numbers with commas")
    real.answer("region", "20,30,400,100")
    assert "does not lie within the picture of 256 x 256 pixels" in desk.state.real_picture_message
    answer_all(real, patient_orientation="R/F", region="20,30,200,100")
    desk.set(real_picture_view="ap_hip")
    columns = desk.state.real_picture["columns"]
    usable = picture_of_view(real._slot).radiograph.usable
    across, down = np.flatnonzero(usable.any(axis=0)), np.flatnonzero(usable.any(axis=1))
    # mirrored on the page; within the part and no narrower than its middle half
    assert columns - 220 <= across.min() < columns - 170 < columns - 70 < across.max() < columns - 20
    assert 30 <= down.min() < 55 < 105 < down.max() < 130
    real.point("corners", columns - 1 - 40.0, 50.0)
    assert desk.state.real_picture_answers["region"] == "20,30,200,100"
    real.point("corners", columns - 1 - 199.0, 179.0)
    assert desk.state.real_picture_answers["region"] == "40,50,160,130"
    assert desk.state.real_picture_points == {}
    real.answer("region", "")
    assert "region" not in desk.state.real_picture_answers
