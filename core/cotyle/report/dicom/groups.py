"""The measurement groups of a report: what measurements.json says, before any encoding as DICOM."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

from cotyle import CAUTION
from cotyle.case.measurements import Measurements
from cotyle.case.stages import MEASURING_FRAME
from cotyle.report.dicom import codes, numbers
from cotyle.report.dicom.group import Group, point_of, present
from cotyle.space.side import Side


def groups_of(measured: Measurements) -> list[Group]:
    """Return all groups, in the order of the report; those that the plan's verdict touches bear it."""
    content = measured.as_dict()
    side = measured.side
    in_usual_frame = measured.center_shift.frame == MEASURING_FRAME
    groups = [
        Group("pelvis", codes.PELVIS, codes.PELVIS, None, present(numbers.PELVIS_NUMBERS, content)),
        _native(measured, content),
        Group(
            "cup",
            codes.CUP_SHELL,
            codes.ACETABULUM,
            side,
            present(numbers.CUP_NUMBERS, content),
            points=((codes.CUP_CENTER, measured.cup.center_lps_mm),),
        ),
        Group(
            "wall",
            codes.INNER_WALL,
            codes.ACETABULUM,
            side,
            present(numbers.WALL_NUMBERS, content),
            points=((codes.WALL_LEAST_AT, measured.wall.minimum_at_lps_mm),),
            answers=((codes.BREACHED, codes.YES if measured.wall.breached else codes.NO),),
        ),
        Group("coverage", codes.BONE_COVER, codes.ACETABULUM, side, present(numbers.COVERAGE_NUMBERS, content)),
    ]
    if in_usual_frame:  # the concepts name it
        shift = present(numbers.SHIFT_NUMBERS, content)
        groups.append(Group("shift", codes.HIP_SHIFT, codes.HIP_JOINT, side, shift))
        groups += _reamers(measured, content)
    press_fit = present(numbers.PRESS_FIT_NUMBERS, content)
    groups.append(Group("press-fit", codes.PRESS_FIT, codes.ACETABULUM, side, press_fit))
    if measured.wall_view is not None and measured.wall_view.frame == MEASURING_FRAME:
        view = present(numbers.WALL_VIEW_NUMBERS, content)
        groups.append(Group("wall view", codes.WALL_VIEW, codes.ACETABULUM, side, view))
    grade = (codes.VERDICT, codes.GRADES[str(measured.verdict.grade)])
    judged = [replace(each, answers=(*each.answers, grade)) for each in groups]
    judged[0] = replace(judged[0], texts=((codes.COMMENT, CAUTION),))  # what a reader of a long list meets first
    return [*judged, *_frames(content), *_landmarks(measured, content), *_points_to_check(measured)]


def _native(measured: Measurements, content: Mapping[str, Any]) -> Group:
    group = measured.native.crowe_group
    answers = () if group not in codes.CROWE_GROUPS else ((codes.CROWE, codes.CROWE_GROUPS[group]),)
    found = present(numbers.NATIVE_NUMBERS, content)
    points = ((codes.HIP_CENTER, measured.native.center_lps_mm),)
    return Group(
        "native socket", codes.ACETABULUM, codes.HIP_JOINT, measured.side, found, points=points, answers=answers
    )


def _reamers(measured: Measurements, content: Mapping[str, Any]) -> Iterator[Group]:
    for place, step in enumerate(measured.reaming):
        yield Group(
            f"reamer {place + 1}",
            codes.REAMER,
            codes.ACETABULUM,
            measured.side,
            present(numbers.REAMER_NUMBERS, content, str(place)),
            points=((codes.REAMER_START, step.start_center_lps_mm), (codes.REAMER_END, step.end_center_lps_mm)),
            answers=((codes.BREACHED, codes.YES if step.breached else codes.NO),),
            texts=((codes.ENGAGES, step.engages),),
        )


def _frames(content: Mapping[str, Any]) -> Iterator[Group]:
    for name, (_, words) in codes.FRAMES.items():
        if name in content["frames"]:
            origin = point_of(content["frames"][name]["origin_lps_mm"])
            found = present(numbers.FRAME_NUMBERS, content, name)
            point = ((codes.FRAME_ORIGIN, origin),)
            yield Group(f"{words} ({name})", codes.FRAME, codes.PELVIS, None, found, points=point)


def _landmarks(measured: Measurements, content: Mapping[str, Any]) -> Iterator[Group]:
    for name, mark in sorted(measured.landmarks.items()):
        bare, side = _without_side(name)
        if bare not in codes.LANDMARKS:
            continue
        finding, site = codes.LANDMARKS[bare]
        yield Group(
            name,
            finding,
            site,
            side,
            present(numbers.ALL_NUMBERS["Each landmark"], content, name),
            place=mark.lps_mm,
            answers=((codes.ORIGIN, codes.ORIGINS[mark.origin]),) if mark.origin in codes.ORIGINS else (),
        )


def _points_to_check(measured: Measurements) -> Iterator[Group]:
    for side, hip in measured.verdict.hips.items():
        for point in hip.points:
            yield Group(
                f"check {point.mark}",
                codes.CHECK_POINT,
                codes.HIP_JOINT,
                side,
                place=point.lps_mm,
                texts=((codes.CHECK_WORDS, f"{point.words} [{point.code}]"),),
            )


def _without_side(name: str) -> tuple[str, Side | None]:
    for side in Side:
        if name.endswith(f"_{side}"):
            return name.removesuffix(f"_{side}"), side
    return name, None
