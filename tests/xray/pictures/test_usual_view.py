"""A picture shown in any of the eight ways comes out with columns to the patient's left and rows to his feet."""

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.pictures.radiograph import FieldCircle, KnownGeometry, Radiograph
from cotyle.xray.pictures.usual_view import usual_view

USUAL = np.arange(12.0, dtype=np.float32).reshape(3, 4)  # rows to the feet, columns to the left

WAYS = {
    ("L", "F"): USUAL,
    ("R", "F"): USUAL[:, ::-1],
    ("L", "H"): USUAL[::-1],
    ("R", "H"): USUAL[::-1, ::-1],
    ("F", "L"): USUAL.T,
    ("F", "R"): USUAL.T[::-1],
    ("H", "L"): USUAL.T[:, ::-1],
    ("H", "R"): USUAL.T[::-1, ::-1],
}


@pytest.mark.parametrize("letters", list(WAYS))
def test_every_way_of_showing_it_comes_out_the_usual_way_with_a_way_back(letters):
    shown = np.ascontiguousarray(WAYS[letters])
    turned = letters[0] in "FH"
    known = KnownGeometry(pixel_pitch_mm=(0.5, 0.6) if not turned else (0.6, 0.5), patient_orientation=letters)
    row, column = np.argwhere(shown == 6.0)[0]  # pixel (2, 1) of the usual view
    circle = FieldCircle(np.array([column, row], dtype=float), 2.0)
    picture = Radiograph(shown, shown != 11.0, known, field_circle=circle)
    found, back = usual_view(picture)
    np.testing.assert_array_equal(found.attenuation, USUAL)
    np.testing.assert_array_equal(found.usable, USUAL != 11.0)
    assert found.geometry.pixel_pitch_mm == (0.5, 0.6)
    assert found.geometry.columns_to_left is True
    np.testing.assert_allclose(found.field_circle.center_px, (2, 1))
    np.testing.assert_allclose(back @ [2, 1, 1], (column, row))


@pytest.mark.parametrize("letters", [None, ("A", "F"), ("L", "P"), ("L", "R")])
def test_unknown_sides_and_side_views_are_not_turned_by_guess(letters):
    picture = Radiograph(USUAL, USUAL >= 0, KnownGeometry(patient_orientation=letters))
    with pytest.raises(InputError) as error:
        usual_view(picture)
    assert error.value.code == "picture-sides"
