"""The page on posture says which way to tilt, what is assumed, and never a number that is not known."""

import pytest
from cotyle.case.decision.posture import posture_of
from cotyle.case.decision.questions import Questions
from cotyle.report.decision.posture_page import posture_page

from tests.case.decision.stand_ins import planned_cup


def page(**cup):
    return posture_page(posture_of(planned_cup(**cup), None, Questions(), 1))


@pytest.mark.parametrize(("change", "words"), [(-12.0, "12 deg towards outlet"), (9.0, "9 deg towards inlet")])
def test_the_lead_says_which_way_the_c_arm_goes(change, words):
    assert words in page(change=change, measured=True).lead
    end = "feet" if change < 0 else "head"
    assert f"towards the {end}" in page(change=change, measured=True).lead


def test_without_a_change_no_tilt_is_asked_for():
    assert "no tilt of the C-arm needed" in page().lead


def test_every_picture_says_what_it_assumes():
    assert all(each.assumes for each in page().pictures)


def test_what_is_not_known_is_said_so():
    table = page().tables[1]
    assert [row[1] for row in table.rows] == ["not known"] * 3
    assert "if so" in page().tables[0].rows[1][-1]
