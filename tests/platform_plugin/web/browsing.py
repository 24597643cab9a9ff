"""A viewer in a process of its own and a browser on its page, for tests, measurements and pictures."""

import contextlib
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
LONG_S = 180.0
"""Waits end as soon as what is waited for is there; this is for machines that are busy."""


@contextlib.contextmanager
def viewer_of(*arguments):
    """Run ``cotyle view``; gives the process and the link that it printed."""
    paths = os.pathsep.join([str(ROOT / "core"), str(ROOT / "platform_plugin"), os.environ.get("PYTHONPATH", "")])
    process = subprocess.Popen(
        [sys.executable, "-m", "cotyle.cli.main", "view", *map(str, arguments), "--no-browser"],
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
                yield process, line.strip()
                return
        raise AssertionError("the viewer did not start: " + "".join(said))
    finally:
        process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(30)
        if process.poll() is None:
            process.kill()
        process.stderr.close()


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


class PlanPage:
    """The planning page as a hand and an eye have it."""

    def __init__(self, page, link):
        self.page = page
        self.faults = []
        page.on("pageerror", lambda error: self.faults.append(str(error)))
        page.on("console", lambda line: line.type == "error" and self.faults.append(line.text))
        page.set_default_timeout(1000 * LONG_S)
        page.goto(link)
        page.wait_for_selector(".ct-page")
        self.settle()

    def settle(self):
        """Wait until nothing is being computed any more."""
        self.page.wait_for_function("() => window.trame.state.get('page_stale') === false")

    def figure(self, name):
        return self.page.inner_text(f"[data-figure='{name}'] [data-value]")

    def number(self, name):
        return float(self.page.input_value(f"[data-name={name}]"))

    def slider(self, name):
        return float(self.page.input_value(f"[data-slide={name}]"))

    def until(self, claim):
        """Wait until a claim about the page holds."""
        ends = time.monotonic() + LONG_S
        while not claim():
            assert time.monotonic() < ends, "this never came about on the page"
            time.sleep(0.05)

    def press(self, where, key):
        self.page.focus(where)
        self.page.keyboard.press(key)

    def type_number(self, name, value):
        self.page.fill(f"[data-name={name}]", str(value))
        self.page.keyboard.press("Enter")

    def act(self, name):
        self.page.click(f"[data-name={name}]")

    def view(self, index):
        """Return the place of one of the four views: x, y, width, height."""
        box = self.page.locator(".ct-view").nth(index).bounding_box()
        return box["x"], box["y"], box["width"], box["height"]

    def drag(self, x, y, right, down, steps=6):
        mouse = self.page.mouse
        mouse.move(x, y)
        mouse.down()
        for step in range(1, steps + 1):
            mouse.move(x + right * step / steps, y + down * step / steps)
            time.sleep(0.05)
        mouse.up()
