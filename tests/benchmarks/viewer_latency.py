"""How soon the viewer answers a hand, beside the bare platform on the same machine in the same run.

``python tests/benchmarks/viewer_latency.py CASE [REPEATS]`` starts both one after the other, opens each in Chromium at
1366 x 768, presses keys on sliders and drags, and prints medians in milliseconds as the browser's own clock sees them.
"""

import contextlib
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

from playwright.sync_api import sync_playwright

HERE = Path(__file__).resolve().parent
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
SIZE = {"width": 1366, "height": 768}
PORT_OF_HOST = 8977
REST_S = 1.2

WATCH = """
([readout, pictures, lines]) => {
  const marks = (window.marks = { press: 0, readout: 0, lines: 0, pictures: {} });
  const now = () => performance.now();
  const pressed = () => { marks.press = now(); marks.readout = marks.lines = 0; marks.pictures = {}; };
  document.addEventListener("keydown", pressed, true);
  const text = document.querySelector(readout);
  let before = text.textContent;
  const look = () => {
    const node = document.querySelector(readout);
    if (!node || node.textContent === before) return;
    before = node.textContent;
    marks.readout = marks.readout || now();
    window.updates = (window.updates || 0) + 1;
  };
  const all = { subtree: true, characterData: true, childList: true };
  new MutationObserver(look).observe(document.body, all);
  document.querySelectorAll(pictures).forEach((image, index) => {
    const seen = () => { marks.pictures[index] = marks.pictures[index] || now(); };
    if (image.tagName === "IMG") image.addEventListener("load", seen);
    else new MutationObserver(seen).observe(image, { attributes: true, attributeFilter: ["href"] });
  });
  if (lines) new MutationObserver(() => { marks.lines = marks.lines || now(); })
    .observe(document.querySelector(lines), { subtree: true, attributes: true, attributeFilter: ["points"] });
}
"""


def main(case: Path, repeats: int) -> None:
    """Measure both and print the table."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        copy = Path(folder) / "case"
        shutil.copytree(case, copy)
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        rows = [*bare_host(browser, copy, repeats), *viewer(browser, copy, repeats)]
        browser.close()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; medians of {repeats}, greatest in brackets")
    for words, values in rows:
        shown = f"{statistics.median(values):6.0f}  [{max(values):.0f}]" if values else "     -"
        print(f"{words:58s} {shown}")


def bare_host(browser, case, repeats):
    """Return rows of the platform by itself."""
    with served([sys.executable, str(HERE / "bare_host.py"), str(case), str(PORT_OF_HOST)]):
        link = f"http://127.0.0.1:{PORT_OF_HOST}/"
        wait_for(link)
        page = opened(browser, link, ".readout")
        page.evaluate(WATCH, [".readout", "img", None])
        found = pressed(page, ".v-navigation-drawer .v-slider-thumb", repeats, 4)
        page.close()
    return [
        ("bare host: key on a slider to its text, ms", found["readout"]),
        ("bare host: key on a slider to all four pictures, ms", found["pictures"]),
    ]


def viewer(browser, case, repeats):
    """Return rows of the viewer."""
    command = [sys.executable, "-m", "cotyle.cli.main", "view", str(case), "--no-browser"]
    with served(command, subprocess.PIPE) as process:
        link = next(line for line in process.stderr if line.startswith("http")).strip()
        page = opened(browser, link, ".cotyle-picture image")
        views = ".ct-view img"
        page.evaluate(WATCH, ["[data-figure=Inclination] [data-value]", views, ".cotyle-picture .cotyle-lines"])
        cup = pressed(page, "[data-slide=inclination]", repeats, 4)
        dragged = drag(page)
        page.reload()
        page.wait_for_selector(".cotyle-picture image", timeout=60000)
        page.get_by_role("button", name="C-arm", exact=True).click()
        time.sleep(REST_S)
        page.evaluate(WATCH, ["#screen-primary", ".cotyle-picture image", None])
        carm = pressed(page, "#screen-primary", repeats, 1)
        page.close()
    return [
        ("viewer: key on a slider to new numbers, ms", cup["readout"]),
        ("viewer: key on a slider to new outlines on the screen, ms", cup["lines"]),
        ("viewer: key on a slider to all four pictures, ms", cup["pictures"]),
        ("viewer: key on the C-arm to a new simulated view, ms", carm["pictures"]),
        ("viewer: updates of the numbers in a second of a 2 s drag", [dragged[0]]),
        ("viewer: off the last place after the drag, deg", [dragged[1]]),
    ]


def pressed(page, slider, repeats, pictures):
    """Press a key on a slider again and again; return the times to text, lines and all pictures."""
    times = {"readout": [], "lines": [], "pictures": []}
    page.focus(slider)
    for number in range(repeats + 1):
        page.keyboard.press("ArrowRight")
        deadline = time.monotonic() + 5
        while time.monotonic() < deadline and len(page.evaluate("Object.keys(marks.pictures)")) < pictures:
            time.sleep(0.05)
        time.sleep(REST_S)
        marks = page.evaluate("marks")
        if number == 0:
            continue  # the first one fills caches
        for name in ("readout", "lines"):
            if marks[name]:
                times[name].append(marks[name] - marks["press"])
        if len(marks["pictures"]) >= pictures:
            times["pictures"].append(max(marks["pictures"].values()) - marks["press"])
    return times


def drag(page):
    """Drag the inclination for 2 s; return updates of the number a second, and how far off the last one is."""
    page.wait_for_function("() => window.trame.state.get('page_stale') === false")
    time.sleep(REST_S)
    box = page.locator("[data-slide=inclination]").bounding_box()
    y, left, right = box["y"] + box["height"] / 2, box["x"] + 0.4 * box["width"], box["x"] + 0.6 * box["width"]
    page.mouse.move(left, y)
    page.mouse.down()
    page.evaluate("window.updates = 0")
    started = time.monotonic()
    while (gone := time.monotonic() - started) < 2.0:
        page.mouse.move(left + (right - left) * gone / 2.0, y)
        time.sleep(0.02)
    updates = page.evaluate("window.updates")
    page.mouse.up()
    time.sleep(2 * REST_S)
    wanted = float(page.input_value("[data-slide=inclination]"))
    shown = float(page.inner_text("[data-figure=Inclination] [data-value]"))
    return updates / 2.0, abs(wanted - shown)


def opened(browser, link, ready):
    """Return a page once it shows what we wait for."""
    page = browser.new_page(viewport=SIZE)
    page.goto(link)
    page.wait_for_selector(ready, timeout=120000)
    time.sleep(4 * REST_S)
    return page


@contextlib.contextmanager
def served(command, stderr=subprocess.DEVNULL):
    """Run a server for the time of a block."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=stderr, text=True)
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()


def wait_for(link):
    """Wait until a server answers."""
    for _ in range(240):
        with contextlib.suppress(OSError), urllib.request.urlopen(link, timeout=2):
            return
        time.sleep(0.5)
    raise SystemExit(f"nothing answers at {re.sub(r'[?].*', '', link)}")


if __name__ == "__main__":
    if len(sys.argv) < 2:
        raise SystemExit(__doc__)
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 12)
