"""Broken files end in an InputError or a result, whatever is broken; every input that once broke one is kept."""

from __future__ import annotations

import json
import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.reliability.breaking import broken
from tests.reliability.fuzz_targets import HOSTILE, TARGETS

# runs in a test; those that start child processes are slow, and fuzz.py does them for longer
RUNS = {"series": 20, "labels": 6, "landmarks": 150, "plan": 80, "migration": 60, "picture": 10}

EDITS = st.lists(
    st.tuples(st.integers(0, 6), st.sampled_from(sorted(HOSTILE)), st.integers(0, 7)), min_size=1, max_size=6
)


@pytest.mark.parametrize("name", RUNS)
def test_broken_bytes_are_refused_or_read(name):
    target = TARGETS[name]
    seeds = target.seeds()

    @given(seed=st.integers(0, 2**32))
    @settings(max_examples=RUNS[name], deadline=None, suppress_health_check=list(HealthCheck))
    def run(seed):
        rng = random.Random(seed)
        target.run(broken(rng.choice(seeds), rng, seeds))

    run()


@given(edits=EDITS)
@settings(max_examples=40, deadline=None)
def test_headers_with_awkward_values_are_refused_or_read(edits):
    TARGETS["header"].run(json.dumps(edits).encode())


@pytest.mark.parametrize(
    ("name", "path"),
    [(name, path) for name, target in TARGETS.items() for path in target.found()],
    ids=lambda value: getattr(value, "name", value),
)
def test_what_once_broke_it_does_so_no_more(name, path):
    TARGETS[name].run(path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_the_seeds_themselves_are_accepted(name):
    for seed in TARGETS[name].seeds():
        TARGETS[name].run(seed)


def test_a_fault_of_ours_would_be_seen(monkeypatch):
    monkeypatch.setattr("tests.reliability.fuzz_targets.read_landmarks", lambda path: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        TARGETS["landmarks"].run(b"{}")
