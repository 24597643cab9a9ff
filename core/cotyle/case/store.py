"""Writing and reading the files of a case that are data: plan, measurements, landmarks, bones, scan, surfaces."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from cotyle.anatomy.landmark_files import write_landmarks
from cotyle.case import folder as names
from cotyle.case.anatomy_file import Anatomy, case_scan, read_scan_copy, write_scan_copy
from cotyle.case.measurements import Measurements
from cotyle.case.plan_file import PlanFile
from cotyle.case.stages import FoundAnatomy, PlannedCup
from cotyle.image.label_files import write_labels
from cotyle.image.volume import Volume


@dataclass(frozen=True, eq=False)
class StoredCase:
    """A case as read from its folder."""

    folder: Path
    plan: PlanFile
    anatomy: Anatomy
    scan: Volume


def write_anatomy(folder: Path, found: FoundAnatomy, scan: Volume) -> None:
    """Write what no later plan changes: scan, label map, surfaces, landmarks. ``scan`` is the case's own part."""
    write_scan_copy(scan, folder / names.CT)
    write_labels(folder / names.BONES, found.labels)
    found.anatomy.write(folder / names.ANATOMY)
    write_landmarks(found.anatomy.landmarks, folder / names.LANDMARKS)


def write_plan(folder: Path, planned: PlannedCup, measured: Measurements) -> None:
    """Write the plan and what was measured on it."""
    planned.plan.write(folder / names.PLAN)
    measured.write(folder / names.MEASUREMENTS)


def read_case(folder: Path) -> StoredCase:
    """Read a case.

    Raises
    ------
    InputError
        ``case-missing``, ``case-not``, ``case-outdated`` and those of its files.
    """
    names.require_case(folder)
    return StoredCase(
        folder,
        PlanFile.read(folder / names.PLAN),
        Anatomy.read(folder / names.ANATOMY),
        read_scan_copy(folder / names.CT),
    )


__all__ = ["StoredCase", "case_scan", "read_case", "write_anatomy", "write_plan"]
