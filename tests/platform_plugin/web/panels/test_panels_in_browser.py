"""Screen, depth track, orientation field and two plans in a real browser, by hand and by keys."""

import numpy as np
import pytest

pytest.importorskip("playwright", reason="no library that drives a browser")

from tests.platform_plugin.web.browsing import CHROMIUM, SMALL, PlanPage, browser
from tests.platform_plugin.web.panels.sent_pictures import png
from tests.xray.pictures.makers import body, shown
from tests.xray.pictures.test_distortion import SIZE, dots_in_view, grid_picture

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine; the README's line installs it"),
]

WORDS = ".cotyle-track-foot span"


@pytest.fixture(scope="module")
def page(running_viewer):
    with browser() as chromium:
        made = PlanPage(chromium.new_page(viewport=SMALL), running_viewer[0])
        made.page.wait_for_selector(".cotyle-picture")
        yield made
        assert [fault for fault in made.faults if "405" not in fault] == []


def state(page, key):
    return page.state(key)


def row_of_track(page, number):
    """Return the middle of a reamer's row: height, and x of a share of the track's width."""
    name = page.page.locator(".cotyle-track-names span").nth(1 + number).bounding_box()
    body = page.page.locator(".cotyle-track-body").bounding_box()
    return name["y"] + name["height"] / 2, lambda depth: body["x"] + body["width"] * share(page, depth)


def share(page, depth):
    first, last = state(page, "depth_track")["extent_mm"]
    return (depth - first) / (last - first)


def test_a_drag_on_a_reamers_bar_moves_that_reamer_everywhere(page):
    first, second = state(page, "depth_track")["rows"][:2]
    for number, bar in enumerate((first, second)):
        y, x = row_of_track(page, number)
        middle = 0.5 * (bar["from_mm"] + bar["to_mm"])
        page.drag(x(bar["to_mm"]), y, x(middle) - x(bar["to_mm"]), 0)
        page.until(lambda: state(page, "depth_track_reamer")["depth"] == pytest.approx(middle, abs=0.1))  # noqa: B023
        page.until(lambda: page.page.inner_text(WORDS).startswith(bar["name"]))  # noqa: B023
    page.until(lambda: state(page, "screen")["heads"][0] == f"{second['name']} here")
    page.press(".cotyle-track-body", "End")
    page.until(lambda: page.page.inner_text(WORDS).endswith("at its stop"))


def test_a_click_in_the_field_turns_the_cup_and_every_place_says_so(page):
    field = state(page, "orientation_field")
    (low, high), (back, front) = field["inclinations"], field["anteversions"]
    box = page.page.locator(".cotyle-field-plot").bounding_box()
    x = box["x"] + box["width"] * (44.0 - low) / (high - low)
    y = box["y"] + box["height"] * (front - 21.0) / (front - back)
    page.page.mouse.click(x, y)
    page.until(lambda: abs(state(page, "orientation_field")["inclination"] - 44.0) < 0.3)
    turned = state(page, "orientation_field")
    assert turned["anteversion"] == pytest.approx(21.0, abs=0.4)
    assert page.figure("Inclination") == f"{turned['inclination']:.1f}"
    assert page.number("anteversion") == pytest.approx(turned["anteversion"])
    page.press(".cotyle-field-plot", "ArrowLeft")
    page.until(lambda: state(page, "orientation_field")["inclination"] == pytest.approx(turned["inclination"] - 0.5))
    page.act("undo")
    page.act("undo")
    page.until(lambda: state(page, "orientation_field")["inclination"] == field["inclination"])


def test_views_and_the_c_arms_controls_change_the_picture(page):
    before = state(page, "screen_picture")
    page.page.click(".cotyle-screen button:has-text('inlet')")
    page.until(lambda: state(page, "screen")["words"].startswith("inlet") and not state(page, "screen_stale"))
    inlet = state(page, "screen_picture")
    assert inlet != before
    page.page.click(".cotyle-screen button:has-text('C-arm')")
    page.press("#screen-primary", "ArrowRight")
    page.until(lambda: "1 deg left" in state(page, "screen")["words"] and state(page, "screen_picture") != inlet)
    page.page.click(".cotyle-screen button:has-text('AP pelvis')")
    page.until(lambda: state(page, "screen_primary") == 0)
    page.page.keyboard.press("Escape")


def test_two_plans_stand_side_by_side(page):
    page.page.click("button:has-text('Two plans')")
    page.page.click("text=Keep the current plan to compare")
    page.page.wait_for_selector(".cotyle-two")
    first = page.number("medial")
    page.type_number("medial", first + 1)
    row = "tr:has-text('centre from the native one, medial') .cotyle-difference"
    page.until(lambda: page.page.inner_text(row) == "+1.0")
    assert any(each["kind"] == "kept" for each in state(page, "depth_track")["rows"])
    page.act("undo")
    page.page.click("text=Forget the kept plan")
    page.page.click("button:has-text('Two plans')")


def test_a_grid_and_the_part_of_a_picture_are_given_by_hand(page, tmp_path):
    hand = page.page
    (tmp_path / "hip.png").write_bytes(png(shown(body(SIZE))))
    values = grid_picture(dots_in_view()[1])
    (tmp_path / "grid.png").write_bytes(png((65535 * (values - values.min()) / np.ptp(values)).astype(np.uint16)))
    hand.click(".cotyle-screen button:has-text('Real picture')")
    hand.set_input_files(".cotyle-load input", tmp_path / "hip.png")
    hand.click("summary:has-text('Grid against distortion')")
    hand.set_input_files("[data-name=grid-file]", tmp_path / "grid.png")
    page.until(lambda: state(page, "real_picture_grid") and not state(page, "real_picture_reading"))
    page.reads(".cotyle-drawer", "px at dots that were held back")
    hand.fill("[data-name=region]", "40,50,9000,100")
    hand.keyboard.press("Enter")
    page.until(lambda: "does not lie within the picture" in state(page, "real_picture_message"))
    page.until(lambda: hand.input_value("[data-name=region]") == "")
    hand.fill("[data-name=region]", "40,50,400,400")
    hand.keyboard.press("Enter")
    page.until(lambda: state(page, "real_picture_answers").get("region") == "40,50,400,400")
    hand.click("[data-name=no-grid]")
    page.until(lambda: state(page, "real_picture_grid") == "")
    hand.click("text=Put away")
    page.until(lambda: state(page, "real_picture") is None)
    hand.keyboard.press("Escape")


def test_a_bad_file_is_refused_in_one_line(page, tmp_path):
    hand = page.page
    hand.click(".cotyle-screen button:has-text('Real picture')")
    (tmp_path / "notes.txt").write_text("no picture")
    hand.set_input_files(".cotyle-load input", tmp_path / "notes.txt")
    hand.wait_for_selector(".cotyle-drawer [role=alert]")
    said = hand.inner_text(".cotyle-drawer [role=alert]")
    assert "no picture" in said
    assert "\n" not in said
    hand.keyboard.press("Escape")
    page.until(lambda: state(page, "screen_tab") == "" and not hand.locator(".cotyle-drawer").count())
