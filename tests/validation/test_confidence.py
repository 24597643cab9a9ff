"""What counts as false confidence, and how stated deviations are held against true errors."""

from cotyle.anatomy.findings import Concern, Finding
from cotyle.space.side import Side

from tests.validation.bars import Bar
from tests.validation.confidence import calibration, falsely_confident
from tests.validation.errors_of import Error, Stated

BARS = (Bar("center", "centre", "mm", 1.0, 2.5), Bar("dice", "Dice", "", 0.96, 0.93, higher_is_better=True))


def test_a_grave_error_needs_a_warning_of_its_own_side_and_kind():
    grave = Error("center", "x left", 5.1, Side.LEFT)
    warned = Finding("a", "the centre is doubtful", concerns=(Concern.CENTER,), side=Side.LEFT)
    other_side = Finding("b", "the centre is doubtful", concerns=(Concern.CENTER,), side=Side.RIGHT)
    other_kind = Finding("c", "the wall is doubtful", concerns=(Concern.WALL,), side=Side.LEFT)

    assert falsely_confident([grave], [warned], BARS) == []
    assert falsely_confident([grave], [other_side, other_kind], BARS) == [grave]


def test_an_error_within_twice_the_bar_needs_none_and_nan_always_does():
    assert falsely_confident([Error("center", "x", 4.9)], [], BARS) == []
    assert falsely_confident([Error("dice", "x", 0.87)], [], BARS) == []
    assert len(falsely_confident([Error("dice", "x", 0.85), Error("center", "y", float("nan"))], [], BARS)) == 2


def test_the_share_held_is_that_of_errors_within_two_deviations():
    stated = [Stated("tilt", "x", error, 0.5) for error in (0.0, -0.9, 0.97, 1.0)]
    found = calibration(stated)[0]

    assert (found.count, found.share) == (4, 0.75)
    assert found.median_error == (0.9 + 0.97) / 2
