"""A case's results as a folder of DICOM files: all of it or nothing."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

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
from cotyle.image.volume import Volume
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

_TITLES = {"cup": "Planned cup (generic shell)", "cavity": "Planned cavity"}


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


@dataclass(frozen=True, eq=False)
class _Case:
    """What a case holds of the parts that are wanted; empty or None where it holds none, ``left_out`` says why."""

    stored: StoredCase
    measured: Measurements
    labels: Volume | None
    views: tuple[StoredPicture, ...]
    report: bytes | None
    surfaces: dict[str, bytes]
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
        ``part-unknown``, ``part-missing``, ``part-scan``, ``identity-none``, ``output-not-empty``,
        ``output-unwritable``, and those of reading a case, its files and the series.
    """
    _require_parts(only, ct)
    _require_new(out)
    parts = [part for part in PARTS if (part in only if only else ct is None or part != SCAN)]
    progress("reading the case")
    held = names.read_undisturbed(case, lambda: _read(case, parts))
    nothing = {"views": not held.views, "report": held.report is None, "surfaces": not held.surfaces}
    for part, why in held.left_out:
        if part in only and nothing[part]:
            raise InputError("part-missing", f"there is nothing to write of {part}: {why}", "Plan the case again")
    progress("reading the series" if ct else "preparing the scan")
    source = _source(held.stored, None if ct is None else _own_series(held.stored, ct))
    written: list[WrittenObject] = []
    with new_folder(out) as folder:
        for part, name, dataset in _objects(held, source, parts, progress):
            data = as_bytes(dataset)
            (folder / name).write_bytes(data)
            written.append(WrittenObject(name, part, dataset.file_meta.MediaStorageSOPClassUID.name, len(data)))
    return Exported(tuple(written), source.study.of_nobody, held.left_out)


def _objects(
    held: _Case, source: Source, parts: Collection[str], progress: Progress
) -> Iterator[tuple[str, str, Dataset]]:
    """Yield (part, file, object)."""
    views = [
        (picture, picture_object(picture, source.study, number, source.images))
        for number, picture in enumerate(held.views, 1)
    ]
    if held.labels is not None:
        progress("writing the bones")
        yield "segmentation", "segmentation.dcm", segmentation(held.labels, held.stored.anatomy.skeleton.drawn, source)
    if "measurements" in parts:
        progress("writing the measurements")
        yield "measurements", "measurements.dcm", structured_report(held.measured, source, views)
    progress("writing views, report and surfaces")
    for number, (_, view) in enumerate(views, 1):
        yield "views", f"view-{number:02d}.dcm", view
    if held.report is not None:
        yield "report", "report.dcm", pdf_object(held.report, source)
    for number, (name, content) in enumerate(held.surfaces.items(), 1):
        words = _TITLES.get(name) or name.replace("_", " ").capitalize()
        yield "surfaces", f"surface-{name.replace('_', '-')}.dcm", stl_object(content, words, number, source)
    if SCAN in parts:
        progress("writing the scan")
        for number, image in enumerate(source.images, 1):
            yield SCAN, f"scan-{number:04d}.dcm", image


def _read(case: Path, parts: Collection[str]) -> _Case:
    stored = read_case(case)
    views, left_out = _views(case / names.XRAY) if "views" in parts else ((), [])
    report, surfaces = case / names.REPORT_PDF, _surfaces(case / names.MESH) if "surfaces" in parts else {}
    wanted = "report" in parts
    if wanted and not report.is_file():
        left_out.append(("report", f"the case holds no {names.REPORT_PDF}"))
    if "surfaces" in parts and not surfaces:
        left_out.append(("surfaces", "the case holds no surfaces"))
    return _Case(
        stored,
        Measurements.read(case / names.MEASUREMENTS),
        load_label_file(case / names.BONES).labels if "segmentation" in parts else None,
        views,
        report.read_bytes() if wanted and report.is_file() else None,
        surfaces,
        tuple(left_out),
    )


def _views(folder: Path) -> tuple[tuple[StoredPicture, ...], list[tuple[str, str]]]:
    """Return the simulated views, and why some are left out: an older case's do not say where the tube was."""
    found: list[StoredPicture] = []
    left_out: list[tuple[str, str]] = []
    files = sorted(folder.glob("*.dcm"))
    for file in files:
        try:
            found.append(read_picture(file))
        except InputError as error:
            if error.code != "view-no-geometry":
                raise
            left_out.append(("views", error.what))
    if not files:
        left_out.append(("views", "the case holds no simulated views"))
    return tuple(found), left_out


def _surfaces(folder: Path) -> dict[str, bytes]:
    files = {name: folder / f"{name}.stl" for name in (*BONE_LABELS.values(), "cup")}
    contents = {name: file.read_bytes() for name, file in files.items() if file.is_file()}
    if (folder / "cavity.vtp").is_file():
        contents["cavity"] = cavity_stl(folder / "cavity.vtp")
    return contents


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
