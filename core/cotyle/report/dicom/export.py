"""A case's results as a folder of DICOM files: all of it or nothing."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydicom.dataset import Dataset

from cotyle.case import folder as names
from cotyle.case.measurements import Measurements
from cotyle.case.stages import Progress
from cotyle.case.store import StoredCase, read_case
from cotyle.errors import InputError
from cotyle.files import new_folder
from cotyle.image.label_files import load_label_file
from cotyle.image.labels import BONE_LABELS
from cotyle.image.series_check import SliceStack
from cotyle.image.source_series import find_series
from cotyle.report.dicom.encapsulated import pdf_object, stl_object
from cotyle.report.dicom.pictures import StoredPicture, picture_object, read_picture
from cotyle.report.dicom.segmentation import segmentation
from cotyle.report.dicom.source import Source, copied_source, source_of
from cotyle.report.dicom.structured_report import structured_report
from cotyle.report.dicom.study import as_bytes, case_study
from cotyle.report.meshes import cavity_stl

SCAN = "scan"
PARTS = ("segmentation", "measurements", "views", "report", "surfaces", SCAN)
"""What can be written. The scan belongs to a study of nobody alone: the patient's own has it already."""

_Objects = Iterator[tuple[str, Dataset]]


@dataclass(frozen=True)
class WrittenObject:
    """One file: its name in the folder, the part it belongs to, the name of its class, its size."""

    file: str
    part: str
    kind: str
    bytes: int


@dataclass(frozen=True)
class Exported:
    """What was written, whether into a study of nobody, and (part, why) of what a case does not hold."""

    files: tuple[WrittenObject, ...]
    of_nobody: bool
    left_out: tuple[tuple[str, str], ...]


def export_case(
    case: Path,
    out: Path,
    ct: Path | None = None,
    only: Collection[str] = (),
    progress: Progress = lambda _: None,
) -> Exported:
    """Write a case as DICOM into a new folder.

    Without ``ct`` the study is one of nobody, which holds the case's part of the scan, too. With it, the DICOM series
    that the case was planned on, results join the patient's own study and carry the patient's identity.

    Raises
    ------
    InputError
        ``part-unknown``, ``part-missing``, ``part-scan``, ``identity-none``, ``case-changed``, ``output-not-empty``,
        ``output-unwritable``,
        and those of reading a case, its files and the series.
    """
    _require_parts(only, ct)
    _require_new(out)
    plan = _plan_bytes(case)
    progress("reading the case")
    stored = read_case(case)
    stack = None if ct is None else _own_series(stored, ct)
    source = _source(stored, stack)
    parts = [part for part in PARTS if (part in only if only else source.study.of_nobody or part != SCAN)]
    content = _Content(case, stored, source, parts)
    written: list[WrittenObject] = []
    with new_folder(out) as folder:
        for part in parts:
            progress(f"writing {part}")
            for name, dataset in content.objects_of(part):
                data = as_bytes(dataset)
                (folder / name).write_bytes(data)
                written.append(WrittenObject(name, part, dataset.file_meta.MediaStorageSOPClassUID.name, len(data)))
        missing = [part for part in parts if part in only and all(each.part != part for each in written)]
        if missing:
            reason = dict(content.left_out)[missing[0]]
            raise InputError("part-missing", f"there is nothing of {missing[0]}: {reason}", "Plan the case again")
        if _plan_bytes(case) != plan:
            raise InputError("case-changed", f"{case.name} was changed meanwhile", "Export it again")
    return Exported(tuple(written), source.study.of_nobody, tuple(content.left_out))


class _Content:
    """The objects of a case by part; ``left_out`` gathers (part, why) on the way."""

    def __init__(self, case: Path, stored: StoredCase, source: Source, parts: Collection[str]) -> None:
        self.left_out: list[tuple[str, str]] = []
        self._case, self._stored, self._source, self._parts = case, stored, source, parts
        self._views: list[tuple[StoredPicture, Dataset]] | None = None

    def objects_of(self, part: str) -> _Objects:
        """Yield (file, object)."""
        makers: dict[str, Any] = {
            "segmentation": self._segmentation,
            "measurements": self._measurements,
            "views": self._view_objects,
            "report": self._report,
            "surfaces": self._surfaces,
            SCAN: self._scan,
        }
        yield from makers[part]()

    def _segmentation(self) -> _Objects:
        labels = load_label_file(self._case / names.BONES).labels
        yield "segmentation.dcm", segmentation(labels, self._stored.anatomy.skeleton.drawn, self._source)

    def _measurements(self) -> _Objects:
        measured = Measurements.read(self._case / names.MEASUREMENTS)
        views = self._read_views() if "views" in self._parts else []
        yield "measurements.dcm", structured_report(measured, self._source, views)

    def _view_objects(self) -> _Objects:
        for number, (_, view) in enumerate(self._read_views(), 1):
            yield f"view-{number:02d}.dcm", view

    def _report(self) -> _Objects:
        file = self._case / names.REPORT_PDF
        if not file.is_file():
            self.left_out.append(("report", f"the case holds no {names.REPORT_PDF}"))
            return
        yield "report.dcm", pdf_object(file.read_bytes(), self._source)

    def _surfaces(self) -> _Objects:
        folder = self._case / names.MESH
        files = {name: folder / f"{name}.stl" for name in (*BONE_LABELS.values(), "cup")}
        contents = {name: file.read_bytes() for name, file in files.items() if file.is_file()}
        if (folder / "cavity.vtp").is_file():
            contents["cavity"] = cavity_stl(folder / "cavity.vtp")
        if not contents:
            self.left_out.append(("surfaces", "the case holds no surfaces"))
        for number, (name, content) in enumerate(contents.items(), 1):
            title = {"cup": "Planned cup (generic shell)", "cavity": "Planned cavity"}.get(name)
            words = title or name.replace("_", " ").capitalize()
            yield f"surface-{name.replace('_', '-')}.dcm", stl_object(content, words, number, self._source)

    def _scan(self) -> _Objects:
        for number, image in enumerate(self._source.images, 1):
            yield f"scan-{number:04d}.dcm", image

    def _read_views(self) -> list[tuple[StoredPicture, Dataset]]:
        """Return the simulated views; one of an older case, which does not say where the tube was, is left out."""
        if self._views is not None:
            return self._views
        self._views = []
        files = sorted((self._case / names.XRAY).glob("*.dcm"))
        if not files:
            self.left_out.append(("views", "the case holds no simulated views"))
        for file in files:
            try:
                picture = read_picture(file)
            except InputError as error:
                if error.code != "view-no-geometry":
                    raise
                self.left_out.append(("views", error.what))
                continue
            number = len(self._views) + 1
            self._views.append((picture, picture_object(picture, self._source.study, number, self._source.images)))
        return self._views


def _source(stored: StoredCase, stack: SliceStack | None) -> Source:
    facts = stored.anatomy.source
    if stack is not None:
        return source_of(stack, facts)
    return copied_source(case_study(facts, stored.scan), stored.scan)


def _own_series(stored: StoredCase, ct: Path) -> SliceStack:
    facts = stored.anatomy.source
    if not facts.series:
        raise InputError(
            "identity-none", "the case was not planned on a DICOM series and has no identity to keep", "Drop --source"
        )
    return find_series(ct, facts.series, facts.grid, repaired=bool(facts.repairs))


def _require_parts(only: Collection[str], ct: Path | None) -> None:
    unknown = sorted(set(only) - set(PARTS))
    if unknown:
        raise InputError("part-unknown", f"there is no part {unknown[0]!r}", f"Choose from {', '.join(PARTS)}")
    if SCAN in only and ct is not None:
        raise InputError("part-scan", "the patient's study holds the scan already", "Leave it out")


def _require_new(out: Path) -> None:
    if out.is_dir() and not any(out.iterdir()):
        return
    if out.exists():
        what = "holds files already" if out.is_dir() else "is a file"
        raise InputError("output-not-empty", f"{out.name} {what}", "Choose a new or empty folder")


def _plan_bytes(case: Path) -> bytes:
    names.require_case(case)
    return (case / names.PLAN).read_bytes()
