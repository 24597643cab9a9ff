"""Draw the start page's pictures from the running page: python docs/images/draw_start_pictures.py SERIES CASE

SERIES is the CT of the sample case CASE; its bones are taken as they were found, so that nothing is segmented anew.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from page_picture import keep_picture  # noqa: E402

from tests.platform_plugin.web.browsing import SMALL, StartPage, browser, started  # noqa: E402

REST_S = 8.0


def main() -> None:
    """Write ``start-bones.png`` and ``start-landmarks.png`` beside this file."""
    series, case = (Path(each) for each in sys.argv[1:3])
    with browser() as chromium, started(series, case) as (_, link):
        page = StartPage(chromium.new_page(viewport=SMALL), link)
        page.act("series-1")
        page.at("side")
        page.act("side-right")
        page.act("find")
        page.until(lambda: page.state("start_found") and page.state("start_busy") == "")
        _keep(page, "start-bones.png")
        page.act("bones-right")
        page.at("landmarks")
        page.act("mark-right")
        page.until(lambda: page.state("start_mark") == "asis_right")
        _keep(page, "start-landmarks.png")


def _keep(page: StartPage, name: str) -> None:
    time.sleep(REST_S)  # the last pictures of the views are on their way
    page.page.evaluate("window.trame.state.set('start_source', '')")
    keep_picture(page.page.screenshot(), HERE / name)


if __name__ == "__main__":
    main()
