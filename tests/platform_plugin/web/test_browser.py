"""The planning page in a real browser: it fits, it is walked through by keyboard, looking at it changes nothing."""

import time

import pytest

pytest.importorskip("playwright", reason="no library that drives a browser")

from tests.platform_plugin.web.browsing import CHROMIUM, LARGE, SMALL, PlanPage, browser

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine; the README's line installs it"),
]
DRAFT_WITHIN_S = 2.5
"""A changed plan is drafted a second after the change."""


@pytest.fixture
def open_page(running_viewer):
    """Opens the planning page at a size."""
    with browser() as chromium:
        yield lambda size=SMALL: PlanPage(chromium.new_page(viewport=size), running_viewer[0])


def test_the_page_fits_both_a_small_laptop_and_a_large_screen(open_page):
    for size in (SMALL, LARGE):
        page = open_page(size)
        for place in (".ct-figures", ".ct-cup", ".ct-views", ".ct-screen", ".ct-track", ".ct-field", ".ct-foot"):
            box = page.page.locator(place).bounding_box()
            assert box["x"] >= 0, place
            assert box["x"] + box["width"] <= size["width"], place
            assert box["y"] + box["height"] <= size["height"] + 1, place
        assert "not a medical device" in page.page.inner_text(".ct-foot")
        page.page.close()


def test_the_page_can_be_walked_through_by_keyboard(open_page):
    page = open_page()
    reached, named = [], []
    for _ in range(48):
        page.page.keyboard.press("Tab")
        reached.append(page.page.evaluate("document.activeElement.dataset.slide || document.activeElement.className"))
        named.append(
            page.page.evaluate(
                "(() => { const at = document.activeElement; return !!(at.labels && at.labels.length) ||"
                " !!at.getAttribute('aria-label') || !!at.innerText; })()"
            )
        )
        outline = page.page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none", reached[-1]
    assert {"inclination", "anteversion", "diameter", "depth", "tilt", "ct-bone"} <= set(reached)
    assert all(named), [each for each, ok in zip(reached, named, strict=True) if not ok]


def test_looking_changes_no_plan(open_page, running_viewer):
    """Opening, pointing, turning through slices, looks, views, planes, landmarks: no step of undo and no draft."""
    _, case = running_viewer
    before = (case / "plan.json").read_bytes()
    page = open_page()
    hand, first = page.page, page.state("cup_values")
    for view in range(4):
        x, y, width, height = page.view(view)
        for share in (0.2, 0.5, 0.5, 0.8):
            hand.mouse.move(x + share * width, y + share * height)
            time.sleep(0.1)
        hand.mouse.click(x + 0.9 * width, y + 0.3 * height)
        hand.mouse.wheel(0, 240)
    for planes in ("app", "supine", "scanner", "cup"):
        hand.select_option("[data-name=planes]", planes)
    hand.select_option("[data-name=look]", "into-the-socket")
    hand.select_option("[data-name=frame]", "app")
    hand.select_option("[data-name=frame]", "supine")
    hand.click(".cotyle-screen button:has-text('outlet')")
    hand.click(".cotyle-screen button:has-text('AP pelvis')")
    page.press(".cotyle-track-body", "Home")
    page.press(".cotyle-track-body", "End")
    page.act("marks")
    page.act("mark-asis_right")
    page.drag_point(0, 0, 0)  # gripped and let go where it is
    page.act("marks-close")
    time.sleep(DRAFT_WITHIN_S)
    page.settle()
    assert page.state("cup_values") == first
    assert not page.state("page_can_undo")
    assert not any(each["given"] for each in page.state("marks"))
    assert not (case / "draft.json").exists()
    assert (case / "plan.json").read_bytes() == before


def test_a_landmark_is_dragged_in_3d_onto_its_bone(open_page):
    page = open_page()
    page.act("marks")
    page.act("mark-asis_right")

    def given():
        return next(each["given"] for each in page.state("marks") if each["name"] == "asis_right")

    page.drag_point(3, -10, 8)
    page.until(given)
    page.settle()
    assert page.state("page_message") == ""
    page.act("undo")
    page.until(lambda: not given())
    page.act("marks-close")
    page.until(lambda: not page.state("page_can_undo"))


def test_a_landmark_that_was_not_found_is_added_by_a_click(open_page):
    """In a slice and in 3D it lands on its bone; off it, it is refused, and the next click may do."""
    page = open_page()
    page.act("marks")
    missing = page.state("marks_missing")[0]["name"]

    def row():
        return next((each for each in page.state("marks") if each["name"] == missing), None)

    x, y, width, height = (0.0, 0.0, 0.0, 0.0)
    for view, (right, down), added in ((1, (0.02, 0.05), False), (1, (0.5, 0.5), True), (3, (0.5, 0.42), True)):
        page.page.select_option("[data-name=mark-add]", missing)
        page.until(lambda: page.state("marks_adding"))
        time.sleep(1.0)  # the views are on their way there
        x, y, width, height = page.view(view)
        page.page.mouse.click(x + right * width, y + down * height)
        page.until(lambda: page.state("page_message") or row())
        assert bool(row()) == added
        if added:
            assert row()["origin"] == "placed by hand, ± 4.0 mm"
            page.until(lambda: page.state("marks_chosen") == missing)
            page.settle()
            page.drag_point(view, 0, 0)  # it stands in the middle now, and can be gripped
            page.act("undo")
            page.until(lambda: row() is None)
        else:
            assert "[landmark-off-bone]" in page.state("page_message")
    page.act("marks-close")
    page.until(lambda: not page.state("page_can_undo"))


def test_how_the_pelvis_sits_is_typed_looked_at_and_taken_back(open_page):
    page = open_page()
    page.page.fill("[data-name=seated]", "-31")
    page.page.keyboard.press("Enter")
    page.page.click("[data-name=posture-seated]")
    page.until(lambda: page.state("posture_tilt") == -31)
    page.reads(".cotyle-posture", "seated, given, in the plan")
    page.page.fill("[data-name=seated]", "sofa")
    page.page.keyboard.press("Enter")
    page.until(lambda: page.page.input_value("[data-name=seated]") == "-31")
    page.page.click("[data-name=posture-lying]")
    page.act("undo")
    page.until(lambda: page.page.input_value("[data-name=seated]") == "")
    page.until(lambda: not page.state("page_can_undo"))


def test_a_second_viewer_of_the_same_case_is_refused_in_one_line(running_viewer, command):
    code, _, err = command("view", running_viewer[1], "--no-browser")
    assert code == 2
    assert err.count("\n") == 1
    assert "[case-open]" in err


def test_the_page_asks_for_nothing_outside_this_machine(running_viewer):
    link, _ = running_viewer
    with browser() as chromium:
        asked = []
        page = chromium.new_page(viewport=SMALL)
        page.on("request", lambda request: asked.append(request.url))
        PlanPage(page, link)
    here = link.split("/?")[0]
    assert [url for url in asked if not url.startswith((here, "data:", "blob:"))] == []
