"""Limits that leave no room and pins outside them are said in one line."""

import numpy as np
import pytest
from cotyle.cup.options.choice import choose
from cotyle.cup.options.limits import Limits, Pins, search_room
from cotyle.cup.options.search import surveyed
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import Zone
from cotyle.errors import InputError
from cotyle.space.side import Side
from cup_solids import box, socket_block
from option_problem import USUAL_ZONE, measuring, question_of

STRAIGHT = Zone((90.0, 90.0), (0.0, 0.0), Definition.RADIOGRAPHIC)


def room(limits=None, pins=None, wanted=(0.0, 0.0, 0.0), zone=USUAL_ZONE):
    return search_room(50.0, np.array(wanted), zone, limits or Limits(), pins or Pins())


def test_a_cup_stays_the_margin_within_the_zone_and_below_the_largest_rise_and_size():
    found = room(Limits(largest_rise_mm=8.0, largest_size_mm=55.0), wanted=(0.0, 3.0, 0.0))
    assert found.high[1] == 11.0
    assert found.high[3] == 54.0
    assert (found.low[4], found.high[4], found.low[5], found.high[5]) == (35.0, 45.0, 12.5, 22.5)


def test_a_pinned_variable_has_one_value():
    found = room(pins=Pins(outer_diameter_mm=53.0, medial_mm=4.0))
    assert found.values(3, 2.0).tolist() == [53.0]
    assert found.values(0, 3.0).tolist() == [4.0]


def test_no_cup_is_smaller_than_the_smallest_that_was_asked_for():
    """Usual for a socket of 50 mm is 52."""
    assert room(Limits(smallest_size_mm=53.0)).low[3] == 54.0
    found = room(Limits(smallest_size_mm=64.0))
    assert (found.low[3], found.high[3]) == (64.0, 64.0)
    with pytest.raises(InputError, match="no even size lies within 53 to 53 mm"):
        room(Limits(smallest_size_mm=53.0, largest_size_mm=53.0))
    assert room(Limits(smallest_size_mm=53.0, largest_size_mm=53.0), Pins(outer_diameter_mm=53.0)).low[3] == 53.0


@pytest.mark.parametrize(
    ("pins", "limits", "words"),
    [
        (Pins(superior_mm=20.0), Limits(largest_rise_mm=15.0), "rise of 20 lies outside"),
        (Pins(outer_diameter_mm=60.0), Limits(largest_size_mm=56.0), "size of 60 lies outside"),
        (Pins(outer_diameter_mm=50.0), Limits(smallest_size_mm=54.0), "size of 50 lies outside 54 to 60"),
        (Pins(inclination_deg=55.0), Limits(), "inclination of 55 lies outside 30 to 50"),
        (Pins(anteversion_deg=5.0), Limits(), "anteversion of 5 lies outside 7.5 to 27.5"),
    ],
)
def test_a_pin_outside_the_limits_is_named_with_them(pins, limits, words):
    with pytest.raises(InputError, match="option-pin") as caught:
        room(limits, pins)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "wrong",
    [
        {"least_wall_mm": -1.0},
        {"largest_rise_mm": float("nan")},
        {"largest_size_mm": 90.0},
        {"least_cover": 1.2},
        {"smallest_size_mm": 60.0, "largest_size_mm": 50.0},
    ],
)
def test_limits_that_no_hip_has_are_refused(wrong):
    with pytest.raises(InputError, match="option-limits"):
        Limits(**wrong)


def no_room(bone, limits, pins=None, zone=STRAIGHT):
    question = question_of(bone, Side.LEFT, (0, 0, 0), 50.0, limits, pins, zone)
    with pytest.raises(InputError, match="option-no-room") as caught:
        surveyed(question)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_cover_that_cannot_be_had_is_the_limit_that_binds():
    """A cup at the centre of a flat mouth, 40 / 17.5, is covered by (90 + OI) / 180 = 0.71 at most (lune)."""
    pins = Pins(medial_mm=0.0, superior_mm=0.0, anterior_mm=0.0)
    bone = box((-70, -70, -70), (0, 70, 70), cell_mm=10.0)
    text = no_room(bone, Limits(least_cover=0.9), pins, Zone((40.0, 40.0), (17.5, 17.5), Definition.RADIOGRAPHIC))
    assert "least cover of 90 % binds, 71 % can be had" in text
    assert "medial, superior, anterior pinned" in text


def test_a_wall_that_cannot_be_kept_is_the_limit_that_binds():
    """Block of 30 mm, cup pinned at its mouth: a reamer of 24.5 mm leaves 5.5 mm."""
    pins = Pins(medial_mm=0.0, superior_mm=0.0, anterior_mm=0.0, outer_diameter_mm=50.0)
    bone = box((-30, -70, -70), (20, 70, 70), cell_mm=10.0)
    text = no_room(bone, Limits(least_wall_mm=8.0), pins)
    assert "least wall of 8 mm binds, 5.5 mm can be had" in text


def test_a_size_too_small_for_the_socket_is_the_limit_that_binds():
    """A cup of 46 mm in a socket of 51 touches no bone where it is pinned; one of 52 does."""
    pins = Pins(medial_mm=0.0, superior_mm=0.0, anterior_mm=0.0)
    text = no_room(socket_block(25.5, 60.0), Limits(largest_size_mm=46.0), pins)
    assert "largest size of 46 mm binds, 52 mm would do" in text


def test_what_must_give_way_together_is_said_together():
    """With 30 mm of bone no cup has both 20 mm of wall and 90 % of cover, and easing one does not help the other."""
    pins = Pins(medial_mm=-8.0, superior_mm=0.0, anterior_mm=0.0, outer_diameter_mm=52.0)
    bone = box((-30, -70, -70), (0, 70, 70), cell_mm=10.0)
    text = no_room(bone, Limits(least_wall_mm=20.0, least_cover=0.9), pins)
    assert "the least wall and the least cover would have to give way together" in text


def test_a_case_with_room_is_not_refused():
    bone = box((-60, -70, -70), (0, 70, 70), cell_mm=10.0)
    pins = Pins(outer_diameter_mm=52.0, superior_mm=0.0, anterior_mm=0.0)
    question = question_of(bone, Side.LEFT, (0, 0, 0), 50.0, Limits(), pins, STRAIGHT)
    assert choose(question, measuring(question, bone, 2000), with_curves=False).options
