"""comparison-<n>.json, what real pictures say against the plan, as a structured report."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from pydicom.dataset import Dataset

from cotyle import CAUTION
from cotyle.case.comparison_file import ComparisonFile, PoseFacts
from cotyle.report.comparison_page import VERDICT_WORDS
from cotyle.report.dicom import codes
from cotyle.report.dicom import comparison_codes as own
from cotyle.report.dicom import comparison_numbers as numbers
from cotyle.report.dicom.codes import Code
from cotyle.report.dicom.compared_pictures import pose_of
from cotyle.report.dicom.group import Group, ImageName, Measured, point_of, present
from cotyle.report.dicom.report_items import nine_digits
from cotyle.report.dicom.source import Source
from cotyle.report.dicom.structured_report import structured_report
from cotyle.report.dicom.study import Series
from cotyle.space.side import Side


@dataclass(frozen=True, eq=False)
class ComparedImages:
    """Images that a comparison's report refers to.

    ``drawn``: objects made of its pictures, by number of the picture (from 1) and kind. ``given``: headers of X-ray
    pictures themselves, by digest, as far as they are told.
    """

    drawn: Mapping[tuple[int, str], Dataset]
    given: Mapping[str, Dataset]

    def of_view(self, view: PoseFacts) -> Dataset | None:
        """Return the header of a view's own picture, if it is told."""
        return None if view.picture is None else self.given.get(view.picture.digest)


def comparison_report(number: int, file: ComparisonFile, side: Side, source: Source, images: ComparedImages) -> Dataset:
    """Return the report of comparison ``number``, of the hip of a side."""
    groups = [replace(each, name=f"comparison {number}: {each.name}") for each in _groups(file, side, images)]
    own_pictures = [picture for view in file.views if (picture := images.of_view(view)) is not None]
    return structured_report(
        groups,
        _words(file),
        source,
        Series.COMPARISONS,
        number,
        codes.X_RAY_IMAGING,
        [*images.drawn.values(), *own_pictures],
    )


def _groups(file: ComparisonFile, side: Side, images: ComparedImages) -> list[Group]:
    content = file.as_dict()
    groups = [] if file.cup is None else list(_cup(file, content, side))
    groups += _levelling(file, content)
    groups += [_picture(place, file, content, side, images) for place in range(len(file.views))]
    verdict = (own.COMPARED_VERDICT, own.VERDICTS[file.verdict])
    judged = [replace(each, answers=(*each.answers, verdict)) for each in groups]
    judged[0] = replace(judged[0], texts=((codes.COMMENT, CAUTION), *judged[0].texts))
    return judged


def _cup(file: ComparisonFile, content: Mapping[str, Any], side: Side) -> Iterator[Group]:
    cup, twin = file.cup, file.twin_choice
    assert cup is not None
    at = codes.ACETABULUM
    yield Group(
        "cup found",
        codes.CUP_SHELL,
        at,
        side,
        present(numbers.FOUND_NUMBERS, content),
        points=((own.FOUND_CENTER, cup.center_lps_mm),),
        answers=((own.CUP_VERDICT, own.VERDICTS[cup.verdict]),),
        texts=() if twin is None else ((own.TWIN_WORDS, twin.text),),
    )
    yield Group("against the plan", own.AGAINST_PLAN, at, side, present(numbers.DIFFERENCE_NUMBERS, content))
    if file.rim_ellipse is not None:
        yield Group("rim ellipse", own.RIM_ELLIPSE, at, side, present(numbers.ELLIPSE_NUMBERS, content))
    if twin is not None:
        center = twin.other_center_lps_mm
        yield Group(
            "other cup",
            own.OTHER_ANSWER,
            at,
            side,
            present(numbers.TWIN_NUMBERS, content),
            points=() if center is None else ((own.OTHER_CENTER, center),),
            texts=((own.TWIN_WORDS, twin.text),),
        )


def _levelling(file: ComparisonFile, content: Mapping[str, Any]) -> Iterator[Group]:
    for frame, (_, words) in codes.FRAMES.items():
        found = (file.levelling or {}).get(frame)
        if found is None:
            continue
        rows = [each for each in numbers.LEVELLING_NUMBERS if each.field.startswith(f"levelling.{frame}.")]
        yield Group(
            f"levelling, {words}",
            own.LEVELLING,
            codes.PELVIS,
            None,
            present(rows, content),
            texts=tuple((own.LEVELLING_WORDS, str(line)) for line in found.get("words", ())),
        )


def _picture(place: int, file: ComparisonFile, content: Mapping[str, Any], side: Side, images: ComparedImages) -> Group:
    view, pose = file.views[place], pose_of(file.views[place])
    distance: tuple[Measured, ...] = ()
    if pose is not None:
        distance = (Measured(codes.SOURCE_TO_DETECTOR, nine_digits(pose.source_detector_mm), codes.MM),)
    points = [(codes.XRAY_SOURCE, view.source_lps_mm), (codes.XRAY_DETECTOR, view.detector_origin_lps_mm)]
    itself, overlay = images.of_view(view), images.drawn.get((place + 1, "overlay"))
    return Group(
        f"picture {place + 1}",
        own.REAL_PICTURE,
        codes.HIP_JOINT,
        side,
        (*distance, *present(numbers.POSE_NUMBERS, content, str(place))),
        points=tuple((name, point_of(point)) for name, point in points if point is not None),
        answers=((own.POSE_VERDICT, own.VERDICTS[view.verdict]),),
        texts=tuple(_picture_words(view, itself is not None)),
        sources=() if itself is None else (_name(itself, None if view.picture is None else view.picture.frame),),
        images=() if overlay is None else ((own.OVERLAY, _name(overlay)),),
    )


def _picture_words(view: PoseFacts, told: bool) -> Iterator[tuple[Code, str]]:
    yield own.VIEW_NAME, view.view.replace("_", " ")
    if view.picture is not None:
        yield own.TUBE, str(view.picture.tube).replace("_", " ")
    for reason in view.reasons:
        yield codes.WARNING, reason
    column, row = (f"{a:g} c {b:+g} r {t:+g}" for a, b, t in view.to_file_px)
    yield codes.COMMENT, f"Pixels are those of the usual view, columns to the patient's left; file: ({column}, {row})."
    if told:
        said = "The X-ray picture itself is the source of this measurement."
    elif view.picture is None:
        said = "The X-ray picture is not referred to: this comparison does not tell which one it was."
    elif not view.picture.digest:
        said = "The X-ray picture is not referred to: it was no DICOM object."
    else:
        said = "The X-ray picture is not referred to: a case keeps no UID, and the picture was not given."
    yield own.PICTURE_TOLD, said


def _name(image: Dataset, frame: int | None = None) -> ImageName:
    return ImageName(str(image.SOPClassUID), str(image.SOPInstanceUID), frame)


def _words(file: ComparisonFile) -> Iterator[tuple[Code, Code | str]]:
    """Yield the verdict, the warnings and what the reader must know."""
    yield codes.COMMENT, CAUTION
    yield own.COMPARED_VERDICT, own.VERDICTS[file.verdict]
    yield own.COMPARED_VERDICT_WORDS, VERDICT_WORDS[file.verdict]
    if file.views_agree is not None:
        yield own.VIEWS_AGREE, codes.YES if file.views_agree else codes.NO
    twin = None if file.twin_choice is None else file.twin_choice.text
    for text in file.warnings:
        if text != twin:  # that stands beside both cups
            yield codes.WARNING, text
