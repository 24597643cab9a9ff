"""Subjects of the validation against the bar for the worst error, and what the validation itself does with errors."""

import numpy as np
import pytest
from cotyle.space.frames import SCANNER
from cotyle.space.side import Side

from tests.validation.bars import BARS, Bar
from tests.validation.errors_of import Error, errors_of_scan
from tests.validation.morphology_check import morphology_of
from tests.validation.orientation_check import angles_by_planes, orientation_errors
from tests.validation.page import error_table, morphology_table
from tests.validation.trials import TRIALS, make_scan

# one drawn from the model in a turned posture, one bent by a change the model can't make
CHECKED = ("A", "D")


@pytest.mark.slow
@pytest.mark.parametrize("trial", [t for t in TRIALS if t.name in CHECKED], ids=lambda t: t.name)
def test_every_error_of_a_subject_keeps_its_worst_bar(trial):
    measured = errors_of_scan(trial.name, *make_scan(trial))
    errors = [*measured.errors, *orientation_errors(trial.name, measured.truth.pelvis)]
    results = [bar.result(errors) for bar in BARS]
    broken = [f"{r.bar.title}: {r.worst.where} {r.worst.value:.3f}" for r in results if not r.worst_kept]
    assert broken == [], error_table(results)
    assert "acetabular diameter" in morphology_table(morphology_of([measured.truth]))


def test_the_trials_are_what_the_validation_claims():
    assert len(TRIALS) >= 6
    assert len({trial.seed for trial in TRIALS}) == len(TRIALS)
    assert sum(trial.off_model_mm > 0 for trial in TRIALS) >= 2
    tilts = [trial.posture.anterior_tilt_deg for trial in TRIALS]
    assert (min(tilts), max(tilts)) == (-12.0, 12.0)
    for angle in ("rotation_to_left_deg", "left_up_deg"):
        turns = [getattr(trial.posture, angle) for trial in TRIALS]
        assert (min(turns), max(turns)) == (-12.0, 12.0)
    sizes = [trial.size_sd for trial in TRIALS]
    assert min(sizes) <= -1.5
    assert max(sizes) >= 1.5


def test_a_bar_is_broken_by_what_lies_beyond_it_and_by_nan():
    bar = Bar("x", "x", "mm", 1.0, 2.0)
    assert bar.result([Error("x", "a", 1.0), Error("x", "b", 2.0), Error("x", "c", 0.5)]).worst_kept
    assert not bar.result([Error("x", "a", 1.0), Error("x", "b", 2.1), Error("x", "c", 0.5)]).worst_kept
    assert not bar.result([Error("x", "a", 1.1)]).median_kept
    assert not bar.result([Error("x", "a", float("nan"))]).worst_kept
    dice = Bar("d", "Dice", "", 0.98, 0.96, higher_is_better=True)
    assert dice.result([Error("d", "a", 0.99), Error("d", "b", 0.97)]).worst.value == 0.97
    assert not dice.result([Error("d", "a", 0.99), Error("d", "b", 0.95)]).worst_kept


def test_a_quantity_that_was_not_measured_is_no_pass():
    with pytest.raises(ValueError, match="nothing was measured"):
        BARS[0].result([])


@pytest.mark.parametrize("side", list(Side))
def test_the_angles_by_planes_are_murrays_worked_pairs(side):
    # axis from radiographic 40 / 15: operative 38.3808 / 19.2790, anatomic 42.2735 / 22.6291 (from the definitions)

    inclination, anteversion = np.radians([40.0, 15.0])
    axis = np.array(
        [
            side.lateral_sign * np.sin(inclination) * np.cos(anteversion),
            -np.sin(anteversion),
            -np.cos(inclination) * np.cos(anteversion),
        ]
    )
    found = angles_by_planes(axis, SCANNER, side)
    assert found["radiographic"] == pytest.approx((40.0, 15.0), abs=1e-9)
    assert found["operative"] == pytest.approx((38.3808, 19.2790), abs=1e-4)
    assert found["anatomic"] == pytest.approx((42.2735, 22.6291), abs=1e-4)
