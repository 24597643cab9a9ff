from types import SimpleNamespace

import pytest
from cotyle.cup.reaming_way import depth_on_track_mm, reamer_at, way_length_mm
from cotyle.report.track_content import live_track
from cotyle_platform.web.panels import DepthTrack

from tests.platform_plugin.web.panels.decided_stand_in import decided_on


@pytest.fixture
def track(desk):
    return DepthTrack(desk.server, desk.session)


def row(desk, kind):
    return next((each for each in desk.state.depth_track["rows"] if each["kind"] == kind), None)


def test_the_reamer_stands_at_the_end_of_its_way_until_it_is_moved(desk, track):
    assert desk.state.reaming_position == pytest.approx(way_length_mm(desk.session.numbers.steps))
    assert desk.state.depth_track_reamer["words"].endswith("at its stop")
    desk.session.move(along_axis_mm=1.5)
    assert desk.state.reaming_position == pytest.approx(way_length_mm(desk.session.numbers.steps))


def test_a_drag_moves_the_reamer_of_the_row_that_it_began_on(desk, track):
    first = desk.state.depth_track["rows"][0]
    middle = 0.5 * (first["from_mm"] + first["to_mm"])
    desk.set(depth_track_hand={"step": 0, "depth": middle, "ends": False})
    assert desk.state.depth_track_reamer["step"] == 0
    assert desk.state.depth_track_reamer["depth"] == pytest.approx(middle)
    # beside the bar it stays at the bar's end, on the same reamer
    desk.set(depth_track_hand={"step": 0, "depth": first["to_mm"] + 20, "ends": True})
    assert desk.state.depth_track_reamer["depth"] == pytest.approx(first["to_mm"])
    assert desk.state.depth_track_hand is None
    numbers = desk.session.numbers
    place = reamer_at(numbers.steps, desk.state.reaming_position)
    assert depth_on_track_mm(live_track(numbers).bars, place) == pytest.approx(first["to_mm"])


def test_the_position_may_be_moved_from_elsewhere(desk, track):
    desk.set(reaming_position=0.0)
    assert desk.state.depth_track_reamer["step"] == 0
    assert "before its stop" in desk.state.depth_track_reamer["words"]


def test_what_stands_on_the_track_is_that_of_the_plan_in_full(desk, track):
    desk.session.settle()
    shown, planned = desk.state.depth_track, desk.session.full.planned.track
    assert [each["to_mm"] for each in shown["rows"][:2]] == pytest.approx([bar.to_mm for bar in planned.bars])
    assert shown["inner"]["at_mm"] == pytest.approx(planned.inner_surface_mm)
    assert row(desk, "cup")["stop_mm"] == pytest.approx(planned.seat_mm)


def test_a_kept_plan_and_a_found_cup_get_rows_and_an_old_comparison_says_so(desk, track):
    assert row(desk, "kept") is row(desk, "found") is None
    track.desk.keep(desk.session.numbers)
    file = SimpleNamespace(cup=True, depth_left_mm=2.0, uncertainty=SimpleNamespace(depth_left_mm=0.5))
    track.desk.compared(file, desk.session.revision)
    pole = live_track(desk.session.numbers).pole_mm
    assert row(desk, "found")["stop_mm"] == pytest.approx(pole - 2.0)
    assert row(desk, "found")["old"] == ""
    seat = row(desk, "kept")["stop_mm"]
    desk.session.move(along_axis_mm=1.0)
    assert row(desk, "kept")["stop_mm"] == pytest.approx(seat)
    assert row(desk, "cup")["stop_mm"] == pytest.approx(seat + 1.0, abs=0.01)
    assert row(desk, "found")["old"] == "compared with an earlier plan"


def test_the_place_to_stop_for_a_picture_stands_before_the_last_reamers_stop(desk, track):
    assert desk.state.depth_track_stop is None
    track.desk.decide(decided_on(desk.session.plan, before_seat_mm=3.0))
    last = live_track(desk.session.numbers).bars[-1].to_mm
    assert desk.state.depth_track_stop["at"] == pytest.approx(last - 3.0)
    assert desk.state.depth_track_stop["words"] == f"stop at {last - 3.0:.1f} for a picture"
    track.desk.decide(decided_on(desk.session.plan, before_seat_mm=0.0))
    assert desk.state.depth_track_stop is None
