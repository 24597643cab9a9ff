"""A structured report read item by item with pydicom alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

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


def numbers(report: Any) -> Iterator[tuple[str, Any, float, str, float | None]]:
    """Every number that is no range: group, concept, value, unit, and the range that belongs to it."""
    for group, name, item in content_items(report):
        if item.ValueType == "NUM" and name.CodeValue != UNCERTAINTY:
            value = item.MeasuredValueSequence[0]
            ranges = [
                float(child.MeasuredValueSequence[0].NumericValue)
                for child in item.get("ContentSequence", ())
                if child.ValueType == "NUM" and child.ConceptNameCodeSequence[0].CodeValue == UNCERTAINTY
            ]
            unit = value.MeasurementUnitsCodeSequence[0].CodeValue
            yield group, name, float(value.NumericValue), unit, ranges[0] if ranges else None


def field_at(content: Any, field: str) -> Any:
    """The value at a path such as ``reaming.0.diameter_mm``."""
    for part in field.split("."):
        content = content[int(part)] if isinstance(content, list | tuple) else content[part]
    return content
