"""A measurement group before any encoding as DICOM, and how one is filled from the fields of a file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from cotyle.report.dicom.codes import PERCENT, Code
from cotyle.report.dicom.numbers import Number
from cotyle.space.side import Side

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Measured:
    """A number with its unit, one standard deviation and the points it was measured at, LPS mm.

    ``derivation``: how it was derived, where the concept alone doesn't say it.
    """

    concept: Code
    value: float
    unit: Code
    spread: float | None = None
    at: tuple[Point, ...] = ()
    derivation: Code | None = None


@dataclass(frozen=True)
class ImageName:
    """What an image is referred to by: UIDs of its class and itself, and its frame, from 1, where it has several."""

    class_uid: str
    instance_uid: str
    frame: int | None = None


@dataclass(frozen=True)
class Group:
    """A measurement group.

    ``name`` tells groups of one study apart. ``place`` is the point that the group is about, if it is about one;
    ``points`` are others, each with its concept. ``answers`` are (question, answer), ``texts`` (concept, text).
    ``sources``: images it rests on, none for a group about a point; ``images``: others, each with its concept.
    """

    name: str
    finding: Code
    site: Code
    side: Side | None
    numbers: tuple[Measured, ...] = ()
    place: Point | None = None
    points: tuple[tuple[Code, Point], ...] = ()
    answers: tuple[tuple[Code, Code], ...] = ()
    texts: tuple[tuple[Code, str], ...] = ()
    sources: tuple[ImageName, ...] = ()
    images: tuple[tuple[Code, ImageName], ...] = ()


def field_of(content: Mapping[str, Any], field: str) -> Any:
    """Return the value at a path such as ``reaming.0.diameter_mm``; None if any part of it is absent."""
    value: Any = content
    for part in field.split("."):
        if isinstance(value, Mapping):
            value = value.get(part)
        elif isinstance(value, list | tuple) and part.isdigit() and int(part) < len(value):
            value = value[int(part)]
        else:
            return None
    return value


def present(table: Iterable[Number], content: Mapping[str, Any], item: str = "") -> tuple[Measured, ...]:
    """Return the numbers that a file has; ``item`` stands for ``#`` in a field."""
    return tuple(_measured(table, content, item))


def point_of(values: Iterable[float]) -> Point:
    """Return three plain numbers."""
    x, y, z = (float(value) for value in values)
    return x, y, z


def _measured(table: Iterable[Number], content: Mapping[str, Any], item: str) -> Iterator[Measured]:
    for number in table:
        value = field_of(content, number.field.replace("#", item))
        if value is None:
            continue
        spread = None if number.spread is None else field_of(content, number.spread.replace("#", item))
        at = tuple(point_of(field_of(content, field)) for field in number.at)
        if number.unit == PERCENT:  # files hold shares
            value, spread = _percent(value), None if spread is None else _percent(spread)
        yield Measured(number.concept, float(value), number.unit, spread, at, number.derivation)


def _percent(share: float) -> float:
    return round(100.0 * share, 9)
