"""Sets of trials: the fresh one shares nothing with the one that constants were chosen on, which stays as it was."""

import pytest
from cotyle.case.plan_file import Targets
from cotyle.space.side import Side

from tests.validation.theatre.making import seed_of
from tests.validation.theatre.matter import mu_per_mm
from tests.validation.theatre.sets import FRESH, SETS, USUAL, set_of
from tests.validation.theatre.validate import FRESH_HEAD, FRESH_TITLE, HEAD, page_with


def letters(each):
    return {trial.name for trial in each.trials}


def test_fresh_subjects_share_no_letter_no_seed_and_no_posture_with_the_usual_ones():
    assert not letters(FRESH) & letters(USUAL)
    assert not {trial.seed for trial in FRESH.trials} & {trial.seed for trial in USUAL.trials}
    assert not {trial.posture for trial in FRESH.trials} & {trial.posture for trial in USUAL.trials}


def test_no_fresh_picture_has_the_seed_of_a_usual_one():
    seeds = [
        {seed_of(name, number, kind) for name in letters(each) for kind in range(4) for number in range(200)}
        for each in (USUAL, FRESH)
    ]
    assert not seeds[0] & seeds[1]


def test_fresh_energies_are_others_and_none_is_the_one_that_registration_assumes():
    energies = {*FRESH.energies_kev, FRESH.other_kev}
    assert not energies & {60.0, *USUAL.energies_kev}
    assert all(mu_per_mm("water", kev) > 0 for kev in energies)


def test_the_usual_set_is_the_one_of_the_committed_table():
    # 60 keV for half of the pictures, 55 or 70 for the rest; 1000 mm; planned sizes; as the page on trials says
    assert [USUAL.energy_kev(n) for n in range(5)] == [60.0, 55.0, 60.0, 70.0, 60.0]
    assert USUAL.names(6) == list("ABCDEF")
    assert [USUAL.operated_side(name) for name in "AB"] == [Side.RIGHT, Side.LEFT]
    assert {USUAL.first_number(name) for name in "ABCDEF"} == {0}
    assert USUAL.detector.source_detector_mm == 1000.0
    assert (USUAL.put_in.size_steps_mm, USUAL.put_in.wall_mm) == (None, None)
    assert USUAL.plan("A").targets == Targets()


def test_a_name_belongs_to_one_set():
    assert [set_of(name).name for name in "ANT"] == ["usual", "fresh", "fresh"]
    assert sum(len(each.trials) for each in SETS.values()) == len(set().union(*map(letters, SETS.values())))
    with pytest.raises(ValueError, match="1 to 6"):
        FRESH.names(7)


def test_five_pictures_of_each_fresh_patient_still_show_every_view():
    shown = {FRESH.choices[FRESH.first_number(name) + n] for name in FRESH.names(2) for n in range(5)}
    assert shown == set(FRESH.choices)


def test_writing_one_part_of_the_page_leaves_the_other():
    page = f"{HEAD}\nbefore-it\n"
    both = page_with(page, f"{FRESH_HEAD}\nfirst\n", fresh=True)
    again = page_with(both, f"{FRESH_HEAD}\nsecond\n", fresh=True)
    assert "before-it" in again
    assert "first" not in again
    assert again.count(FRESH_TITLE) == 1
    usual = page_with(again, f"{HEAD}\nnew\n", fresh=False)
    assert "before-it" not in usual
    assert usual.index("new") < usual.index("second")
    assert page_with(page, f"{HEAD}\nnew\n", fresh=False) == f"{HEAD}\nnew\n"
