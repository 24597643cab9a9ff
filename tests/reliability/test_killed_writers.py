"""A writer that is killed leaves the old content or the new one, and nothing that is in the way of the next."""

from __future__ import annotations

import random

import pytest

from tests.reliability.killing import kill_at_each_step, kill_at_random, nursery
from tests.reliability.writers import MODES

pytestmark = pytest.mark.skipif("not hasattr(__import__('os'), 'fork')", reason="writers are forked")

STRIDES = dict.fromkeys(MODES, 10) | {"draft in a case": 1, "file": 1}
"""One of so many steps is tried, others each time; all of the few that one file takes. The page has all of all."""


@pytest.fixture(scope="module")
def writers():
    with nursery() as process:
        yield process


@pytest.mark.parametrize("mode", list(MODES))
def test_a_writer_killed_at_random_moments_leaves_old_or_new(writers, mode, place):
    seed = random.randrange(2**32)
    tally = kill_at_random(writers, mode, target_of(mode, place), kills=8, seed=seed)
    assert (seed, tally.faults) == (seed, [])
    assert tally.kills == 8


@pytest.mark.parametrize("mode", list(MODES))
def test_a_writer_killed_before_any_of_its_steps_leaves_old_or_new(writers, mode, place):
    stride = STRIDES[mode]
    first = random.randrange(stride)
    tally = kill_at_each_step(writers, mode, target_of(mode, place), stride=stride, first=first)
    assert (first, tally.faults) == (first, [])
    assert tally.kills > 0


def target_of(mode, folder):
    return folder / "place" / ("file.json" if mode == "file" else "case")
