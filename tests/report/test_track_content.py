from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.cup.cavity import step_along
from cotyle.cup.depth_track import DepthTrack, ReamingBar
from cotyle.cup.reaming_way import reamer_at
from cotyle.report.track_content import DENSITY_HU, place_words, track_content
from hypothesis import given, settings
from hypothesis import strategies as st

TRACK = DepthTrack(
    origin_lps_mm=np.zeros(3),
    direction_lps=np.array([-1.0, 0, 0]),
    depth_mm=np.array([0.0, 10.0, 20.0, 30.0]),
    density_hu=np.array([-500.0, 600.0, np.nan, 2000.0]),
    bone_mm=np.array([[22.0, 37.0]]),
    center_mm=-3.8,
    pole_mm=22.7,
    seat_mm=23.2,
    floor_mm=24.1,
    inner_surface_mm=37.0,
    inner_uncertainty_mm=0.2,
    bars=(ReamingBar(51, 19.0, 21.7), ReamingBar(53, 13.9, 22.7)),
)


def test_words_carry_the_numbers_of_the_track():
    content = track_content(TRACK, 54)
    assert content.reamers[1].words == "stops at 22.7, 8.8 mm after first touch"
    assert content.names == ("51 mm reamer", "53 mm reamer")
    assert content.cup.words == "seat at 23.2 mm"
    assert content.inner.words == "inner surface at 37.0 ± 0.4 mm"
    assert content.soft.words == "1.4 mm of soft fossa"
    assert (content.left.from_mm, content.left.to_mm) == (24.1, 37.0)
    assert content.left.words == "12.9 mm of bone left"
    assert not content.breached


def test_the_density_keeps_to_its_strip_and_leaves_out_what_the_scan_does_not_hold():
    low, high = DENSITY_HU
    assert track_content(TRACK, 54).density == (
        (0.0, 0.0),
        (10.0, pytest.approx((600 - low) / (high - low))),
        (30.0, 1.0),
    )


def test_a_breach_is_said_and_shows_no_inner_surface():
    content = track_content(replace(TRACK, inner_surface_mm=None, floor_mm=None), 54)
    assert content.breached
    assert content.inner is None
    assert content.soft is None
    assert content.left.words.startswith("BREACHED")


@settings(deadline=None)
@given(st.floats(-30, 60), st.floats(0, 5))
def test_a_found_cup_stands_as_much_short_of_the_floor_as_was_measured(left, sd):
    found = SimpleNamespace(depth_left_mm=left, uncertainty=SimpleNamespace(depth_left_mm=sd))
    content = track_content(TRACK, 54, found)
    assert content.found.at_mm == pytest.approx(22.7 - left)
    assert content.found.within_mm == pytest.approx(2 * sd)
    assert content.extent_mm[0] < content.found.at_mm < content.extent_mm[1]


@settings(deadline=None)
@given(st.floats(2.0, 60.0), st.floats(-5, 20))
def test_everything_lies_within_the_extent(inner, start):
    bars = (ReamingBar(51, start, start + 4.0),)
    content = track_content(replace(TRACK, inner_surface_mm=22.7 + inner, bars=bars), 54)
    first, last = content.extent_mm
    for stretch in (*content.reamers, content.cup, content.left):
        assert first <= stretch.from_mm <= stretch.to_mm <= last


def test_each_five_millimetres_are_written_on_the_axis():
    assert track_content(TRACK, 54).ticks_mm == tuple(range(0, 46, 5))


def test_the_place_of_a_reamer_is_told_in_words():
    steps = (step_along(51, [0, 0, 0], [-1.0, 0, 0], 3.0), step_along(53, [0, 0, 0], [-1.0, 0, 0], 8.0))
    assert place_words(steps, reamer_at(steps, 5.0), 16.25) == "53 mm reamer, pole at 16.2 mm, 6.0 mm before its stop"
    assert place_words(steps, reamer_at(steps, 11.0), 22.7) == "53 mm reamer, pole at 22.7 mm, at its stop"
