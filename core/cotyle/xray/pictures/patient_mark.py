"""Whether two files belong to one patient, told without keeping who he is.

What names the patient is hashed as it is read, with a salt that this process draws and never writes: a mark can be
compared while the process lives and means nothing afterwards, on a disk or in a log.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import pydicom

from cotyle.errors import InputError

_SALT = secrets.token_bytes(32)
_KEYS = ("PatientID", "PatientName", "PatientBirthDate")


class SamePatient(StrEnum):
    """What two marks say of each other."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"
    """Nothing to compare, or some of it agrees and some does not."""


@dataclass(frozen=True, repr=False)
class PatientMark:
    """Salted hashes of the patient's number, name and birth date; None where the file leaves one empty.

    Comparable within this process only, by :func:`same_patient`.
    """

    number: bytes | None = None
    name: bytes | None = None
    birth: bytes | None = None

    def __repr__(self) -> str:
        return "PatientMark(...)"


def mark_of(header: Mapping[str, Any] | pydicom.Dataset) -> PatientMark:
    """Return the mark of a DICOM header (anything with ``get`` by keyword)."""
    return PatientMark(*(_hashed(key, header.get(key)) for key in _KEYS))


def mark_of_file(path: str | Path) -> PatientMark:
    """Return the mark of a DICOM file, such as one slice of the CT; an empty one for what is no DICOM file."""
    try:
        header = pydicom.dcmread(path, stop_before_pixels=True, specific_tags=list(_KEYS))
    except Exception:  # broken files raise anything
        return PatientMark()
    return mark_of(header)


def same_patient(one: PatientMark | None, other: PatientMark | None) -> SamePatient:
    """Compare two marks.

    ``YES`` needs an equal number, or an equal name with an equal birth date, and nothing that differs; ``NO`` needs
    that all that both of them tell differs.
    """
    if one is None or other is None:
        return SamePatient.UNKNOWN
    pairs = {
        key: (getattr(one, key), getattr(other, key))
        for key in ("number", "name", "birth")
        if getattr(one, key) is not None and getattr(other, key) is not None
    }
    equal = {key for key, (a, b) in pairs.items() if hmac.compare_digest(a, b)}
    if len(equal) == len(pairs) and ("number" in equal or {"name", "birth"} <= equal):
        return SamePatient.YES
    if pairs and not equal and pairs.keys() != {"birth"}:
        return SamePatient.NO
    return SamePatient.UNKNOWN


def require_one_patient(marks: Mapping[str, PatientMark | None]) -> tuple[str, ...]:
    """Refuse files of different patients; return a sentence for each pair that cannot be told.

    Parameters
    ----------
    marks:
        Mark by what the file is called in messages (``the CT``, ``picture 2``): never a patient's name.

    Raises
    ------
    InputError
        ``pictures-two-patients``.
    """
    names = list(marks)
    untold = []
    for place, first in enumerate(names):
        for second in names[place + 1 :]:
            match same_patient(marks[first], marks[second]):
                case SamePatient.NO:
                    raise InputError(
                        "pictures-two-patients",
                        f"{first} and {second} bear different patients' numbers and names",
                        "Give files of one patient",
                    )
                case SamePatient.UNKNOWN:
                    untold.append(f"Nothing in the files tells that {first} and {second} show the same patient.")
    return tuple(untold)


def _hashed(key: str, value: Any) -> bytes | None:
    """Return the salted hash of a value as spelt without case, accents, separators and leading zeros."""
    spelt = unicodedata.normalize("NFKD", str(value if value is not None else "")).casefold()
    plain = re.sub(r"[\W_]+", "", "".join(c for c in spelt if not unicodedata.combining(c)))
    if key == "PatientID":
        plain = plain.lstrip("0")
    return hmac.new(_SALT, f"{key}:{plain}".encode(), hashlib.sha256).digest() if plain else None
