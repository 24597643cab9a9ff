"""Which centre is restored: this hip's own unless it is no guide, then the other's, and it is said which and why."""

from types import SimpleNamespace

import numpy as np
import pytest
from cotyle.case.decision.option_goal import goal_of, shows_high_center
from cotyle.case.decision.option_questions import OptionQuestions
from cotyle.errors import InputError
from cotyle.space.side import Side

NATIVE, MIRRORED = np.array([-88.0, 1.0, 20.0]), np.array([-86.0, 0.0, 16.0])


def socket(angle=30.0, displaced=None, mirrored=MIRRORED):
    return SimpleNamespace(
        center_lps_mm=NATIVE,
        mirrored_opposite_center_lps_mm=mirrored,
        lateral_center_edge_angle_deg=angle,
        displaced=displaced,
    )


def hip(here=None, there=None, cups=None):
    sockets = {Side.RIGHT: here or socket(), Side.LEFT: there or socket()}
    skeleton = SimpleNamespace(metal_cups=cups or {})
    frame = SimpleNamespace(superior=np.array([0.0, 0.0, 1.0]))
    anatomy = SimpleNamespace(sockets=sockets, skeleton=skeleton)
    return SimpleNamespace(side=Side.RIGHT, anatomy=anatomy, socket=sockets[Side.RIGHT], frame=frame)


def bed(rise):
    sphere = SimpleNamespace(center_lps_mm=MIRRORED + [0.0, 0.0, rise])
    return SimpleNamespace(
        kind="shell", bed=SimpleNamespace(sphere=sphere, seen_share=0.6, gap_mm=1.5, center_sd_mm=0.5)
    )


def test_a_sound_socket_is_its_own_guide():
    goal = goal_of(hip(), OptionQuestions())
    assert (goal.restores, goal.doubt) == ("native", "")
    assert goal.center_lps_mm is NATIVE


@pytest.mark.parametrize(
    ("this", "words"),
    [
        ({"here": socket(angle=12.0)}, "dysplastic"),
        ({"here": socket(angle=46.0)}, "protruded"),
        ({"here": socket(displaced=object())}, "out of the socket"),
        ({"cups": {Side.RIGHT: bed(3.0)}}, "old cup"),
    ],
)
def test_a_socket_that_is_no_guide_is_given_the_other_hips_centre(this, words):
    goal = goal_of(hip(**this), OptionQuestions())
    assert goal.restores == "opposite"
    assert goal.center_lps_mm is MIRRORED
    assert words in goal.why


def test_where_neither_hip_is_a_guide_it_is_doubted():
    goal = goal_of(hip(here=socket(angle=12.0), there=socket(angle=15.0)), OptionQuestions())
    assert goal.restores == "native"
    assert "the other one is dysplastic" in goal.doubt


def test_the_user_can_say_which():
    assert goal_of(hip(here=socket(angle=12.0)), OptionQuestions(restore="native")).restores == "native"
    assert goal_of(hip(), OptionQuestions(restore="opposite")).restores == "opposite"
    with pytest.raises(InputError, match="option-goal"):
        goal_of(hip(here=socket(mirrored=None)), OptionQuestions(restore="opposite"))


@pytest.mark.parametrize(
    ("this", "shown"),
    [
        ({}, False),
        ({"here": socket(angle=22.0)}, True),
        ({"here": socket(displaced=object())}, True),
        ({"cups": {Side.RIGHT: bed(3.0)}}, False),
        ({"cups": {Side.RIGHT: bed(12.0)}}, True),
    ],
)
def test_a_high_centre_is_set_against_the_wanted_height_where_it_is_worth_it(this, shown):
    asked = hip(**this)
    assert shows_high_center(asked, goal_of(asked, OptionQuestions())) is shown
