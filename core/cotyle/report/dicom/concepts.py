"""Our codes as highdicom's coded concepts."""

from __future__ import annotations

from typing import Any

from cotyle.report.dicom.codes import Code


def concept(code: Code) -> Any:
    """Return the coded concept of a code."""
    from highdicom.sr import CodedConcept  # takes half a second to import, and few need it

    return CodedConcept(code.value, code.scheme, code.meaning)
