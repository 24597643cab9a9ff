"""Writing and reading the files of a case that are data: plan, measurements, landmarks, bones, scan, surfaces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from cotyle.anatomy.landmark_files import write_landmarks
from cotyle.case import folder as names
from cotyle.case.anatomy_file import Anatomy, read_scan_copy, write_scan_copy
from cotyle.case.measurements import Measurements
from cotyle.case.plan_file import PlanFile, PlanVerdict
from cotyle.case.results import corrections_of
from cotyle.case.stages import PlannedCup
from cotyle.errors import InputError
from cotyle.image.label_files import write_labels
from cotyle.image.volume import Volume


@dataclass(frozen=True, eq=False)
class StoredCase:
    """A case as read from its folder."""

    folder: Path
    plan: PlanFile
    anatomy: Anatomy
    scan: Volume


def write_bones(folder: Path, labels: Volume, scan: Volume) -> None:
    """Write what no landmark changes: the case's own part of the scan, and the label map."""
    write_scan_copy(scan, folder / names.CT)
    write_labels(folder / names.BONES, labels)


def write_anatomy(folder: Path, anatomy: Anatomy) -> None:
    """Write what no later plan changes besides the bones: surfaces, landmarks, sockets."""
    anatomy.write(folder / names.ANATOMY)
    write_landmarks(anatomy.landmarks, folder / names.LANDMARKS)


def write_plan(folder: Path, planned: PlannedCup, measured: Measurements) -> None:
    """Write the plan, with its verdict and what was given, and what was measured on it."""
    verdict = PlanVerdict(
        grade=measured.verdict.grade,
        text=measured.verdict.text,
        hips={side: hip.grade for side, hip in measured.verdict.hips.items()},
    )
    plan = planned.plan.model_copy(update={"verdict": verdict, "given": corrections_of(planned.anatomy)})
    plan.write(folder / names.PLAN)
    measured.write(folder / names.MEASUREMENTS)


def read_case(folder: Path) -> StoredCase:
    """Read a case.

    Raises
    ------
    InputError
        ``case-missing``, ``case-not``, ``case-outdated`` and those of its files.
    """
    return names.read_undisturbed(folder, lambda: _read(folder))


def _read(folder: Path) -> StoredCase:
    names.require_case(folder)
    return StoredCase(
        folder,
        PlanFile.read(folder / names.PLAN),
        Anatomy.read(folder / names.ANATOMY),
        read_scan_copy(folder / names.CT),
    )


@dataclass(frozen=True, eq=False)
class OpenedCase:
    """A case as read from its folder, and the bytes of its small files: enough to write it again, wherever."""

    stored: StoredCase
    files: Mapping[str, bytes]

    def saved_as(self, folder: Path, plan: PlanFile, anatomy: Anatomy) -> OpenedCase:
        """Return the case that now stands in a folder."""
        return OpenedCase(StoredCase(folder, plan, anatomy, self.stored.scan), _small_files(folder))


def open_case(folder: Path) -> OpenedCase:
    """Read a case to be planned on; errors as in :func:`read_case`, and ``file-missing``."""
    return names.read_undisturbed(folder, lambda: OpenedCase(_read(folder), _small_files(folder)))


_SMALL = (names.PLAN, names.BONES, names.ANATOMY, names.LANDMARKS)


def _small_files(folder: Path) -> dict[str, bytes]:
    try:
        return {name: (folder / name).read_bytes() for name in _SMALL}
    except OSError as error:
        name = Path(str(error.filename)).name
        raise InputError("file-missing", f"{name} cannot be read", "Plan the case again") from error
