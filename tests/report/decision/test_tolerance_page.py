"""The table of estimates, from the file alone."""

from pathlib import Path

import pytest
from cotyle.case.decision.tolerance import ToleranceFacts
from cotyle.report.decision.tolerance_page import tolerance_page

FILE = Path(__file__).parents[2] / "case" / "golden" / "tolerance-1.json"


@pytest.fixture(scope="module")
def facts():
    return ToleranceFacts.read(FILE)


def with_wall(facts, **changed):
    """The file with another difference of the wall along the axis."""
    held = facts.checked
    wall = held.differences["wall_along_axis_mm"].model_copy(update=changed)
    differences = {**held.differences, "wall_along_axis_mm": wall}
    return facts.model_copy(update={"checked": held.model_copy(update={"differences": differences})})


def test_a_table_says_how_far_the_estimates_were_off(facts):
    odd = with_wall(facts, usual=0.042, worst=-8.12, far_share=0.004)
    table = tolerance_page(odd).tables[-1]
    assert table.rows[0] == ("wall along the axis (mm)", "0.04", "−8.12", "less than 1 of 100")
    assert [row[0] for row in table.rows][1:] == ["least wall (mm)", "coverage (%)"]
    assert f"{facts.checked.measured} of them" in table.caption


def test_it_says_what_a_sample_misses(facts):
    """Of 33 drawn by lot none meets what 1 of 100 meets with a chance of 0.99^33 = 0.72."""
    held = facts.checked.model_copy(update={"measured": 45, "thinnest": 12})
    caption = tolerance_page(facts.model_copy(update={"checked": held})).tables[-1].caption
    assert "What only 1 of 100 procedures meets, 7 of 10 such samples miss." in caption


def test_an_older_file_without_that_comparison_has_no_such_table(facts):
    page, older = (tolerance_page(each) for each in (facts, facts.model_copy(update={"checked": None})))
    assert len(older.tables) == len(page.tables) - 1
