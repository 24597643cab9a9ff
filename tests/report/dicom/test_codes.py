"""Codes: within DICOM's lengths, each with one meaning, those of the standard as its dictionary has them."""

import pytest
from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import Code, own
from cotyle.report.dicom.numbers import ALL_NUMBERS
from pydicom.sr._concepts_dict import concepts

from tests.report.dicom.code_table import PAGE, number_rows, other_rows


def all_codes():
    found = [number.concept for numbers in ALL_NUMBERS.values() for number in numbers]
    for value in vars(codes).values():
        for each in [value] if isinstance(value, Code) else value.values() if isinstance(value, dict) else []:
            found += [code for code in (each if isinstance(each, tuple) else (each,)) if isinstance(code, Code)]
    return found


def test_codes_of_the_standard_are_in_its_dictionary_with_that_meaning():
    # dictionary of pydicom, made from DICOM PS3.16
    for code in all_codes():
        if code.scheme in (codes.OWN, "UCUM") or code == codes.QUALITATIVE:  # that one is in TID 1500 alone
            continue
        known = [names[code.value] for names in concepts[code.scheme].values() if code.value in names]
        assert code.meaning in {meaning for meaning, _ in known}, code


def test_units_are_ucum():
    known = {value for names in concepts["UCUM"].values() for value in names}
    units = {number.unit.value for numbers in ALL_NUMBERS.values() for number in numbers}
    assert units <= known | {"ml"}  # UCUM's millilitre, which the dictionary holds in ratios only


def test_a_code_of_ours_has_one_meaning():
    meanings = {}
    for code in all_codes():
        assert meanings.setdefault((code.scheme, code.value), code.meaning) == code.meaning


def test_what_is_too_long_for_dicom_is_no_code():
    with pytest.raises(ValueError, match="too long"):
        own("A" * 17, "short")
    with pytest.raises(ValueError, match="too long"):
        own("SHORT", "a" * 65)


def test_every_angle_of_an_axis_names_definition_and_frame():
    for number in (*ALL_NUMBERS["Cup"], *ALL_NUMBERS["Native socket"]):
        if "inclination" in number.field or "anteversion" in number.field:
            assert number.concept.meaning.split()[0] in {"Radiographic", "Operative", "Anatomic"}
            assert number.concept.meaning.endswith(("anterior pelvic plane", "supine frame", "standing frame"))


def test_the_documentation_lists_every_code():
    page = PAGE.read_text(encoding="utf-8").splitlines()
    assert set(number_rows()) <= set(page)
    assert set(other_rows()) <= set(page)
