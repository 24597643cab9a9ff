"""What of the tolerance stands in the orientation field and on the depth track."""

from dataclasses import replace

import pytest
from cotyle.cup.orientation import Definition
from cotyle.report.decision.tolerance_marks import ends_of, stop_mark

from tests.case.decision.option_stand_ins import tolerance_facts
from tests.report.test_track_content import TRACK


def test_procedures_with_too_little_wall_are_told_apart():
    ends = ends_of(tolerance_facts(), Definition.RADIOGRAPHIC, "supine")
    assert ends.kept == ((40.0, 17.5), (36.0, 12.0))
    assert ends.thin == ((45.0, 20.0),)
    assert ends.words == "dots: 3 procedures; strong: wall under 2 mm"


@pytest.mark.parametrize(("definition", "frame"), [(Definition.OPERATIVE, "supine"), (Definition.RADIOGRAPHIC, "app")])
def test_in_other_angles_than_they_were_worked_out_in_none_are_shown(definition, frame):
    assert ends_of(tolerance_facts(), definition, frame) is None


def test_the_place_to_stop_lies_before_the_last_reamers_stop():
    mark = stop_mark(TRACK, tolerance_facts(3.25).stop)
    assert mark.at_mm == pytest.approx(22.7 - 3.25)
    assert mark.words == f"stop at {22.7 - 3.25:.1f} for a picture"
    moved = replace(TRACK, bars=(*TRACK.bars[:1], replace(TRACK.bars[1], to_mm=24.7)))
    assert stop_mark(moved, tolerance_facts(3.25).stop).at_mm == pytest.approx(mark.at_mm + 2.0)


@pytest.mark.parametrize("before", [None, 0.0])
def test_where_no_stop_helps_or_none_is_needed_nothing_is_marked(before):
    assert stop_mark(TRACK, tolerance_facts(before).stop) is None
