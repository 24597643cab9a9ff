from __future__ import annotations

import pytest
from cotyle.cup.press_fit import press_fit
from cotyle.errors import InputError


# sqrt(R^2 - r^2), Pythagoras; a 52 cup in a 51 cavity stands 5.1 mm proud
@pytest.mark.parametrize(
    ("cup", "reamer", "proud"), [(52, 51, 5.074), (46, 45, 4.770), (56, 55, 5.268), (52, 50, 7.141)]
)
def test_a_larger_sphere_stands_proud_of_the_rim(cup, reamer, proud):
    found = press_fit(cup, reamer)
    assert found.proud_mm == pytest.approx(proud, abs=1e-3)
    assert found.interference_mm == cup - reamer


def test_a_millimetre_of_interference_gives_the_usual_stance():
    # common practice, no source: 4 to 5 mm of stance signal a good press-fit of 1 mm
    assert all(press_fit(size, size - 1).is_usual for size in range(44, 60, 2))
    assert not press_fit(52, 50).is_usual
    assert not press_fit(52, 52).is_usual


def test_line_to_line_and_loose_cups_do_not_stand_proud():
    assert press_fit(52, 52).proud_mm == 0
    assert press_fit(52, 53).proud_mm == 0
    assert press_fit(52, 53).interference_mm == -1


def test_bad_sizes_are_refused():
    with pytest.raises(InputError, match="press-fit"):
        press_fit(52, float("nan"))
