"""What is doubtful about an anatomy: how grave it is, which results it touches, and on which side."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from cotyle.space.side import Side


class Grade(StrEnum):
    """How far the automatic result may be used: as it is, after a look at what is named, or not at all."""

    SOUND = "sound"
    CHECK = "check"
    CANNOT_PLAN = "cannot_plan"


class Concern(StrEnum):
    """A result that a finding makes doubtful."""

    BONES = "bones"
    CENTER = "center"
    DIAMETER = "diameter"
    FRAME = "frame"
    WALL = "wall"
    COVERAGE = "coverage"
    METAL_CUP = "metal_cup"


@dataclass(frozen=True)
class Finding:
    """One doubt.

    code: stable, for programs; text: one sentence for the surgeon; concerns: the results it touches; side: the hip
    it belongs to, None for both or neither; landmarks: names of the points to look at; places_lps_mm: other places to
    look at.
    """

    code: str
    text: str
    grade: Grade = Grade.CHECK
    concerns: tuple[Concern, ...] = ()
    side: Side | None = None
    landmarks: tuple[str, ...] = ()
    places_lps_mm: tuple[tuple[float, float, float], ...] = ()


_ORDER = (Grade.SOUND, Grade.CHECK, Grade.CANNOT_PLAN)


def worst(grades: Iterable[Grade]) -> Grade:
    """Return the gravest of some grades, ``SOUND`` of none."""
    return max(grades, key=_ORDER.index, default=Grade.SOUND)


def touching(findings: Iterable[Finding], side: Side) -> list[Finding]:
    """Return the findings that bear on a plan of one side: its own, those of no side, and the frame's."""
    return [each for each in findings if each.side in (None, side) or Concern.FRAME in each.concerns]


def concerning(findings: Iterable[Finding], concern: Concern, side: Side | None = None) -> list[Finding]:
    """Return the findings that touch a result; with a side, those of that side and those of none."""
    return [
        finding
        for finding in findings
        if concern in finding.concerns and (side is None or finding.side in (None, side))
    ]
