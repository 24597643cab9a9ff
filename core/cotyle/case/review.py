"""What is left where a hip cannot be planned automatically: a folder that says why and holds what can be corrected.

It is no case: it has no plan.json. It holds the bones and the landmarks as far as they were found, a page with the
doubt figures, and all that ``cotyle repair`` needs to make a case of it once labels or points were given.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from cotyle import __version__
from cotyle.anatomy.findings import Concern, Finding, Grade
from cotyle.anatomy.landmark_files import LandmarkFile, landmarks_from_records, write_landmarks
from cotyle.anatomy.landmarks import APP_NAMES, LANDMARK_NAMES, Landmark, Landmarks, Origin
from cotyle.anatomy.sockets.socket import Socket
from cotyle.case import folder as names
from cotyle.case.anatomy_file import Anatomy, Skeleton, read_scan_copy
from cotyle.case.anatomy_stages import complete_anatomy, require_plannable
from cotyle.case.json_text import read_json
from cotyle.case.measurements import FindingFacts
from cotyle.case.plan_file import PlanFile
from cotyle.case.produced_by import ProducedBy, produced_by
from cotyle.case.results import finding_facts
from cotyle.case.schema import FileModel, validated
from cotyle.case.verdict import Verdict, verdict_of
from cotyle.errors import InputError
from cotyle.image.volume import Volume
from cotyle.space.fits import fit_sphere
from cotyle.space.side import Side

CARRIED_SD_MM = 5.0
"""One standard deviation of a point that only the fitted shape knows; common practice, no source."""


_LEAST_SEEDS = 20


class Review(FileModel):
    """The whole of review.json: the plan that was begun, and why it could not be finished."""

    schema_name: Literal["cotyle/review"] = Field(default="cotyle/review", alias="schema")
    version: Literal[1] = 1
    software: str = f"cotyle {__version__}"
    produced_by: ProducedBy | None = None
    code: str
    text: str
    plan: PlanFile
    verdict: Verdict
    findings: tuple[FindingFacts, ...] = ()


@dataclass(frozen=True, eq=False)
class Unplannable:
    """A hip that cannot be planned: the error that says why, and what was found all the same."""

    error: InputError
    skeleton: Skeleton
    landmarks: Landmarks
    sockets: dict[Side, Socket]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class StoredReview:
    """A review folder as read."""

    review: Review
    skeleton: Skeleton
    landmarks: Landmarks
    scan: Volume


class CannotPlanError(InputError):
    """A hip cannot be planned automatically; ``document`` adds to what ``--json`` prints."""

    def __init__(self, cause: InputError, remedy: str, document: dict[str, Any]) -> None:
        super().__init__(cause.code, cause.what, remedy)
        self.document = document


def surveyed(skeleton: Skeleton, given: Landmarks, side: Side) -> Anatomy | Unplannable:
    """Return the anatomy of a side that can be planned, or why it cannot.

    Raises
    ------
    InputError
        For given points that are wrong in themselves: ``landmark-outside``, ``landmark-degenerate``.
    """
    try:
        anatomy = complete_anatomy(skeleton, given)
    except InputError as error:
        if error.code == "landmark-outside" or (error.code == "landmark-degenerate" and set(given) & set(APP_NAMES)):
            raise
        return Unplannable(error, skeleton, _carried(skeleton, given), {}, (*skeleton.doubts, _stopped(error, side)))
    try:
        require_plannable(anatomy, side)
    except InputError as error:
        return without_plan(anatomy, error, side)
    return anatomy


def without_plan(anatomy: Anatomy, error: InputError, side: Side) -> Unplannable:
    """Return what is left of an anatomy on which a plan failed."""
    known = any(each.grade is Grade.CANNOT_PLAN and each.side in (None, side) for each in anatomy.doubts)
    findings = anatomy.doubts if known else (*anatomy.doubts, _stopped(error, side))
    return Unplannable(error, anatomy.skeleton, anatomy.landmarks, dict(anatomy.sockets), findings)


def review_of(stopped: Unplannable, plan: PlanFile) -> Review:
    """Return the content of review.json."""
    return Review(
        produced_by=produced_by(),
        code=stopped.error.code,
        text=stopped.error.what,
        plan=plan,
        verdict=verdict_of(stopped.findings, stopped.landmarks, plan.side),
        findings=tuple(finding_facts(each) for each in stopped.findings),
    )


def write_review(folder: Path, stopped: Unplannable, review: Review) -> None:
    """Write the data of a review; scan and label map are there already."""
    stopped.skeleton.write(folder / names.SKELETON)
    write_landmarks(stopped.landmarks, folder / names.LANDMARKS)
    review.write(folder / names.REVIEW)


def read_review(folder: Path) -> StoredReview:
    """Read a review folder; errors as for the files of a case."""
    records = validated(LandmarkFile, read_json(folder / names.LANDMARKS), names.LANDMARKS)
    return StoredReview(
        Review.read(folder / names.REVIEW),
        Skeleton.read(folder / names.SKELETON),
        landmarks_from_records(records.root),
        read_scan_copy(folder / names.CT),
    )


def _stopped(error: InputError, side: Side) -> Finding:
    return Finding(error.code, error.what, Grade.CANNOT_PLAN, (Concern.CENTER,), side)


def _carried(skeleton: Skeleton, given: Landmarks) -> dict[str, Landmark]:
    """Landmarks as the fitted shape carries them, the user's in their place."""
    points = dict(skeleton.seeds.points_lps_mm)
    for side, socket in skeleton.seeds.sockets.items():
        if len(socket.lunate) >= _LEAST_SEEDS:
            points.setdefault(f"hip_center_{side}", fit_sphere(socket.lunate)[0].center_lps_mm)
    carried = {
        name: Landmark(name, points[name], Origin.EXTRAPOLATED, CARRIED_SD_MM)
        for name in LANDMARK_NAMES
        if name in points
    }
    return {**carried, **given}
