"""What stands in the orientation field, as plain numbers: for the report's figure and for the page on the screen."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from cotyle.anatomy.pelvis import Pelvis
from cotyle.case.plan_file import Targets
from cotyle.case.uncertainty import orientation_uncertainty
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.side import Side

if TYPE_CHECKING:
    from cotyle.case.comparison_file import ComparisonFile

POSTURES = ("supine", "app", "standing")
_INCLINATION_DEG = (20.0, 65.0)
_ANTEVERSION_DEG = (-5.0, 40.0)
_MARGIN_DEG = 4.0
_SAME_DEG = 0.005


class Kind(StrEnum):
    """What a mark stands for; figure and page give each a shape and a colour of its own."""

    PLAN_SUPINE = "plan_supine"
    PLAN_APP = "plan_app"
    PLAN_STANDING = "plan_standing"
    KEPT = "kept"
    NATIVE = "native"
    FOUND = "found"


@dataclass(frozen=True)
class FieldMark:
    """One orientation with its words and, if known, one standard deviation of each angle."""

    kind: Kind
    words: str
    inclination_deg: float
    anteversion_deg: float
    sd_deg: tuple[float, float] | None = None


@dataclass(frozen=True)
class TargetZone:
    """The middle and half widths of the target."""

    inclination_deg: float
    anteversion_deg: float
    inclination_tolerance_deg: float
    anteversion_tolerance_deg: float
    words: str

    @property
    def inclination_range_deg(self) -> tuple[float, float]:
        """Least and most inclination within it."""
        middle, half = self.inclination_deg, self.inclination_tolerance_deg
        return middle - half, middle + half

    @property
    def anteversion_range_deg(self) -> tuple[float, float]:
        """Least and most anteversion within it."""
        middle, half = self.anteversion_deg, self.anteversion_tolerance_deg
        return middle - half, middle + half


def target_zone(targets: Targets) -> TargetZone:
    """Return the zone that a plan aims at."""
    return TargetZone(
        targets.inclination_deg,
        targets.anteversion_deg,
        targets.inclination_tolerance_deg,
        targets.anteversion_tolerance_deg,
        f"target zone, {targets.frame}",
    )


def plan_marks(axis_lps: Array, pelvis: Pelvis, side: Side, definition: Definition) -> list[FieldMark]:
    """Return the plan in each posture; postures in which it is the same share one mark.

    Spreads follow the pelvic frame's and are given for radiographic angles only. A posture in which the definition
    leaves an angle open has no mark.
    """
    marks: list[FieldMark] = []
    for posture in POSTURES:
        frame = pelvis.frames[posture]
        try:
            found = orientation_of_axis(axis_lps, frame, side, definition)
        except InputError:
            continue
        sd = None
        if definition is Definition.RADIOGRAPHIC:
            spread = orientation_uncertainty(axis_lps, frame, pelvis, side, definition)
            sd = (spread.inclination_deg, spread.anteversion_deg)
        mark = FieldMark(Kind(f"plan_{posture}"), f"plan, {posture}", found.inclination_deg, found.anteversion_deg, sd)
        same = next((n for n, other in enumerate(marks) if _same(mark, other)), None)
        if same is None:
            marks.append(mark)
        else:
            marks[same] = replace(marks[same], words=f"{marks[same].words} and {posture}")
    return marks


def single_mark(
    kind: Kind, words: str, axis_lps: Array, pelvis: Pelvis, side: Side, frame: str, definition: Definition
) -> FieldMark | None:
    """Return an axis in one frame, which its words then name; None where the definition leaves an angle open."""
    try:
        found = orientation_of_axis(axis_lps, pelvis.frames[frame], side, definition)
    except InputError:
        return None
    return FieldMark(kind, f"{words}, {frame}", found.inclination_deg, found.anteversion_deg)


def found_mark(found: ComparisonFile, frame: str, definition: Definition) -> FieldMark | None:
    """Return the cup that was found in pictures, with its spread; None where that frame or definition lacks it."""
    angles = found.orientation.get(frame, {}).get(definition)
    if angles is None or found.uncertainty is None:
        return None
    spread = found.uncertainty.orientation[frame][definition]
    sd = (spread.inclination_deg, spread.anteversion_deg)
    return FieldMark(Kind.FOUND, f"found cup, {frame}", angles.inclination_deg, angles.anteversion_deg, sd)


def field_ranges_deg(marks: Iterable[FieldMark], target: TargetZone) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the inclinations and the anteversions to show: all marks and the target, at least 20 to 65, -5 to 40."""
    shown = list(marks)
    return (
        _range([each.inclination_deg for each in shown], target.inclination_range_deg, _INCLINATION_DEG),
        _range([each.anteversion_deg for each in shown], target.anteversion_range_deg, _ANTEVERSION_DEG),
    )


def _range(values: list[float], zone: tuple[float, float], least: tuple[float, float]) -> tuple[float, float]:
    every = [*values, *zone]
    return min(least[0], min(every) - _MARGIN_DEG), max(least[1], max(every) + _MARGIN_DEG)


def _same(one: FieldMark, other: FieldMark) -> bool:
    return (
        abs(one.inclination_deg - other.inclination_deg) < _SAME_DEG
        and abs(one.anteversion_deg - other.anteversion_deg) < _SAME_DEG
    )
