"""A viewer in a process of its own and a browser on its page, for tests, measurements and pictures."""

import contextlib
import itertools
import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
LONG_S = 180.0
"""Waits end as soon as what is waited for is there; this is for machines that are busy."""
VIEWS = ("Red", "Green", "Yellow", "ThreeD")
SMALL, LARGE = {"width": 1366, "height": 768}, {"width": 3840, "height": 2160}


def viewer_of(*arguments):
    """Run ``cotyle view``; gives the process and the link that it printed."""
    return _served("-m", "cotyle.cli.main", "view", *map(str, arguments), "--no-browser")


def started(series, case):
    """Run the start page on a series, with the bones of a case that was planned on it; gives process and link.

    The planning page follows at the same link once the new case is written.
    """
    return _served(str(Path(__file__).parent / "start" / "quick_start.py"), str(series), str(case))


@contextlib.contextmanager
def _served(*command):
    paths = os.pathsep.join(
        [str(ROOT), str(ROOT / "core"), str(ROOT / "platform_plugin"), os.environ.get("PYTHONPATH", "")]
    )
    process = subprocess.Popen(
        [sys.executable, *command],
        stdout=subprocess.DEVNULL,
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
            raise AssertionError("the viewer did not start: " + "".join(said))
        # what is said later must not fill the pipe
        threading.Thread(target=process.stderr.read, daemon=True).start()
        yield process, line.strip()
    finally:
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(30)
        if process.poll() is None:
            process.kill()
            process.wait()


@contextlib.contextmanager
def browser():
    """Give Chromium without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        made = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield made
        finally:
            made.close()


class Hand:
    """A page of the viewer under a hand and an eye; ``faults`` of its scripts gather."""

    def __init__(self, page, link=None):
        self.page = page
        self.faults = []
        page.set_default_timeout(1000 * LONG_S)
        if link is not None:
            page.goto(link)

    def listen(self):
        """Gather faults from now on."""
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("console", lambda line: line.type == "error" and self.faults.append(line.text))

    def state(self, name):
        """Return a value of the page's state."""
        return self.page.evaluate(f"window.trame.state.get('{name}')")

    def until(self, claim, within_s=LONG_S):
        """Wait until a claim about the page holds."""
        ends = time.monotonic() + within_s
        while not claim():
            assert time.monotonic() < ends, "this never came about on the page"
            time.sleep(0.05)

    def reads(self, where, words):
        """Wait until a place on the page holds some words; it is drawn a moment after the state says so."""
        self.until(lambda: words in self.page.inner_text(where))

    def press(self, where, key):
        self.page.wait_for_selector(where)  # what is not seen yet takes no key
        self.page.focus(where)
        self.page.keyboard.press(key)

    def act(self, name):
        self.page.click(f"[data-name='{name}']")

    def view(self, index):
        """Return the place of one of the four views: x, y, width, height."""
        box = self.page.locator(".ct-view").nth(index).bounding_box()
        return box["x"], box["y"], box["width"], box["height"]

    def middle(self, index):
        """Return the middle of a view."""
        x, y, width, height = self.view(index)
        return x + width / 2, y + height / 2

    def drag(self, x, y, right, down, steps=6):
        mouse = self.page.mouse
        mouse.move(x, y)
        mouse.down()
        for step in range(1, steps + 1):
            mouse.move(x + right * step / steps, y + down * step / steps)
            time.sleep(0.05)
        mouse.up()

    def drag_point(self, view, right, down):
        """Drag the landmark in a view's middle, once the platform shows by the pointer that it can be gripped."""
        x, y = self.middle(view)
        cursor = f"{VIEWS[view]}_active_view_cursor"
        beside = itertools.cycle((0, 1))

        def gripped():
            self.page.mouse.move(x + next(beside), y)
            time.sleep(0.2)
            return self.state(cursor) == "pointer"

        self.until(gripped)
        self.drag(x, y, right, down)


class StartPage(Hand):
    """The way from a scan to a case."""

    def __init__(self, page, link):
        super().__init__(page, link)
        self.listen()
        page.wait_for_selector(".st-page")

    def at(self, step):
        """Wait until a step is reached and nothing is being worked on."""
        self.until(lambda: self.state("start_step") == step and self.state("start_busy") == "")


class PlanPage(Hand):
    """The planning page; without a link, the one that takes another page's place."""

    def __init__(self, page, link=None):
        super().__init__(page, link)
        page.wait_for_selector(".ct-figures")
        self.listen()
        self.settle()

    def settle(self):
        """Wait until nothing is being computed any more."""
        self.page.wait_for_function("() => window.trame && window.trame.state.get('page_stale') === false")

    def figure(self, name):
        return self.page.inner_text(f"[data-figure='{name}'] [data-value]")

    def number(self, name):
        return float(self.page.input_value(f"[data-name={name}]"))

    def slider(self, name):
        return float(self.page.input_value(f"[data-slide={name}]"))

    def type_number(self, name, value):
        self.page.fill(f"[data-name={name}]", str(value))
        self.page.keyboard.press("Enter")
