"""Codes: within DICOM's lengths, each with one meaning, those of the standard as its dictionary has them."""

import re

import pytest
from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import own
from pydicom.sr._concepts_dict import concepts

from tests.report.dicom.code_table import FILES, PAGE, all_codes, all_numbers, number_rows, other_rows

BARE_MM = {
    "views.#.depth_mm_per_percent_of_distance",
    *(f"center_shift.{w}" for w in ("medial", "superior", "anterior")),
}
"""Fields whose unit does not end their name."""


def test_codes_of_the_standard_are_in_its_dictionary_with_that_meaning():
    # dictionary of pydicom, made from DICOM PS3.16
    for code in all_codes():
        if code.scheme in (codes.OWN, "UCUM") or code == codes.QUALITATIVE:  # that one is in TID 1500 alone
            continue
        known = [names[code.value] for names in concepts[code.scheme].values() if code.value in names]
        assert code.meaning in {meaning for meaning, _ in known}, code


def test_units_are_ucum():
    known = {value for names in concepts["UCUM"].values() for value in names}
    units = {number.unit.value for number in all_numbers()}
    # UCUM's millilitre, which the dictionary holds in ratios only; an annotation in braces stands for 1 (UCUM 3.1)
    assert units <= known | {"ml", "{pixels}"}


def test_a_unit_is_that_of_the_field():
    words = {"_mm": "mm", "_deg": "deg", "_ml": "ml", "_px": "{pixels}"}
    for number in all_numbers():
        if ".shares." in number.field or number.field.endswith(".together"):
            continue
        named = {unit for end, unit in words.items() for part in number.field.split(".") if part.endswith(end)}
        bare = "mm" if number.field in BARE_MM else "%"
        counted = number.concept.meaning.startswith("Number of")
        bare = "1" if counted or ", LPS " in number.concept.meaning else bare
        assert number.unit.value in (named or {bare}), number


def test_a_code_of_ours_has_one_meaning():
    meanings = {}
    for code in all_codes():
        assert meanings.setdefault((code.scheme, code.value), code.meaning) == code.meaning


def test_two_codes_of_ours_never_have_one_meaning():
    values = {}
    for code in all_codes():
        assert values.setdefault((code.scheme, code.meaning), code.value) == code.value


def test_left_and_right_are_sides_and_nothing_else():
    """A wall left is no left wall, and the right cup may be on the left: such words never mean anything but a side."""
    sides = r"to (the )?left|left up|(left|right) hip|patient's left|^(Left|Right)$"
    for code in all_codes():
        assert not re.search(r"\b(left|right)\b", re.sub(sides, "", code.meaning), re.IGNORECASE), code


def test_what_is_too_long_for_dicom_is_no_code():
    with pytest.raises(ValueError, match="too long"):
        own("A" * 17, "short")
    with pytest.raises(ValueError, match="too long"):
        own("SHORT", "a" * 65)


def test_every_angle_of_an_axis_names_definition_and_frame():
    counted = 0
    for number in all_numbers():
        angle = "inclination" in number.field or "anteversion" in number.field
        if not angle or "shares" in number.field or "together" in number.field:
            continue
        counted += 1
        meaning = number.concept.meaning
        assert any(word in meaning.lower() for word in ("radiographic", "operative", "anatomic")), meaning
        assert meaning.endswith(("anterior pelvic plane", "supine frame", "standing frame")), meaning
    assert counted > 100


@pytest.mark.parametrize("file", FILES)
def test_the_documentation_lists_every_number(file):
    assert set(number_rows(file)) <= set(PAGE.read_text(encoding="utf-8").splitlines())


def test_the_documentation_lists_every_other_code():
    assert set(other_rows()) <= set(PAGE.read_text(encoding="utf-8").splitlines())
