"""Hard subjects against their bars: a few here, all of them in the validation."""

from collections import Counter

import pytest

from tests.validation.confidence import falsely_confident
from tests.validation.hard import HARD_BARS, hard_trials, judge
from tests.validation.page import error_table

# one of every kind of trouble; the validation runs them all
CHECKED = ("worn-3", "fixed-2")
REFUSED = ("socket-1",)


def _trial(name):
    return next(trial for trial in hard_trials() if trial.name == name)


@pytest.mark.slow
@pytest.mark.parametrize("name", CHECKED)
def test_a_hard_subject_keeps_its_worst_bars_and_nothing_is_wrong_in_silence(name):
    judged = judge(_trial(name))
    assert judged.refused is None, judged.sentence
    measured = {error.quantity for error in judged.errors}
    results = [bar.result(judged.errors) for bar in HARD_BARS if bar.quantity in measured]
    broken = [f"{r.bar.title}: {r.worst.where} {r.worst.value:.3f}" for r in results if not r.worst_kept]
    assert broken == [], error_table(results)
    assert falsely_confident(judged.errors, judged.findings, HARD_BARS) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_planned_is_refused_with_its_reason(name):
    judged = judge(_trial(name))
    assert judged.as_expected, (judged.refused, judged.sentence)


def test_every_variant_has_three_subjects_of_different_names():
    trials = hard_trials()
    assert len({trial.name for trial in trials}) == len(trials)
    counts = Counter(trial.variant for trial in trials)
    assert {variant: count for variant, count in counts.items() if count < 3} == {}
