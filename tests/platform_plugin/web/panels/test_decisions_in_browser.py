"""The drawer of options in a real browser: opened by key, an option taken and undone, put beside, closed by Escape."""

import shutil

import pytest

pytest.importorskip("playwright", reason="no library that drives a browser")

from cotyle.case.decision.facts import decision_path, signed
from cotyle.case.decision.questions import Questions
from cotyle.case.plan_file import PlanFile

from tests.platform_plugin.web.browsing import CHROMIUM, SMALL, PlanPage, browser
from tests.platform_plugin.web.panels.decided_stand_in import decided_on

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine; the README's line installs it"),
]


@pytest.fixture
def page(running_viewer):
    """A page of a case in which decisions stand."""
    link, case = running_viewer
    for name, facts in decided_on(PlanFile.read(case / "plan.json")).facts.items():
        signed(facts, case, Questions(), 1).write(decision_path(case, name))
    with browser() as chromium:
        made = PlanPage(chromium.new_page(viewport=SMALL), link)
        yield made
        assert [fault for fault in made.faults if "405" not in fault] == []
    shutil.rmtree(case / "decision")


def test_an_option_is_taken_undone_and_put_beside_the_plan(page):
    hand, size = page.page, page.number("diameter")
    hand.focus(".ct-bone")
    hand.keyboard.press("o")
    hand.wait_for_selector(".ct-decide table")
    page.reads("[data-option=A]", "nowhere worse than the plan")
    page.reads("[data-option=A]", "▲ +28")  # cover 90 % against 62 %
    page.reads("[data-option=P]", "is the plan")
    page.reads(".cotyle-parts", "Stop 3.0 mm before the seat")
    page.until(lambda: hand.locator(".cotyle-ends").count() == 2)
    page.until(lambda: "for a picture" in hand.inner_html(".cotyle-track"))

    page.act("take-A")
    page.until(lambda: page.number("diameter") == size + 2)
    page.settle()
    page.until(lambda: page.state("decide_now") == "A")
    page.reads(".cotyle-parts", "worked out on P")
    page.until(lambda: hand.locator(".cotyle-ends").count() == 0)
    page.until(lambda: "for a picture" not in hand.inner_html(".cotyle-track"))

    page.act("undo")
    page.until(lambda: page.number("diameter") == size and page.state("decide_fresh"))
    page.until(lambda: not page.state("page_can_undo"))

    page.act("beside-B")
    page.until(lambda: any(row["kind"] == "kept" for row in page.state("depth_track")["rows"]))
    page.act("beside-B")
    page.until(lambda: page.state("decide_beside") == "")

    hand.keyboard.press("Escape")
    page.until(lambda: not hand.locator(".ct-decide").count())
    page.until(lambda: hand.evaluate("document.activeElement.dataset.name") == "decide")
