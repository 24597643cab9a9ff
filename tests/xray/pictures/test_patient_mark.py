"""Two patients are told apart, and nothing that names them stays."""

import pickle

import numpy as np
import pytest
from cotyle.errors import InputError
from cotyle.xray.pictures.patient_mark import PatientMark, SamePatient, mark_of, require_one_patient, same_patient

ANNA = {"PatientID": "0017-3", "PatientName": "Sample^Anna", "PatientBirthDate": "19500101"}


def mark(**changes):
    return mark_of({**ANNA, **changes})


@pytest.mark.parametrize(
    "same",
    [
        {},
        {"PatientID": "17 3"},
        {"PatientName": "SAMPLE^ANNA"},
        {"PatientName": "Sample Anna"},
        {"PatientName": "Sampl\u00e9^Anna"},
        {"PatientName": "", "PatientBirthDate": ""},
        {"PatientID": ""},
    ],
)
def test_another_spelling_is_the_same_patient(same):
    assert same_patient(mark(), mark(**same)) is SamePatient.YES


def test_all_that_differs_is_another_patient():
    other = mark(PatientID="99", PatientName="Sample^Bea", PatientBirthDate="19400202")
    assert same_patient(mark(), other) is SamePatient.NO
    assert same_patient(mark(PatientName="", PatientBirthDate=""), other) is SamePatient.NO


@pytest.mark.parametrize(
    "other",
    [
        {"PatientID": "", "PatientName": "", "PatientBirthDate": ""},
        {"PatientID": "99"},  # the same name and birth date: two numbers of one patient, or two patients
        {"PatientName": "Sample^Bea", "PatientBirthDate": "19400202"},
        {"PatientID": "", "PatientName": ""},
    ],
)
def test_what_agrees_in_part_or_says_nothing_is_not_told(other):
    assert same_patient(mark(), mark(**other)) is SamePatient.UNKNOWN
    assert same_patient(mark(), None) is SamePatient.UNKNOWN


def test_pictures_of_two_patients_are_refused_without_their_names():
    other = mark(PatientID="99", PatientName="Sample^Bea", PatientBirthDate="19400202")
    with pytest.raises(InputError) as error:
        require_one_patient({"the CT": mark(), "picture 1": mark(), "picture 2": other})
    assert error.value.code == "pictures-two-patients"
    assert "the CT and picture 2" in str(error.value)
    for secret in ("Sample", "Bea", "99", "1940", "Anna"):
        assert secret not in str(error.value)
    sentences = require_one_patient({"the CT": mark(), "picture 1": PatientMark()})
    assert len(sentences) == 1


def test_nothing_of_the_patient_is_in_a_mark():
    told = mark()
    held = repr(told) + str(told) + str(pickle.dumps(told))
    for secret in ("Sample", "Anna", "0017", "1950", "sample"):
        assert secret not in held
    assert np.unique([told.number, told.name, told.birth]).size == 3
