"""Measurement groups and words as content items of a structured report (TID 1500 and below, DICOM PS3.16)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
from pydicom.uid import generate_uid

from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.concepts import concept
from cotyle.report.dicom.group import Group, ImageName, Measured, Point


def group_item(group: Group, frame_uid: str, study_uid: str) -> Any:
    """Return a measurement group (TID 1501, or 1410 where it is about one point)."""
    from highdicom import sr

    common: dict[str, Any] = {
        "tracking_identifier": _tracking(group.name, study_uid),
        "finding_type": concept(group.finding),
        "finding_sites": [_site(group)],
        "measurements": [_number(each, frame_uid) for each in group.numbers],
        "qualitative_evaluations": [
            sr.QualitativeEvaluation(concept(question), concept(answer)) for question, answer in _answers(group)
        ],
    }
    if group.place is None:
        sources = [_source(each) for each in group.sources]
        found: Any = sr.MeasurementsAndQualitativeEvaluations(**common, source_images=sources or None)
    else:
        region = sr.ImageRegion3D("POINT", _points(group.place), frame_uid)
        found = sr.PlanarROIMeasurementsAndQualitativeEvaluations(referenced_region=region, **common)
    found[0].ContentSequence.extend(_extras(group, frame_uid))
    return found


def words_item(words: Iterable[tuple[Code, Code | str]]) -> Any:
    """Return the container of what holds for the whole report: answers and sentences in their order."""
    from highdicom import sr

    container = sr.ContainerContentItem(
        name=concept(codes.QUALITATIVE), relationship_type=sr.RelationshipTypeValues.CONTAINS
    )
    container.ContentSequence = sr.ContentSequence(
        [_code(name, said) if isinstance(said, Code) else _text(name, said) for name, said in words]
    )
    return container


def nine_digits(value: float) -> float:
    """Round as the files of a case do."""
    return round(float(value), 9)


def _answers(group: Group) -> Iterator[tuple[Code, Code]]:
    """Yield the side first: readers put the laterality of a site where it is easily overlooked."""
    if group.side is not None:
        yield codes.HIP_SIDE, codes.SIDES[group.side]
    yield from group.answers


def _extras(group: Group, frame_uid: str) -> Iterator[Any]:
    for name, point in group.points:
        yield _point_item(name, point, frame_uid)
    for name, text in group.texts:
        yield _text(name, text)
    for name, image in group.images:
        yield _image(name, image)


def _number(number: Measured, frame_uid: str) -> Any:
    from highdicom import sr

    coordinates = [sr.CoordinatesForMeasurement3D("POINT", _points(point), frame_uid) for point in number.at]
    found = sr.Measurement(
        name=concept(number.concept),
        value=number.value,
        unit=concept(number.unit),
        derivation=None if number.derivation is None else concept(number.derivation),
        referenced_coordinates=coordinates or None,
    )
    if number.spread is not None:
        item = found[0]
        if "ContentSequence" not in item:
            item.ContentSequence = sr.ContentSequence()
        item.ContentSequence.append(
            sr.NumContentItem(
                name=concept(codes.UNCERTAINTY),
                value=nine_digits(2 * number.spread),
                unit=concept(number.unit),
                relationship_type=sr.RelationshipTypeValues.HAS_PROPERTIES,
            )
        )
    return found


def _source(image: ImageName) -> Any:
    from highdicom import sr

    frames = None if image.frame is None else [image.frame]
    return sr.SourceImageForMeasurementGroup(image.class_uid, image.instance_uid, frames)


def _image(name: Code, image: ImageName) -> Any:
    from highdicom import sr

    return sr.ImageContentItem(
        concept(name), image.class_uid, image.instance_uid, relationship_type=sr.RelationshipTypeValues.CONTAINS
    )


def _site(group: Group) -> Any:
    from highdicom import sr

    side = None if group.side is None else concept(codes.SIDES[group.side])
    return sr.FindingSite(concept(group.site), laterality=side)


def _tracking(name: str, study_uid: str) -> Any:
    from highdicom import sr

    uid = str(generate_uid(entropy_srcs=["cotyle group", study_uid, name]))
    return sr.TrackingIdentifier(uid=uid, identifier=name)


def _text(name: Code, text: str) -> Any:
    from highdicom import sr

    return sr.TextContentItem(concept(name), text, sr.RelationshipTypeValues.CONTAINS)


def _code(name: Code, value: Code) -> Any:
    from highdicom import sr

    return sr.CodeContentItem(concept(name), concept(value), sr.RelationshipTypeValues.CONTAINS)


def _point_item(name: Code, point: Point, frame_uid: str) -> Any:
    from highdicom import sr

    return sr.Scoord3DContentItem(
        concept(name), "POINT", _points(point), frame_uid, relationship_type=sr.RelationshipTypeValues.CONTAINS
    )


def _points(point: Point) -> Any:
    return np.array([point], dtype=float)
