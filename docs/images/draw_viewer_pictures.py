"""Draw the viewer's pictures from the running page: python docs/images/draw_viewer_pictures.py cotyle-demo"""

from __future__ import annotations

import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parents[1]))

from page_picture import keep_picture  # noqa: E402

from tests.platform_plugin.web.browsing import PlanPage, browser, viewer_of  # noqa: E402

SIZE = {"width": 1366, "height": 768}
REST_S = 6.0


def main() -> None:
    """Write ``viewer-page.png`` and ``viewer-light.png`` beside this file."""
    case = Path(sys.argv[1])
    with browser() as chromium, viewer_of(case) as (_, link):
        page = PlanPage(chromium.new_page(viewport=SIZE), link)
        page.page.select_option("[data-name=look]", "from-inside")
        page.page.wait_for_selector(".cotyle-picture image")
        _keep(page, "viewer-page.png")
        page.act("theme")
        page.page.select_option("[data-name=planes]", "app")
        page.type_number("inclination", 47)
        page.until(lambda: page.figure("Inclination") == "47.0")
        page.settle()
        _keep(page, "viewer-light.png")
        page.act("undo")


def _keep(page: PlanPage, name: str) -> None:
    time.sleep(REST_S)  # the last pictures of the views are on their way
    page.page.mouse.move(5, 5)
    keep_picture(page.page.screenshot(), HERE / name)


if __name__ == "__main__":
    main()
