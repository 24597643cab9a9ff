"""Measurements as a Comprehensive 3D SR by template TID 1500 (DICOM PS3.16)."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from cotyle import CAUTION, __version__
from cotyle.case.measurements import Measurements
from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.concepts import concept
from cotyle.report.dicom.groups import Group, Measured, Point, groups_of
from cotyle.report.dicom.pictures import StoredPicture
from cotyle.report.dicom.source import Source
from cotyle.report.dicom.study import MANUFACTURER, MODEL, SERIAL, Series, placed

RANGE_WORDS = "Each +/- range is two standard deviations. A number without one is not known to be exact."
DATE_WORDS = {
    True: "Dates in this object are made up: the study is of nobody.",
    False: "Dates in this object are the scan's, not the plan's.",
}


def structured_report(
    measured: Measurements, source: Source, views: Sequence[tuple[StoredPicture, Dataset]]
) -> Dataset:
    """Return the report of a case's measurements; ``views`` are simulated views with their objects."""
    from highdicom import sr  # takes half a second to import, and few need it

    study = source.study
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        groups: list[Any] = [
            _group(each, study.frame_of_reference_uid, study.study_uid) for each in groups_of(measured)
        ]
        groups += [_view_group(n, *view, source, measured) for n, view in enumerate(views, 1)]
        report = sr.MeasurementReport(
            observation_context=_context(study.study_uid),
            procedure_reported=concept(codes.CT_IMAGING),
            imaging_measurements=groups,
        )
        report[0].ContentSequence.append(_words(measured, study.of_nobody))
        _separate(report[0])
        found: Any = sr.Comprehensive3DSR(
            evidence=[*source.images, *(view for _, view in views)],
            content=report,
            series_instance_uid=study.series_uid(Series.MEASUREMENTS),
            series_number=Series.MEASUREMENTS.value[0],
            sop_instance_uid="0.0",
            instance_number=1,
            manufacturer=MANUFACTURER,
            is_complete=True,
            is_final=False,
            is_verified=False,
            specific_character_set="ISO_IR 192",
        )
    found.CodingSchemeIdentificationSequence = [_own_scheme()]
    return placed(found, study, Series.MEASUREMENTS, 1)


def _separate(item: Dataset) -> None:
    """Have readers show each item with its name; run together, numbers would stand without theirs."""
    if item.ValueType == "CONTAINER":
        item.ContinuityOfContent = "SEPARATE"
        for child in item.ContentSequence:
            _separate(child)


def _own_scheme() -> Dataset:
    scheme = Dataset()
    scheme.CodingSchemeDesignator = codes.OWN
    scheme.CodingSchemeName = codes.OWN_NAME
    scheme.CodingSchemeVersion = "1"
    scheme.CodingSchemeResponsibleOrganization = "The Cotyle authors"
    return scheme


def _context(study_uid: str) -> Any:
    from highdicom import sr
    from pydicom.sr.codedict import codes as standard

    device = sr.DeviceObserverIdentifyingAttributes(
        uid=str(generate_uid(entropy_srcs=["cotyle observer", study_uid])),
        name="Cotyle",
        manufacturer_name=MANUFACTURER,
        model_name=f"{MODEL} {__version__}",
        serial_number=SERIAL,
    )
    observer = sr.ObserverContext(observer_type=standard.DCM.Device, observer_identifying_attributes=device)
    return sr.ObservationContext(observer_device_context=observer)


def _group(group: Group, frame_uid: str, study_uid: str) -> Any:
    from highdicom import sr

    common: dict[str, Any] = {
        "tracking_identifier": _tracking(group.name, study_uid),
        "finding_type": concept(group.finding),
        "finding_sites": [_site(group)],
        "measurements": [_number(each, frame_uid) for each in group.numbers],
        "qualitative_evaluations": [
            sr.QualitativeEvaluation(concept(question), concept(answer)) for question, answer in group.answers
        ],
    }
    if group.place is None:
        found: Any = sr.MeasurementsAndQualitativeEvaluations(**common)
    else:
        region = sr.ImageRegion3D("POINT", _points(group.place), frame_uid)
        found = sr.PlanarROIMeasurementsAndQualitativeEvaluations(referenced_region=region, **common)
    found[0].ContentSequence.extend(_extras(group, frame_uid))
    return found


def _extras(group: Group, frame_uid: str) -> Iterator[Any]:
    for name, point in group.points:
        yield _point_item(name, point, frame_uid)
    for name, text in group.texts:
        yield _text(name, text)


def _view_group(number: int, picture: StoredPicture, view: Dataset, source: Source, measured: Measurements) -> Any:
    """Return the group of a simulated view: picture, tube and detector."""
    from highdicom import sr

    carm, frame_uid = picture.carm, source.study.frame_of_reference_uid
    distances = (
        Measured(codes.SOURCE_TO_DETECTOR, _nine(carm.source_detector_mm), codes.MM),
        Measured(codes.PITCH, _nine(carm.pixel_pitch_mm[0]), codes.MM),
    )
    found = sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=_tracking(f"simulated view {number}", source.study.study_uid),
        finding_type=concept(codes.PICTURE),
        finding_sites=[sr.FindingSite(concept(codes.HIP_JOINT), laterality=concept(codes.SIDES[measured.side]))],
        measurements=[_number(each, frame_uid) for each in distances],
        source_images=[sr.SourceImageForMeasurementGroup(view.SOPClassUID, view.SOPInstanceUID)],
    )
    for name, point in ((codes.XRAY_SOURCE, carm.source_lps_mm), (codes.XRAY_DETECTOR, carm.detector_origin_lps_mm)):
        found[0].ContentSequence.append(_point_item(name, (point[0], point[1], point[2]), frame_uid))
    found[0].ContentSequence.append(_text(codes.COMMENT, f"Simulated, not an X-ray: {picture.description}"))
    return found


def _number(number: Measured, frame_uid: str) -> Any:
    from highdicom import sr

    coordinates = [sr.CoordinatesForMeasurement3D("POINT", _points(point), frame_uid) for point in number.at]
    found = sr.Measurement(
        name=concept(number.concept),
        value=number.value,
        unit=concept(number.unit),
        referenced_coordinates=coordinates or None,
    )
    if number.spread is not None:
        item = found[0]
        if "ContentSequence" not in item:
            item.ContentSequence = sr.ContentSequence()
        item.ContentSequence.append(
            sr.NumContentItem(
                name=concept(codes.UNCERTAINTY),
                value=_nine(2 * number.spread),
                unit=concept(number.unit),
                relationship_type=sr.RelationshipTypeValues.HAS_PROPERTIES,
            )
        )
    return found


def _words(measured: Measurements, of_nobody: bool) -> Any:
    """Return the verdict, the warnings and what the reader must know."""
    from highdicom import sr

    verdict = measured.verdict
    container = sr.ContainerContentItem(
        name=concept(codes.QUALITATIVE), relationship_type=sr.RelationshipTypeValues.CONTAINS
    )
    container.ContentSequence = sr.ContentSequence(
        [
            _text(codes.COMMENT, CAUTION),
            _code(codes.VERDICT, codes.GRADES[str(verdict.grade)]),
            _text(codes.VERDICT_WORDS, verdict.text),
            *(
                _code(codes.HIP_VERDICTS[side], codes.GRADES[str(hip.grade)])
                for side, hip in sorted(verdict.hips.items())
            ),
            *(_text(codes.WARNING, f"{each.text} [{each.code}]") for each in measured.warnings),
            _text(codes.COMMENT, RANGE_WORDS),
            _text(codes.DATES, DATE_WORDS[of_nobody]),
        ]
    )
    return container


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


def _nine(value: float) -> float:
    """Round as measurements.json does."""
    return round(float(value), 9)
