import pytest
from cotyle.errors import InputError
from cotyle.xray.pictures.region import region_between, region_of, region_text
from hypothesis import given
from hypothesis import strategies as st

PIXELS = st.integers(0, 4000)


def test_a_region_is_typed_as_first_column_first_row_columns_rows():
    assert region_of(" 120, 0,900,900 ") == (120, 0, 900, 900)


@pytest.mark.parametrize("text", ["", "1,2,3", "1,2,3,4,5", "1,2,3.5,4", "a,b,c,d"])
def test_what_is_no_region_is_refused_under_the_name_it_was_asked_by(text):
    with pytest.raises(InputError, match=r"--region must be four whole numbers.*picture-region") as caught:
        region_of(text, "--region")
    assert "\n" not in str(caught.value)


@given(PIXELS, PIXELS, PIXELS, PIXELS)
def test_a_region_holds_both_corners_that_it_was_drawn_between_in_any_order(a, b, c, d):
    column, row, columns, rows = region = region_between([(a, b), (c, d)])
    assert {column, column + columns - 1} == {a, c}
    assert {row, row + rows - 1} == {b, d}
    assert region == region_between([(c, b), (a, d)])
    assert region_of(region_text(region)) == region
