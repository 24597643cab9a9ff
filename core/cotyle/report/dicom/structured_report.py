"""Measurement groups as a Comprehensive 3D SR by template TID 1500 (DICOM PS3.16)."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Sequence
from typing import Any

from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from cotyle import __version__
from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.concepts import concept
from cotyle.report.dicom.group import Group
from cotyle.report.dicom.report_items import group_item, words_item
from cotyle.report.dicom.source import Source
from cotyle.report.dicom.study import MANUFACTURER, MODEL, SERIAL, Series, placed

RANGE_WORDS = "Each +/- range is two standard deviations. A number without one is not known to be exact."
GUIDE_WORDS = (
    "Inclination and anteversion are radiographic, operative or anatomic as defined by Murray, J Bone Joint Surg Br "
    "1993;75-B:228. Frames: the anterior pelvic plane holds both anterior superior iliac spines and the midpoint of "
    "the pubic tubercles; the supine frame takes out obliquity and rotation of the pelvis and keeps its tilt on the "
    "CT's table; the standing frame is that one, tilted as the pelvis is taken to stand. Points and directions are LPS "
    "(x to the patient's left, y posterior, z superior) in the CT's frame of reference."
)
_DATE_WORDS = {
    True: "Dates in this object are made up: the study is of nobody.",
    False: "Dates in this object are the scan's, not those of plan or operation.",
}


def structured_report(
    groups: Iterable[Group],
    words: Iterable[tuple[Code, Code | str]],
    source: Source,
    series: Series,
    number: int,
    procedure: Code,
    evidence: Sequence[Dataset] = (),
) -> Dataset:
    """Return a report of groups in the study and frame of reference of ``source``.

    ``words`` hold for the whole report: (concept, answer or sentence). ``procedure``: the imaging that is reported.
    ``evidence``: images beside those of the source that the groups name.
    """
    from highdicom import sr  # takes half a second to import, and few need it

    study = source.study
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        report = sr.MeasurementReport(
            observation_context=_context(study.study_uid),
            procedure_reported=concept(procedure),
            imaging_measurements=[group_item(each, study.frame_of_reference_uid, study.study_uid) for each in groups],
        )
        said = [
            *words,
            (codes.COMMENT, RANGE_WORDS),
            (codes.COMMENT, GUIDE_WORDS),
            (codes.DATES, _DATE_WORDS[study.of_nobody]),
        ]
        report[0].ContentSequence.append(words_item(said))
        _separate(report[0])
        found: Any = sr.Comprehensive3DSR(
            evidence=[*source.images, *evidence],
            content=report,
            series_instance_uid=study.series_uid(series),
            series_number=series.value[0],
            sop_instance_uid="0.0",
            instance_number=number,
            manufacturer=MANUFACTURER,
            is_complete=True,
            is_final=False,
            is_verified=False,
            specific_character_set="ISO_IR 192",
        )
    found.CodingSchemeIdentificationSequence = [_own_scheme()]
    return placed(found, study, series, number)


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
