"""Which of two answers is taken: by outline, by plan, by neither."""

import numpy as np
import pytest
from cotyle.cup.orientation import Definition, Orientation, axis_from_orientation
from cotyle.space.frames import SCANNER
from cotyle.space.shapes import Circle, Sphere
from cotyle.space.side import Side
from cotyle.xray.carm import from_positioner
from cotyle.xray.cup_in_picture.circle_poses import faces_source, twin_of
from cotyle.xray.cup_in_picture.twin_choice import ChosenBy, choose, outline_shift_mm
from cotyle.xray.ellipse import project_sphere


def axis(inclination, anteversion):
    return axis_from_orientation(Orientation(inclination, anteversion), Definition.RADIOGRAPHIC, SCANNER, Side.LEFT)


ANTE, RETRO, PLAN = axis(40, 15), axis(40, -15), axis(42, 17)


def test_without_a_word_of_the_outline_the_plan_decides_and_that_is_said():
    for pair, right in (((ANTE, RETRO), 0), ((RETRO, ANTE), 1)):
        taken, choice = choose(pair, PLAN, 0.0, 0.5)
        assert taken == right
        assert choice.chosen_by is ChosenBy.PLAN
        assert choice.sure
        assert choice.apart_deg == pytest.approx(30.0, abs=1e-6)
        assert "from the plan" in choice.text


def test_a_plain_outline_decides_and_one_against_the_plan_leaves_it_unsettled():
    taken, choice = choose((ANTE, RETRO), PLAN, 5.0, 0.5)
    assert (taken, choice.chosen_by, choice.sure) == (0, ChosenBy.OUTLINE, True)
    _, against = choose((ANTE, RETRO), PLAN, -5.0, 0.5)
    assert not against.sure
    assert "second view" in against.text


def test_an_outline_that_says_the_other_thing_is_told_even_where_the_plan_wins():
    taken, choice = choose((ANTE, RETRO), PLAN, -1.0, 0.5)
    assert taken == 0
    assert choice.outline_log_odds == -1.0
    assert "speaks for the other" in choice.text


def test_the_outline_is_not_believed_beyond_what_edges_can_tell():
    # 0.06 mm is half of what all edges may err by together
    _, choice = choose((ANTE, RETRO), PLAN, 50.0, 0.06)
    assert choice.outline_log_odds == pytest.approx(0.125)
    assert choice.chosen_by is ChosenBy.PLAN


def test_two_answers_that_are_nearly_one_are_said_to_be():
    _, choice = choose((axis(40, 1.5), axis(40, -1.5)), axis(40, 8), 0.1, 0.05)
    assert choice.chosen_by is ChosenBy.NOTHING
    assert choice.sure
    assert "nearly edge-on" in choice.text


def test_plan_midway_between_both_settles_nothing():
    _, choice = choose((ANTE, RETRO), axis(40, 0), 0.0, 0.5)
    assert choice.probability == pytest.approx(0.5, abs=0.01)
    assert not choice.sure


@pytest.mark.parametrize("anteversion", [5.0, 15.0, 30.0])
def test_the_dome_moves_against_the_rim_by_the_stated_shift(anteversion):
    # judged by the exact outlines of both spheres on the detector, brought back to the cup
    carm = from_positioner(
        (0, 0, 0),
        0,
        0,
        frame=SCANNER,
        source_detector_mm=1000,
        source_isocenter_mm=650,
        pixel_pitch_mm=(0.4, 0.4),
        size=(500, 500),
    )
    true = Circle(np.zeros(3), axis(40, anteversion), 26.0)
    twin = twin_of(carm, true)
    first, second = (project_sphere(carm, Sphere(each.center_lps_mm, 26.0)) for each in (true, twin))
    moved = np.linalg.norm(first.center - second.center) * 0.65
    angle = np.rad2deg(np.arcsin(faces_source(carm, true)))
    assert moved == pytest.approx(abs(outline_shift_mm(26.0, angle, 650.0)), rel=0.02)
