"""Findings are found by the result that they touch."""

from cotyle.anatomy.findings import Concern, Finding, concerning
from cotyle.space.side import Side


def test_a_finding_of_one_side_is_silent_about_the_other_and_one_of_none_speaks_for_both():
    left = Finding("a", "the left socket is worn", concerns=(Concern.CENTER,), side=Side.LEFT)
    both = Finding("b", "the plane is doubtful", concerns=(Concern.FRAME, Concern.CENTER))

    assert concerning([left, both], Concern.CENTER, Side.RIGHT) == [both]
    assert concerning([left, both], Concern.CENTER, Side.LEFT) == [left, both]
    assert concerning([left, both], Concern.WALL) == []
