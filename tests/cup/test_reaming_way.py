from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.cup.depth_track import ReamingBar
from cotyle.cup.reaming_way import depth_on_track_mm, reamer_at, way_at_depth_mm, way_length_mm, way_starts_mm
from cotyle.errors import InputError
from hypothesis import given
from hypothesis import strategies as st

MEDIAL, INWARD = np.array([-1.0, 0, 0]), np.array([-0.6, 0, 0.8])
STEPS = (step_along(47, [-4, 0, 0], MEDIAL, 3.0), step_along(49, [-5, 0, 2], INWARD, 8.0))
BARS = (ReamingBar(47, 10.0, 12.0), ReamingBar(49, 6.0, 14.0))


def test_the_way_adds_up_step_by_step():
    assert way_length_mm(STEPS) == pytest.approx(11.0)
    assert way_starts_mm(STEPS) == pytest.approx((0.0, 3.0, 11.0))


def test_each_reamer_goes_from_its_start_to_its_stop():
    assert reamer_at(STEPS, 0.0).center_lps_mm == pytest.approx([-1, 0, 0])
    assert reamer_at(STEPS, 1.5).center_lps_mm == pytest.approx([-2.5, 0, 0])
    second = reamer_at(STEPS, 7.0)
    assert (second.step, second.share) == (1, pytest.approx(0.5))
    assert second.center_lps_mm == pytest.approx([-2.6, 0, -1.2])
    assert second.rim.normal_lps == pytest.approx(-INWARD)
    assert second.rim.radius_mm == 24.5


def test_at_the_change_of_reamers_the_earlier_one_stands_at_its_stop():
    place = reamer_at(STEPS, 3.0)
    assert (place.step, place.share) == (0, 1.0)
    assert reamer_at(STEPS, 3.0 + 1e-9).step == 1


@given(st.floats(-20, 40))
def test_the_reamer_never_leaves_its_way(way):
    place = reamer_at(STEPS, way)
    assert 0.0 <= place.share <= 1.0
    step = STEPS[place.step]
    assert np.linalg.norm(place.center_lps_mm - step.start_center_lps_mm) <= step.travel_mm + 1e-9


@given(st.floats(0.001, 11.0))
def test_depth_and_way_lead_back_to_each_other(way):
    place = reamer_at(STEPS, way)
    depth = depth_on_track_mm(BARS, place)
    assert way_at_depth_mm(STEPS, BARS, place.step, depth) == pytest.approx(way, abs=1e-9)


def test_a_depth_beside_a_bar_counts_as_its_end():
    assert way_at_depth_mm(STEPS, BARS, 0, -50.0) == 0.0
    assert way_at_depth_mm(STEPS, BARS, 1, 99.0) == pytest.approx(11.0)


def test_a_step_that_only_stands_is_at_its_stop():
    still = (step_along(49, [0, 0, 0], MEDIAL),)
    assert reamer_at(still, 0.0).share == 1.0


@pytest.mark.parametrize(("steps", "way", "code"), [((), 0.0, "cavity-empty"), (STEPS, float("nan"), "not-finite")])
def test_no_step_and_no_number_are_refused(steps, way, code):
    with pytest.raises(InputError, match=code):
        reamer_at(steps, way)
