"""The whole way in a real browser: look, set the cup in every way, undo, report, open again."""

import json
import shutil

import pytest

pytest.importorskip("playwright", reason="no library that drives a browser")

from tests.platform_plugin.web.browsing import CHROMIUM, PlanPage, browser, viewer_of

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine; the README's line installs it"),
]

SMALL, LARGE = {"width": 1366, "height": 768}, {"width": 3840, "height": 2160}


def test_a_cup_is_planned_by_hand_from_the_first_look_to_the_report(own_case, tmp_path, command):
    other = tmp_path / "other"
    shutil.copytree(own_case, other)
    with browser() as chromium:
        with viewer_of(own_case) as (_, link):
            page = PlanPage(chromium.new_page(viewport=SMALL), link)
            plan = _plan_by_hand(page)
            assert page.faults == []
        with viewer_of(own_case) as (_, link):
            again = PlanPage(chromium.new_page(viewport=SMALL), link)
            assert {name: again.number(name) for name in ("inclination", "anteversion", "diameter")} == plan
    code, out, err = command("measure", other, "--inclination", plan["inclination"], "--no-pdf", "--json")
    assert code == 0, err
    shown = json.loads((own_case / "measurements.json").read_text(encoding="utf-8"))
    measured = json.loads(out)
    measured.pop("timings_s")
    assert shown == measured
    assert (own_case / "report.pdf").read_bytes().startswith(b"%PDF")


def _plan_by_hand(page):
    """Set the cup in every way, take all back, set it again and write the report; return what was set."""
    first = {name: page.number(name) for name in ("inclination", "anteversion", "diameter", "depth", "medial")}

    page.press("[data-slide=inclination]", "ArrowRight")
    page.until(lambda: page.figure("Inclination") == f"{first['inclination'] + 0.5:.1f}")
    assert page.number("inclination") == page.slider("inclination") == first["inclination"] + 0.5

    page.type_number("anteversion", 21.25)
    page.until(lambda: page.figure("Anteversion") in ("21.2", "21.3"))
    assert page.number("anteversion") == 21.25
    wanted = first["diameter"] + 2
    page.type_number("diameter", wanted)
    page.until(lambda: page.number("diameter") == page.slider("diameter") == wanted)

    depth = page.number("depth")
    page.press(".ct-bone", "PageDown")  # 0.5 mm into the bone
    page.until(lambda: page.number("depth") == pytest.approx(depth + 0.5, abs=0.011))

    _drag_the_cup(page)
    page.settle()

    page.page.select_option("[data-name=frame]", "app")
    page.until(lambda: "app frame" in page.page.inner_text("[data-figure=Inclination]"))
    page.page.select_option("[data-name=frame]", "supine")
    page.page.select_option("[data-name=planes]", "scanner")
    page.until(lambda: "transverse" in page.page.inner_text(".ct-views"))

    page.type_number("tilt", -12)  # the axis in the pelvis stays, its angles in the standing frame change
    page.until(lambda: page.number("tilt") == -12)
    assert page.number("anteversion") == 21.25

    while page.page.is_enabled("[data-name=undo]"):
        before = page.page.evaluate("window.trame.state.get('cup_values')")
        page.act("undo")
        page.until(lambda: page.page.evaluate("window.trame.state.get('cup_values')") != before)  # noqa: B023
    assert {name: page.number(name) for name in first} == first

    page.type_number("inclination", 42.5)
    page.until(lambda: page.figure("Inclination") == "42.5")
    page.settle()
    page.act("report")
    page.page.wait_for_function("() => window.trame.state.get('page_saved').startsWith('Saved')")
    return {"inclination": 42.5, "anteversion": first["anteversion"], "diameter": first["diameter"]}


def _drag_the_cup(page):
    """Drag the cup's middle in the plane of its rim to the right: on a right hip, seen from outside, forwards."""
    before = page.number("anterior")
    x, y, width, height = page.view(2)
    page.drag(x + width / 2, y + height / 2, 15, 0)
    page.until(lambda: page.number("anterior") > before + 3)


def test_the_page_fits_both_a_small_laptop_and_a_large_screen(viewed_case):
    with browser() as chromium, viewer_of(viewed_case) as (_, link):
        for size in (SMALL, LARGE):
            page = PlanPage(chromium.new_page(viewport=size), link)
            for place in (".ct-figures", ".ct-cup", ".ct-views", ".ct-screen", ".ct-track", ".ct-field", ".ct-foot"):
                box = page.page.locator(place).bounding_box()
                assert box["x"] >= 0, place
                assert box["x"] + box["width"] <= size["width"], place
                assert box["y"] + box["height"] <= size["height"] + 1, place
            assert "not a medical device" in page.page.inner_text(".ct-foot")
            page.page.close()


def test_the_page_can_be_walked_through_by_keyboard(viewed_case):
    with browser() as chromium, viewer_of(viewed_case) as (_, link):
        page = PlanPage(chromium.new_page(viewport=SMALL), link)
        reached, named = [], []
        for _ in range(40):
            page.page.keyboard.press("Tab")
            reached.append(
                page.page.evaluate("document.activeElement.dataset.slide || document.activeElement.className")
            )
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


def test_a_killed_viewer_is_said_on_the_page_and_loses_nothing(own_case):
    with browser() as chromium:
        with viewer_of(own_case) as (process, link):
            page = PlanPage(chromium.new_page(viewport=SMALL), link)
            page.type_number("inclination", 44)
            page.until(lambda: page.figure("Inclination") == "44.0")
            page.until(lambda: drafted(own_case) == 44.0)
            process.kill()
            page.page.wait_for_selector("#ct-lost")
            assert "does not answer" in page.page.inner_text("#ct-lost")
        with viewer_of(own_case) as (_, link):
            page = PlanPage(chromium.new_page(viewport=SMALL), link)
            page.act("take-draft")
            page.until(lambda: page.figure("Inclination") == "44.0")


def drafted(case):
    """Return the inclination that a case's draft holds, None where there is none."""
    draft = case / "draft.json"
    return (
        json.loads(draft.read_text(encoding="utf-8"))["cup"]["orientation"]["inclination_deg"]
        if draft.is_file()
        else None
    )


def test_a_second_viewer_of_the_same_case_is_refused_in_one_line(own_case, command):
    with viewer_of(own_case):
        code, _, err = command("view", own_case, "--no-browser")
    assert code == 2
    assert err.count("\n") == 1
    assert "[case-open]" in err


def test_the_page_asks_for_nothing_outside_this_machine(viewed_case):
    with browser() as chromium, viewer_of(viewed_case) as (_, link):
        asked = []
        page = chromium.new_page(viewport=SMALL)
        page.on("request", lambda request: asked.append(request.url))
        PlanPage(page, link)
        here = link.split("/?")[0]
        outside = [url for url in asked if not url.startswith((here, "data:", "blob:"))]
        assert outside == []
