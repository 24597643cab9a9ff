"""``cotyle repair``: labels and landmarks corrected by file, and what rests on them done again."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

from cotyle.anatomy.landmarks import Landmarks
from cotyle.case import folder as names
from cotyle.case.anatomy_file import Skeleton
from cotyle.case.anatomy_stages import given_of
from cotyle.case.decision.facts import has_decisions
from cotyle.case.folder import carry_over, written_whole
from cotyle.case.one_writer import only_writer_of
from cotyle.case.plan_changes import with_open_proposals
from cotyle.case.plan_file import PlanFile
from cotyle.case.repair import corrected_landmarks, repaired_bones
from cotyle.case.review import read_review, surveyed
from cotyle.case.store import read_case
from cotyle.cli.commands import plan_or_review, report_plan, say_gone
from cotyle.cli.console import Progress
from cotyle.errors import InputError
from cotyle.image.label_files import load_label_file, read_labels, write_labels
from cotyle.image.volume import Volume
from cotyle.report.dicom.study import case_study


@dataclass(frozen=True)
class RepairFiles:
    """What ``repair`` reads, and where it writes."""

    case: Path
    labels: Path | None
    label_names: Path | None
    landmarks: Path | None
    out: Path | None


@dataclass(frozen=True, eq=False)
class _Repairable:
    plan: PlanFile
    skeleton: Skeleton
    landmarks: Landmarks
    scan: Volume


def run_repair(files: RepairFiles, *, keep_cup: bool, pdf: bool, as_json: bool) -> None:
    """Correct a case, or what is left of a hip that could not be planned, and write it whole."""
    if files.labels is None and files.landmarks is None:
        raise InputError("repair-nothing", "no correction is given", "Give --labels, --landmarks or both")
    for path in (files.labels, files.label_names, files.landmarks):
        if path is not None and not path.is_file():
            raise InputError("file-missing", f"there is no file {path.name}", "Check the path")
    out = files.case if files.out is None else files.out
    progress = Progress(quiet=as_json)
    with progress.shown(), contextlib.ExitStack() as writing:
        progress("reading the case")
        if out.is_dir():
            writing.enter_context(only_writer_of(out))
        decided = has_decisions(out)
        before = _read(files.case)
        given = given_of(before.landmarks)
        if files.landmarks is not None:
            progress("reading the landmarks")
            given = corrected_landmarks(files.landmarks, before.landmarks)
        with written_whole(out) as folder:
            carry_over(files.case, folder, (names.CT,))
            skeleton = before.skeleton
            if files.labels is None:
                carry_over(files.case, folder, (names.BONES,))
            else:
                progress("reading the labels")
                own = load_label_file(files.case / names.BONES).labels
                labels = read_labels(files.labels, own, files.label_names)
                mended = repaired_bones(skeleton, before.scan, own, labels, progress)
                skeleton = mended.skeleton
                write_labels(folder / names.BONES, mended.labels)
            progress("finding landmarks and sockets")
            anatomy = surveyed(skeleton, given, before.plan.side)
            plan = before.plan if keep_cup else with_open_proposals(before.plan)
            study = case_study(skeleton.source, before.scan)
            # a case that is corrected in place may become one that cannot be planned only into another folder
            measured = plan_or_review(folder, out, anatomy, before.scan, plan, study, pdf, progress)
    say_gone(decided)
    report_plan(out, measured, progress, as_json)


def _read(folder: Path) -> _Repairable:
    if names.is_review(folder):
        kept = read_review(folder)
        return _Repairable(kept.review.plan, kept.skeleton, kept.landmarks, kept.scan)
    stored = read_case(folder)
    return _Repairable(stored.plan, stored.anatomy.skeleton, stored.anatomy.landmarks, stored.scan)
