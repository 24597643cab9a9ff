"""The start page in a real browser: from a series to a case by hand, with an eraser, a dragged landmark and undo."""

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from cotyle.case.folder import is_case

pytest.importorskip("playwright", reason="no library that drives a browser")
pytest.importorskip("trame_slicer", reason="the viewer's packages are not installed")

from tests.platform_plugin.web.browsing import CHROMIUM, LONG_S, ROOT, browser

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine; the README's line installs it"),
]
SIZE = {"width": 1366, "height": 768}


@contextlib.contextmanager
def started(series, case):
    paths = os.pathsep.join([str(ROOT), str(ROOT / "core"), str(ROOT / "platform_plugin")])
    process = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("quick_start.py")), str(series), str(case)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": paths},
    )
    try:
        said = []
        for line in process.stderr:
            said.append(line)
            if line.startswith("http://"):
                break
        else:
            raise AssertionError("the page did not start: " + "".join(said))
        yield process, line.strip()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        process.stderr.close()


class StartPage:
    def __init__(self, page, link):
        self.page = page
        self.faults = []
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.set_default_timeout(1000 * LONG_S)
        page.goto(link)
        page.wait_for_selector(".st-page")

    def state(self, name):
        return self.page.evaluate(f"window.trame.state.get('{name}')")

    def until(self, claim):
        self.page.wait_for_function(f"() => {{ const s = (name) => window.trame.state.get(name); return {claim} }}")

    def act(self, name):
        self.page.click(f"[data-name='{name}']")

    def drag(self, view, from_middle, way):
        """Drag in a view, from a place told from its middle, in pixels."""
        box = self.page.locator(".ct-view").nth(view).bounding_box()
        x = box["x"] + box["width"] / 2 + from_middle[0]
        y = box["y"] + box["height"] / 2 + from_middle[1]
        mouse = self.page.mouse
        mouse.move(x, y)
        self.page.wait_for_timeout(800)  # the platform lets a point be gripped once the pointer was seen over it
        mouse.down()
        for share in range(1, 11):
            mouse.move(x + way[0] * share / 10, y + way[1] * share / 10)
            self.page.wait_for_timeout(40)
        mouse.up()


def test_a_case_is_made_from_a_series_by_hand(planned_case, tmp_path):
    out = tmp_path / "made-by-hand"
    with browser() as chromium, started(planned_case.series, planned_case.folder) as (process, link):
        page = StartPage(chromium.new_page(viewport=SIZE), link)
        assert "not a medical device" in page.page.inner_text(".ct-foot")
        page.act("series-1")
        page.until("s('start_step') == 'side' && s('start_busy') == ''")
        page.act("side-right")
        page.act("find")
        page.until("s('start_found') && s('start_busy') == ''")
        _correct_a_bone(page)
        page.act("bones-right")
        page.until("s('start_step') == 'landmarks' && s('start_busy') == ''")
        moved = _review_landmarks(page)
        page.act("marks-right")
        page.until("s('start_step') == 'plan' && s('start_busy') == ''")
        assert len(page.state("start_frames")) == 3
        page.page.fill("[data-name=folder]", str(out))
        page.act("write")
        page.until("s('start_ready')")
        assert page.faults == []
        told, _ = process.communicate(timeout=LONG_S)
    assert "made-by-hand" in told
    assert is_case(out)
    given = json.loads((out / "plan.json").read_text(encoding="utf-8"))["given"]
    assert set(given["landmarks"]) == {moved}
    assert given["labels"] == []


def _correct_a_bone(page):
    """Rub something out of the sacrum, and take it back: the bones are then those that were found."""
    page.act("bone-sacrum")
    page.act("tool-eraser")
    page.drag(2, (40, -40), (30, 10))
    page.act("stroke-back")
    page.act("tool-none")


def _review_landmarks(page):
    """Agree to the first, drag the second, undo that, drag it again; returns its name."""
    first = page.state("start_mark")
    page.act("mark-right")
    page.until(f"s('start_mark') != '{first}'")
    second = page.state("start_mark")
    mark = f"s('start_marks').find((each) => each.name == '{second}')"
    page.page.wait_for_timeout(1500)
    page.drag(0, (0, 0), (-12, 0))
    page.until(f"{mark}.given")
    page.act("marks-undo")
    page.until(f"!{mark}.given")
    page.page.wait_for_timeout(1500)
    page.drag(0, (0, 0), (-6, 0))
    page.until(f"{mark}.given")
    page.act("mark-to-bone")
    return second
