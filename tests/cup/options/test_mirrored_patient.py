"""A mirrored patient is offered the mirrored cups: on hips of the open shape model, left and right."""

from __future__ import annotations

import numpy as np
import pytest
from cotyle.cup.options.choice import choose
from cotyle.cup.options.figures import OBJECTIVES, gains
from cotyle.cup.options.limits import Limits, Pins, search_room
from cotyle.cup.options.quick import ALONG, LEAST
from cotyle.cup.options.trials import tried
from cotyle.space.frames import Frame
from cotyle.space.side import Side
from cup_solids import model_hip
from hypothesis import given, settings
from hypothesis import strategies as st
from option_problem import measuring, question_of

MIRROR = np.diag([-1.0, 1.0, 1.0, 1.0])
PINS = Pins(anterior_mm=0.0, inclination_deg=40.0, anteversion_deg=17.5)


def both_of(side, pins):
    """The question about a hip with its bone, and that about the same hip in the mirror."""
    hip, m = model_hip(side), MIRROR[:3, :3]
    own = hip.frame
    wanted = hip.center + 2.0 * own.superior + 1.0 * hip.medial + 1.5 * own.anterior
    frame = Frame(own.name, m @ own.origin_lps_mm, -m @ own.left, m @ own.posterior, m @ own.superior)
    bone = hip.bone.transformed(MIRROR)
    here = question_of(hip.bone, side, hip.center, hip.diameter, Limits(), pins, wanted=wanted, frame=own)
    there = question_of(
        bone, side.opposite, m @ hip.center, hip.diameter, Limits(), pins, wanted=m @ wanted, frame=frame
    )
    return (here, hip.bone), (there, bone)


@pytest.fixture(scope="module", params=[Side.LEFT, Side.RIGHT])
def hips(request):
    return both_of(request.param, Pins())


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_every_cup_has_the_figures_of_the_mirrored_one(hips, seed):
    (here, _), (there, _) = hips
    where = search_room(here.native_diameter_mm, here.wanted, here.zone, here.limits, here.pins)
    assert there.wanted == pytest.approx(here.wanted, abs=1e-9)
    cups = np.random.default_rng(seed).uniform(where.low, where.high, (20, 6))
    one, other = tried(here, cups), tried(there, cups)
    assert one.rows[:, [ALONG, LEAST]] == pytest.approx(other.rows[:, [ALONG, LEAST]], abs=1e-3)
    # a point of the shell that lies in the surface may fall on either side
    assert one.rows[:, :4] == pytest.approx(other.rows[:, :4], abs=0.004)
    assert one.gains == pytest.approx(other.gains, abs=0.02, nan_ok=True)
    assert one.room == pytest.approx(other.room, abs=0.004)


def test_the_options_are_the_same_cups():
    """By what counts as equal: measured figures hang a little on how the points of the shell lie to the scanner."""
    (here, bone), (there, mirrored_bone) = both_of(Side.RIGHT, PINS)
    equal = np.array([each.equal_within for each in OBJECTIVES])
    one, other = (
        choose(question, measuring(question, surface, 5000), with_heights=True, with_curves=False)
        for question, surface in ((here, bone), (there, mirrored_bone))
    )
    assert [each.favours for each in one.options] == [each.favours for each in other.options]
    for mine, theirs in zip(one.options, other.options, strict=True):
        assert (np.abs(gains([mine.figures], 5.0) - gains([theirs.figures], 5.0)) <= equal).all()
        assert mine.variables == pytest.approx(theirs.variables, abs=1.0)
        assert mine.in_favour.low == pytest.approx(theirs.in_favour.low, abs=1.0)
        assert mine.in_favour.high == pytest.approx(theirs.in_favour.high, abs=1.0)
