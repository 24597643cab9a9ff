"""Procedures that are measured in full: which, what they stand for, and how far estimates were off by them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cotyle.cup.cavity import Cavity
from cotyle.cup.component import Cup
from cotyle.cup.coverage import measure_coverage
from cotyle.cup.inner_surface import inner_surface
from cotyle.cup.options.bone_field import bone_field
from cotyle.cup.options.quick import Ground
from cotyle.cup.orientation import Definition
from cotyle.cup.posture import Zone
from cotyle.cup.reaming import default_steps
from cotyle.cup.tolerance.causes import Spreads, errors_of, standard_deviates
from cotyle.cup.tolerance.procedures import Outcome, Planned, Procedures, procedures
from cotyle.cup.tolerance.sample import (
    Compared,
    Sample,
    compared,
    drawn_sample,
    estimated_again,
    moved_to_sample,
)
from cotyle.cup.wall import measure_wall
from cotyle.space.frames import Frame
from cotyle.space.side import Side
from cup_solids import box
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

FRAME = Frame("supine", np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]))
BLOCK = box((-32.0, -60.0, -60.0), (0.0, 60.0, 60.0), cell_mm=20.0)


@pytest.fixture(scope="module")
def plan():
    inner = inner_surface(BLOCK, np.zeros(3), np.array([-1.0, 0, 0]), np.array([0, 0, 1.0]))
    ground = Ground(bone_field(BLOCK, np.zeros(3), 60.0), inner, np.zeros(3))
    axis = np.array([np.cos(np.radians(20.0)), 0.0, -np.sin(np.radians(20.0))])
    cup = Cup(Side.LEFT, np.zeros(3), axis, 54.0)
    along, least, cover = measured_on_block(ground.inner, cup)
    zone = Zone((30.0, 50.0), (5.0, 25.0), Definition.RADIOGRAPHIC)
    return Planned(cup, ground, 1.0, along, least, cover, FRAME, FRAME, zone, FRAME)


def measured_on_block(inner, cup):
    wall = measure_wall(BLOCK, inner, Cavity(default_steps(cup, np.zeros(3), BLOCK)))
    return wall.along_axis_mm, wall.minimum_mm, measure_coverage(BLOCK, cup, FRAME).fraction


def walls(along, least=None):
    """Procedures that have these walls."""
    outcomes = np.zeros((len(along), len(Outcome)))
    outcomes[:, Outcome.WALL_ALONG] = along
    outcomes[:, Outcome.LEAST_WALL] = along if least is None else least
    nothing = np.zeros(len(along), dtype=bool)
    return Procedures(outcomes, nothing, nothing)


@settings(max_examples=30, deadline=None)
@given(st.integers(46, 3000), st.integers(0, 2**32 - 1))
def test_the_sample_stands_for_all_procedures_and_holds_the_thinnest(count, seed):
    along = np.random.default_rng(seed).normal(6.0, 2.0, count).clip(0.0)
    sample = drawn_sample(walls(along), seed)
    assert len(set(sample.rows.tolist())) == len(sample.rows) == 45
    assert sample.weights.sum() == pytest.approx(count)
    assert np.sort(along[sample.rows])[:12] == pytest.approx(np.sort(along)[:12])


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 1.0))
def test_a_share_that_goes_with_the_wall_is_off_by_less_than_one_part(seed, quantile):
    """Of equal parts in order of the wall only the one that holds the bound is split: at most 1 in 33 is misjudged."""
    along = norm.ppf((np.arange(2000) + 0.5) / 2000)
    bound = np.quantile(along, quantile)
    sample = drawn_sample(walls(along), seed)
    nothing = np.zeros((len(sample.rows), 3))
    share = Compared(sample, nothing, nothing).share(along[sample.rows] < bound)
    assert abs(share - np.mean(along < bound)) <= 1.0 / 33 + 1e-9


def test_few_procedures_are_all_measured():
    sample = drawn_sample(walls(np.arange(1.0, 31.0)), 1)
    assert sample.rows.tolist() == list(range(30))
    assert sample.weights.tolist() == [1.0] * 30


def test_the_same_seed_draws_the_same_procedures_and_another_draws_others():
    found = walls(np.random.default_rng(0).normal(6.0, 2.0, 1000))
    first, again, other = (drawn_sample(found, seed).rows for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_on_a_block_estimates_are_the_measurement(plan):
    """No scan, no gaps, a plain surface: what is left is the interpolation of the field and the points of the shell."""
    spreads = Spreads(depth_mm=2.0, hand_inclination_deg=3.0, hand_across_mm=1.0, one_size_up=0.1, wall_mm=0.5)
    errors = errors_of(spreads, standard_deviates(1000, 3))
    sample = drawn_sample(procedures(plan, errors), 3, parts=8, thinnest=4)
    held = compared(plan, errors, sample, lambda cup: measured_on_block(plan.ground.inner, cup))
    assert np.abs(held.differences[:, :2]).max() < 0.1
    assert np.abs(held.differences[:, 2]).max() < 0.02
    assert not held.unseen_through.any()
    assert not held.wrongly_through.any()


def test_a_gap_that_only_the_measurement_sees_is_told_with_its_share(plan):
    """A gap of 5 mm behind every cup whose centre lies in the upper half: half of the procedures, 5 mm less wall."""
    errors = errors_of(Spreads(hand_across_mm=2.0, picture_across_mm=2.0), standard_deviates(1000, 5))
    found = procedures(plan, errors)
    sample = drawn_sample(found, 5, parts=20, thinnest=4)

    def with_gap(cup):
        along, least, cover = measured_on_block(plan.ground.inner, cup)
        return along - 5.0 * (cup.center_lps_mm[2] > 0.0), least, cover

    held = compared(plan, errors, sample, with_gap)
    above = np.mean(found.of(Outcome.SUPERIOR) > 0.0)
    assert held.worst(0) == pytest.approx(-5.0, abs=0.1)
    assert held.worst(1) == pytest.approx(0.0, abs=0.1)
    assert held.share(np.abs(held.differences[:, 0]) > 2.0) == pytest.approx(above, abs=0.25)


def test_a_gap_that_just_the_plan_meets_moves_no_other_procedure(plan):
    """The plan reads 8 mm less than the block is thick: all estimates with it, until they are moved to the sample."""
    odd = replace(plan, along_mm=plan.along_mm - 8.0, coverage=plan.coverage - 0.01)
    errors = errors_of(Spreads(depth_mm=2.0, hand_inclination_deg=3.0), standard_deviates(1000, 3))
    sample = drawn_sample(procedures(odd, errors), 3, parts=8, thinnest=4)
    held = compared(odd, errors, sample, lambda cup: measured_on_block(plan.ground.inner, cup))
    moved, shift = moved_to_sample(odd, errors, held, (2.0, 2.0, 0.05))
    assert shift == pytest.approx([8.0, 0.0, 0.0], abs=0.1)
    assert shift[1] == shift[2] == 0.0
    assert moved.along_mm == pytest.approx(plan.along_mm, abs=0.1)
    # what is nearer than the limit stays as the plan's own measurement has it
    assert moved.coverage == odd.coverage
    again = estimated_again(moved, errors, held)
    assert np.abs(again.differences[:, 0]).max() < 0.2
    assert np.array_equal(again.measured, held.measured)


def test_what_is_through_by_one_and_not_by_the_other_is_counted_either_way():
    sample = Sample(np.arange(4), np.array([1.0, 1.0, 5.0, 5.0]))
    estimated = np.array([[3.0, 2.0, 0.8], [0.0, 0.0, 0.8], [2.0, 1.0, 0.8], [4.0, 3.0, 0.8]])
    measured = np.array([[0.0, 0.0, 0.8], [1.0, 1.0, 0.8], [2.5, 0.0, 0.8], [4.1, 3.0, 0.8]])
    held = Compared(sample, estimated, measured)
    assert held.unseen_through.tolist() == [True, False, True, False]
    assert held.wrongly_through.tolist() == [False, True, False, False]
    assert held.share(held.unseen_through) == pytest.approx(6.0 / 12.0)
    # of twelve procedures ten are off by 0.5 or 0.1 mm: the middle one by 0.5
    assert held.usual_off(0) == pytest.approx(0.5)
    assert held.worst(0) == -3.0
