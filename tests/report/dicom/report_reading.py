"""A structured report read item by item with pydicom alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

UNCERTAINTY = "371884006"
"""SNOMED CT: +/-, range of measurement uncertainty."""


def content_items(item: Any, group: str = "") -> Iterator[tuple[str, Any, Any]]:
    """Every content item below one: tracking identifier of its measurement group (empty: in none), name, item."""
    for child in item.get("ContentSequence", ()):
        name = child.ConceptNameCodeSequence[0] if "ConceptNameCodeSequence" in child else None
        within = group
        if name is not None and name.CodeValue == "125007":
            within = next(
                c.TextValue for c in child.ContentSequence if c.ConceptNameCodeSequence[0].CodeValue == "112039"
            )
        yield within, name, child
        yield from content_items(child, within)


def numbers(report: Any, percent_as_share: bool = True) -> Iterator[tuple[str, Any, float, str, float | None]]:
    """Every number that is no range: group, concept, value, unit, and the range that belongs to it.

    What the report gives in per cent comes as a share, as the files of a case have it, unless that is not wanted.
    """
    for group, name, item in content_items(report):
        if item.ValueType == "NUM" and name.CodeValue != UNCERTAINTY:
            value = item.MeasuredValueSequence[0]
            ranges = [
                float(child.MeasuredValueSequence[0].NumericValue)
                for child in item.get("ContentSequence", ())
                if child.ValueType == "NUM" and child.ConceptNameCodeSequence[0].CodeValue == UNCERTAINTY
            ]
            unit = value.MeasurementUnitsCodeSequence[0].CodeValue
            scale = 100.0 if unit == "%" and percent_as_share else 1.0
            spread = ranges[0] / scale if ranges else None
            yield group, name, float(value.NumericValue) / scale, unit, spread


def exactly(value: float) -> Any:
    """What a number must be that went to per cent and back; every other one is the same to the last digit."""
    return pytest.approx(value, rel=1e-12, abs=1e-11)


def field_at(content: Any, field: str) -> Any:
    """The value at a path such as ``reaming.0.diameter_mm``."""
    for part in field.split("."):
        content = content[int(part)] if isinstance(content, list | tuple) else content[part]
    return content
