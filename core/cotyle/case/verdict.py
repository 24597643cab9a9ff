"""How far the automatic result may be used: sound, check these points, or not at all; for each hip and for the plan.

A hip bears its own findings, those of no side, and those about the pelvis' frame, which both hips share. The plan bears
those of its hip and what the planned cup adds: a wall or a coverage that ends on edges which the scan doesn't show.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from math import dist

from pydantic import Field

from cotyle.anatomy.findings import Concern, Finding, Grade, touching, worst
from cotyle.anatomy.landmarks import APP_NAMES, Landmark
from cotyle.anatomy.made_up_slices import stretch_at
from cotyle.case.schema import Strict, Vector
from cotyle.case.stages import PlannedCup
from cotyle.space.side import Side

# One standard deviation from which a measure is called doubtful; common practice, no source.
MOST_WALL_SD_MM = 0.5
MOST_COVERAGE_SD = 0.05
# sound synthetic hips show none
MOST_SOFT_SHARE = 0.01

# Points to check that are nearer to each other than this are one.
_APART_MM = 4.0

DOUBT_FIGURE = "figures/doubt-{side}.png"
"""Where the doubt figure of a hip lies in a case."""

GRADE_WORDS: Mapping[Grade, str] = {
    Grade.SOUND: "Sound",
    Grade.CHECK: "Check the points below",
    Grade.CANNOT_PLAN: "Cannot be planned automatically",
}


class PointToCheck(Strict):
    """A point to look at: ``mark`` is what it is called in the doubt figure of its hip (``R1``), LPS mm."""

    mark: str
    words: str
    lps_mm: Vector
    code: str


class HipVerdict(Strict):
    """One hip: grade, codes of the findings that led to it, points to look at."""

    grade: Grade
    codes: tuple[str, ...] = ()
    points: tuple[PointToCheck, ...] = ()


class Verdict(Strict):
    """The plan's grade with a sentence, and each hip's. ``figures`` are the doubt figures by side."""

    grade: Grade
    text: str
    hips: dict[Side, HipVerdict]
    figures: dict[Side, str] = Field(default_factory=dict)


def plan_verdict(planned: PlannedCup) -> Verdict:
    """Return the verdict on a plan."""
    findings = (*planned.anatomy.doubts, *plan_doubts(planned))
    return verdict_of(findings, planned.anatomy.landmarks, planned.plan.side)


def plan_doubts(planned: PlannedCup) -> Iterator[Finding]:
    """Yield what the planned cup rests on and the scan doesn't show."""
    wall, side = planned.wall, planned.plan.side
    if not wall.breached_on_axis and wall.uncertainty_mm > MOST_WALL_SD_MM:
        text = (
            f"the wall along the axis is known to ± {2 * wall.uncertainty_mm:.1f} mm only: check where the axis leaves "
            "the bone"
        )
        at = () if wall.exit_lps_mm is None else (_tenths(wall.exit_lps_mm),)
        yield Finding("wall-unsure", text, concerns=(Concern.WALL,), side=side, places_lps_mm=at)
    if not wall.breached and wall.minimum_uncertainty_mm > MOST_WALL_SD_MM:
        text = (
            f"the least wall is known to ± {2 * wall.minimum_uncertainty_mm:.1f} mm only: check the inner surface "
            "round its place"
        )
        at = (_tenths(wall.minimum_at_lps_mm),)
        yield Finding("least-wall-unsure", text, concerns=(Concern.WALL,), side=side, places_lps_mm=at)
    yield from _ends_in_made_up(planned)
    if planned.coverage_uncertainty > MOST_COVERAGE_SD:
        text = f"coverage is known to ± {200 * planned.coverage_uncertainty:.0f} % only: check the edge of the socket"
        yield Finding("coverage-unsure", text, concerns=(Concern.COVERAGE,), side=side)
    if planned.soft_bed.share > MOST_SOFT_SHARE:
        text = (
            f"{planned.soft_bed.share:.0%} of the shell lies in soft tissue within the bone (behind a double floor, or "
            "in a cyst) and is not counted as covered: look at it in the scan"
        )
        yield Finding("bed-soft", text, concerns=(Concern.COVERAGE, Concern.WALL), side=side)


def _ends_in_made_up(planned: PlannedCup) -> Iterator[Finding]:
    """Yield the walls that end between slices that a repair made up."""
    wall, made_up = planned.wall, planned.anatomy.source.made_up
    for words, at, sd_mm in (
        ("wall along the axis", None if wall.breached_on_axis else wall.exit_lps_mm, wall.uncertainty_mm),
        ("least wall", None if wall.breached else wall.minimum_at_lps_mm, wall.minimum_uncertainty_mm),
    ):
        stretch = None if at is None else stretch_at(at, made_up)
        if at is not None and stretch is not None:
            text = (
                f"the {words} ends in slices that were made up, {stretch.words}: it is known to ± {2 * sd_mm:.1f} mm, "
                "and a thin place there may not show at all"
            )
            places = (_tenths(at),)
            yield Finding("wall-made-up", text, concerns=(Concern.WALL,), side=planned.plan.side, places_lps_mm=places)


def verdict_of(findings: Iterable[Finding], landmarks: Mapping[str, Landmark], side: Side) -> Verdict:
    """Return the verdict from all findings; ``side`` is the hip that is planned."""
    doubts = [each for each in findings if each.grade is not Grade.SOUND]
    listed = sorted(doubts, key=lambda each: each.grade is not Grade.CANNOT_PLAN)
    hips = {each: _hip(touching(listed, each), landmarks, each) for each in Side}
    return Verdict(
        grade=hips[side].grade,
        text=_sentence(hips[side], touching(listed, side), side),
        hips=hips,
        figures={each: DOUBT_FIGURE.format(side=each) for each in Side},
    )


def _hip(findings: list[Finding], landmarks: Mapping[str, Landmark], side: Side) -> HipVerdict:
    points: list[PointToCheck] = []
    for finding in findings:
        for words, place in _places(finding, landmarks, side):
            if all(dist(each.lps_mm, place) > _APART_MM for each in points):
                mark = f"{str(side)[0].upper()}{len(points) + 1}"
                points.append(PointToCheck(mark=mark, words=words, lps_mm=place, code=finding.code))
    codes = tuple(dict.fromkeys(each.code for each in findings))
    return HipVerdict(grade=worst(each.grade for each in findings), codes=codes, points=tuple(points))


def _places(
    finding: Finding, landmarks: Mapping[str, Landmark], side: Side
) -> Iterator[tuple[str, tuple[float, float, float]]]:
    """Yield the points of a finding, with words; those that its concerns rest on if it names none."""
    names = [name for name in finding.landmarks if name in landmarks and not name.endswith(f"_{side.opposite}")]
    if not finding.landmarks and not finding.places_lps_mm:
        if Concern.FRAME in finding.concerns:
            names = [name for name in APP_NAMES if name in landmarks]
        elif finding.concerns:
            names = [name for name in (f"hip_center_{side}",) if name in landmarks]
    elif Concern.FRAME in finding.concerns:
        names = [name for name in finding.landmarks if name in landmarks]
    for name in names:
        yield landmark_words(name), _tenths(landmarks[name].lps_mm)
    for place in finding.places_lps_mm:
        yield "edge of bone", _tenths(place)


def landmark_words(name: str) -> str:
    """Return a landmark's name as people write it."""
    words = name.replace("_", " ").replace("center", "centre")
    for short, long in (("asis", "ASIS"), ("psis", "PSIS"), ("si joint", "SI joint")):
        words = words.replace(short, long) if words.startswith(short) else words
    return words


def _sentence(hip: HipVerdict, findings: list[Finding], side: Side) -> str:
    if hip.grade is Grade.SOUND:
        return (
            f"Sound: nothing doubtful was found in bones, landmarks and socket of the {side} hip. That proves nothing: "
            "check every number."
        )
    if hip.grade is Grade.CANNOT_PLAN:
        reasons = "; ".join(each.text for each in findings if each.grade is Grade.CANNOT_PLAN)
        return f"Cannot be planned automatically: {reasons}. Give labels or points."
    count = len(hip.points)
    what = "its doubts below" if not count else "this point" if count == 1 else f"these {count} points"
    rests = "it" if count == 1 else "them"
    return f"Check {what} before you use the plan of the {side} hip; what rests on {rests} may be wrong."


def _tenths(place: Iterable[float]) -> tuple[float, float, float]:
    x, y, z = (round(float(value), 1) for value in place)
    return x, y, z
