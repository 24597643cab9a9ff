"""measurements.json, and the simulated views, as a structured report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pydicom.dataset import Dataset

from cotyle import CAUTION
from cotyle.case.measurements import Measurements
from cotyle.report.dicom import codes
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.group import Group, ImageName, Measured, point_of
from cotyle.report.dicom.groups import groups_of
from cotyle.report.dicom.pictures import StoredPicture
from cotyle.report.dicom.report_items import nine_digits
from cotyle.report.dicom.source import Source
from cotyle.report.dicom.structured_report import structured_report
from cotyle.report.dicom.study import Series


def plan_report(measured: Measurements, source: Source, views: Sequence[tuple[StoredPicture, Dataset]]) -> Dataset:
    """Return the report of a case's measurements; ``views`` are simulated views with their objects."""
    groups = [*groups_of(measured), *(_view(n, *view, measured) for n, view in enumerate(views, 1))]
    return structured_report(
        groups,
        _words(measured),
        source,
        Series.MEASUREMENTS,
        1,
        codes.CT_IMAGING,
        [view for _, view in views],
    )


def _view(number: int, picture: StoredPicture, view: Dataset, measured: Measurements) -> Group:
    """Return the group of a simulated view: picture, tube and detector."""
    carm = picture.carm
    return Group(
        f"simulated view {number}",
        codes.PICTURE,
        codes.HIP_JOINT,
        measured.side,
        (
            Measured(codes.SOURCE_TO_DETECTOR, nine_digits(carm.source_detector_mm), codes.MM),
            Measured(codes.PITCH, nine_digits(carm.pixel_pitch_mm[0]), codes.MM),
        ),
        points=(
            (codes.XRAY_SOURCE, point_of(carm.source_lps_mm)),
            (codes.XRAY_DETECTOR, point_of(carm.detector_origin_lps_mm)),
        ),
        texts=((codes.COMMENT, f"Simulated, not an X-ray: {picture.description}"),),
        sources=(ImageName(view.SOPClassUID, view.SOPInstanceUID),),
    )


def _words(measured: Measurements) -> Iterator[tuple[Code, Code | str]]:
    """Yield the verdict, the warnings and what the reader must know."""
    verdict = measured.verdict
    yield codes.COMMENT, CAUTION
    yield codes.VERDICT, codes.GRADES[str(verdict.grade)]
    yield codes.VERDICT_WORDS, verdict.text
    for side, hip in sorted(verdict.hips.items()):
        yield codes.HIP_VERDICTS[side], codes.GRADES[str(hip.grade)]
    for each in measured.warnings:
        yield codes.WARNING, f"{each.text} [{each.code}]"
