"""How far an option may be moved: in closed form on plain solids, and by brute force on a hip.

Formulas beside the tests are plain geometry; that of the flat mouth is the lune of check-values 7.
"""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.options.choice import Favours, choose
from cotyle.cup.options.figures import NAMES, OBJECTIVES, gains
from cotyle.cup.options.latitude import MOVED, STEP, latitudes
from cotyle.cup.options.limits import (
    ANTERIOR,
    ANTEVERSION,
    INCLINATION,
    MEDIAL,
    SIZE,
    SUPERIOR,
    Limits,
    Pins,
    search_room,
)
from cotyle.cup.options.trials import BOUNDS, tried
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import Zone
from cotyle.space.side import Side
from cup_solids import box, model_hip, socket_block
from option_problem import USUAL_ZONE, measuring, question_of

COVER = (NAMES.index("cover"),)
ALL = tuple(range(len(NAMES)))
STRAIGHT = Zone((90.0, 90.0), (0.0, 0.0), Definition.RADIOGRAPHIC)


def anywhere(trials):
    return np.ones(len(trials.variables), dtype=bool)


def of(question, option, wanted=COVER, kept=anywhere):
    """The latitude of a cup by its estimates alone."""
    where = search_room(question.native_diameter_mm, question.wanted, question.zone, question.limits, question.pins)
    option = np.asarray(option, dtype=float)
    room = tried(question, option[None]).room[0]
    return latitudes(question, where, option, room, (wanted, kept))[0]


def test_angles_may_turn_until_a_point_of_cover_is_lost_on_a_flat_mouth():
    """Bone medial to the centre covers (90 + OI) / 180, sin OI = sin RI cos RA: a point is 1.8 deg of OI."""
    bone = box((-70, -70, -70), (0, 70, 70), cell_mm=10.0)
    question = question_of(bone, Side.LEFT, (0, 0, 0), 50.0, Limits(least_cover=0.5), Pins(), USUAL_ZONE)
    found = of(question, [0.0, 0.0, 0.0, 52.0, 45.0, 12.5])
    best = np.degrees(np.arcsin(np.sin(np.radians(45.0)) * np.cos(np.radians(12.5))))
    least = np.sin(np.radians(best - 1.8))
    flattest = np.degrees(np.arcsin(least / np.cos(np.radians(12.5))))
    farthest = np.degrees(np.arccos(least / np.sin(np.radians(45.0))))
    # the last whole step before the bound; the shell's points make it one step more or less
    assert flattest - 0.2 <= found.low[INCLINATION] <= flattest + STEP + 0.2
    assert farthest - STEP - 0.4 <= found.high[ANTEVERSION] <= farthest + 0.4
    # the room ends before the cover does
    assert found.high[INCLINATION] == 45.0
    assert found.low[ANTEVERSION] == 12.5
    # along the mouth nothing changes: to the end of the room
    assert (found.low[ANTERIOR], found.high[ANTERIOR]) == (-6.0, 6.0)
    assert found.high[SUPERIOR] == 15.0


def in_block():
    """A socket of 25 mm in a block of 40 mm, looked straight into."""
    limits = Limits(least_wall_mm=2.0)
    return question_of(socket_block(25.0, 40.0), Side.LEFT, (0, 0, 0), 50.0, limits, Pins(), STRAIGHT)


def test_depth_goes_from_where_cover_falls_to_where_the_wall_ends():
    """A cup of 24 mm in a socket of 25 mm covers 1 - (25^2 - 24^2 - m^2) / (48 m), 0.99 of it at m = 6.76; a block
    of 40 mm leaves 2 mm behind the reamer of 23.5 mm at m = 14.5.
    """
    question = question_of(
        socket_block(25.0, 40.0), Side.LEFT, (0, 0, 0), 50.0, Limits(least_wall_mm=2.0), Pins(), STRAIGHT
    )
    shallow = (-0.48 + np.sqrt(0.48**2 + 4 * 49.0)) / 2
    found = of(question, [8.0, 0.0, 0.0, 48.0, 90.0, 0.0])
    assert found.low[MEDIAL] == pytest.approx(7.0, abs=1e-9)
    assert found.low[MEDIAL] - STEP < shallow <= found.low[MEDIAL]
    assert found.high[MEDIAL] == pytest.approx(14.5, abs=1e-9)
    assert found.low[SIZE] == found.high[SIZE] == 48.0
    assert found.low[INCLINATION] == found.high[INCLINATION] == 90.0


def test_a_limit_that_the_measurement_found_nearer_ends_the_way_earlier():
    """Two mm less wall as measured than as estimated: the way in is two mm shorter."""
    question = question_of(
        socket_block(25.0, 40.0), Side.LEFT, (0, 0, 0), 50.0, Limits(least_wall_mm=2.0), Pins(), STRAIGHT
    )
    option = np.array([8.0, 0.0, 0.0, 48.0, 90.0, 0.0])
    where = search_room(50.0, question.wanted, STRAIGHT, question.limits, question.pins)
    room = tried(question, option[None]).room[0] - np.array([2.0, 0.0, 0.0, 0.0])
    (found,) = latitudes(question, where, option, room, (COVER, anywhere))
    assert found.high[MEDIAL] == pytest.approx(12.5, abs=1e-9)


def test_the_way_ends_at_the_first_cup_that_is_worse_even_if_better_ones_follow():
    question = question_of(
        socket_block(25.0, 40.0), Side.LEFT, (0, 0, 0), 50.0, Limits(least_wall_mm=2.0), Pins(), STRAIGHT
    )

    def not_at_ten(trials):
        return np.abs(trials.variables[:, MEDIAL] - 10.0) > 0.1

    assert of(question, [8.0, 0, 0, 48.0, 90.0, 0.0], kept=not_at_ten).high[MEDIAL] == pytest.approx(9.5)


@pytest.fixture(scope="module")
def hip():
    return model_hip(Side.LEFT)


@pytest.fixture(scope="module")
def chosen(hip):
    """Options with the angles pinned, so that the search is short, and the same question with nothing pinned."""
    pins = Pins(anterior_mm=0.0, inclination_deg=40.0, anteversion_deg=17.5)
    asked = question_of(hip.bone, hip.side, hip.center, hip.diameter, Limits(), pins, frame=hip.frame)
    choice = choose(asked, measuring(asked, hip.bone, 5000), with_heights=True, with_curves=False)
    free = question_of(hip.bone, hip.side, hip.center, hip.diameter, Limits(), Pins(), frame=hip.frame)
    return choice, asked, free


def test_what_favours_one_thing_may_move_at_least_as_far_as_what_must_keep_all(chosen):
    for option in chosen[0].options:
        low, high = option.in_favour, option.in_all
        assert (low.low <= high.low).all()
        assert (high.high <= low.high).all()
        assert (high.low <= option.variables).all()
        assert (option.variables <= high.high).all()


def test_pinned_variables_and_the_size_do_not_move(chosen):
    for option in chosen[0].options:
        for number in (ANTERIOR, SIZE, INCLINATION, ANTEVERSION):
            assert option.in_favour.low[number] == option.in_favour.high[number] == option.variables[number]


def test_a_kept_height_stays_within_its_two_millimetres(chosen):
    option = next(each for each in chosen[0].options if Favours.SAME_HEIGHT in each.favours)
    if option.beaten or option.favours[0] is Favours.SAME_HEIGHT:
        assert option.in_favour.low[SUPERIOR] >= -2.0 - 1e-9
        assert option.in_favour.high[SUPERIOR] <= 2.0 + 1e-9


@pytest.mark.parametrize("favours", [Favours.COVER, Favours.BONE])
def test_the_stretches_are_those_of_brute_force_to_a_step(hip, chosen, favours):
    """Every cup measured by the functions of ``measure``, outwards until one is worse: one step more or less."""
    choice, _, free = chosen
    option = next(each for each in choice.options if favours in each.favours)
    exact = measuring(free, hip.bone, 5000)
    number = NAMES.index("cover" if favours is Favours.COVER else "removed_ml")
    own = exact(option.variables)
    found = of_measured(free, option.variables, own, (number,))
    where = search_room(free.native_diameter_mm, free.wanted, free.zone, free.limits, free.pins)
    bar = gains([own], 5.0)[0, number] - OBJECTIVES[number].equal_within
    for variable in MOVED:
        for sign, end, last in ((-1, where.low, found.low), (1, where.high, found.high)):
            reached = option.variables[variable]
            while sign * (end[variable] - reached) > 1e-9:
                moved = option.variables.copy()
                moved[variable] = np.clip(reached + sign * STEP, where.low[variable], where.high[variable])
                figures = exact(moved)
                kept = figures.cover >= 0.60 and figures.wall_least_mm >= 2.0 and figures.rise_mm <= 15.0
                if not kept or gains([figures], 5.0)[0, number] < bar:
                    break
                reached = moved[variable]
            assert last[variable] == pytest.approx(reached, abs=STEP + 1e-9), (variable, sign)


def of_measured(question, option, figures, wanted):
    """The latitude of a cup, its limits as measured."""
    where = search_room(question.native_diameter_mm, question.wanted, question.zone, question.limits, question.pins)
    room = tried(question, option[None]).room[0].copy()
    limits = question.limits
    room[: len(BOUNDS) - 1] = (
        figures.wall_least_mm - limits.least_wall_mm,
        limits.largest_rise_mm - figures.rise_mm,
        figures.cover - limits.least_cover,
    )
    return latitudes(question, where, option, room, (wanted, anywhere))[0]
