"""A case's results as a folder of DICOM files: all of it or nothing."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pydicom.dataset import Dataset

from cotyle.case import folder as names
from cotyle.case.stages import Progress
from cotyle.case.store import StoredCase
from cotyle.errors import InputError
from cotyle.files import new_folder
from cotyle.image.series_check import SliceStack
from cotyle.image.source_series import find_series
from cotyle.report.dicom.choice_report import choice_report
from cotyle.report.dicom.compared_pictures import drawn_object, given_pictures
from cotyle.report.dicom.comparison_report import ComparedImages, comparison_report
from cotyle.report.dicom.contents import Contents, LeftOut, read_contents
from cotyle.report.dicom.encapsulated import pdf_object, stl_object
from cotyle.report.dicom.pictures import picture_object
from cotyle.report.dicom.plan_report import plan_report
from cotyle.report.dicom.segmentation import segmentation
from cotyle.report.dicom.source import Source, copied_source, source_of
from cotyle.report.dicom.study import as_bytes, case_study, read_header

SCAN = "scan"
PARTS = ("segmentation", "measurements", "views", "comparisons", "decisions", "report", "surfaces", SCAN)
"""What can be written. The scan belongs to a study of nobody alone: the patient's own has it already."""

_TITLES = {"cup": "Planned cup (generic shell)", "cavity": "Planned cavity"}
Objects = Iterator[tuple[str, Dataset]]
"""(file, object)."""


@dataclass(frozen=True)
class WrittenObject:
    """One file: its name in the folder, the part it belongs to, the name of its class, its size."""

    file: str
    part: str
    kind: str
    bytes: int


@dataclass(frozen=True)
class Exported:
    """What was written, whether into a study of nobody, and (part, why) of what a case does not hold.

    ``shows_real_pictures``: whether pixels of an X-ray picture are in it, which may bear burnt-in text.
    """

    files: tuple[WrittenObject, ...]
    of_nobody: bool
    left_out: LeftOut
    shows_real_pictures: bool


def export_case(
    case: Path,
    out: Path,
    ct: Path | None = None,
    only: Collection[str] = (),
    progress: Progress = lambda _: None,
    pictures: Sequence[Path] = (),
) -> Exported:
    """Write a case as DICOM into a new folder.

    Without ``ct`` the study is one of nobody, which holds the case's part of the scan, too. With it, the DICOM series
    that the case was planned on, results join the patient's own study and carry the patient's identity. Then
    ``pictures``, X-ray pictures that were compared, can be given to be referred to as well.

    Raises
    ------
    InputError
        ``part-unknown``, ``part-missing``, ``part-scan``, ``identity-none``, ``output-not-empty``,
        ``output-unwritable``, ``picture-unknown``, ``pictures-two-patients``, and those of reading a case, its files
        and the series.
    """
    _require_parts(only, ct)
    _require_new(out)
    parts = [part for part in PARTS if (part in only if only else ct is None or part != SCAN)]
    progress("reading the case")
    held = names.read_undisturbed(case, lambda: read_contents(case, parts))
    for part in only:
        if why := held.why_nothing_of(part):
            raise InputError("part-missing", f"there is nothing to write of {part}: {why}", "Leave it out, or make it")
    progress("reading the series" if ct else "preparing the scan")
    source, given = _sources(held, ct, pictures)
    written: list[WrittenObject] = []
    with new_folder(out) as folder:
        for part in parts:
            progress(f"writing {part}")
            for name, dataset in _objects(part, held, source, given):
                data = as_bytes(dataset)
                (folder / name).write_bytes(data)
                written.append(WrittenObject(name, part, dataset.file_meta.MediaStorageSOPClassUID.name, len(data)))
    shown = bool(held.comparisons) and any(each.part in ("comparisons", "report") for each in written)
    return Exported(tuple(written), source.study.of_nobody, held.left_out, shown)


def _objects(part: str, held: Contents, source: Source, given: dict[str, Dataset]) -> Objects:
    """Yield the objects of a part."""
    match part:
        case "segmentation":
            if held.labels is not None:
                yield "segmentation.dcm", segmentation(held.labels, held.stored.anatomy.skeleton.drawn, source)
        case "measurements":
            yield (
                "measurements.dcm",
                plan_report(held.measured, source, list(zip(held.views, _views(held, source), strict=True))),
            )
        case "views":
            for number, view in enumerate(_views(held, source), 1):
                yield f"view-{number:02d}.dcm", view
        case "comparisons":
            yield from _comparisons(held, source, given)
        case "decisions":
            if held.decisions:
                yield "decisions.dcm", choice_report(held.decisions, held.measured.side, source)
        case "report":
            if held.report is not None:
                yield "report.dcm", pdf_object(held.report, source, bool(held.comparisons))
        case "surfaces":
            for number, (name, content) in enumerate(held.surfaces.items(), 1):
                words = _TITLES.get(name) or name.replace("_", " ").capitalize()
                yield f"surface-{name.replace('_', '-')}.dcm", stl_object(content, words, number, source)
        case _:
            for number, image in enumerate(source.images, 1):
                yield f"scan-{number:04d}.dcm", image


def _views(held: Contents, source: Source) -> list[Dataset]:
    return [
        picture_object(picture, source.study, number, source.images) for number, picture in enumerate(held.views, 1)
    ]


def _comparisons(held: Contents, source: Source, given: dict[str, Dataset]) -> Objects:
    """Yield the pictures of each comparison, then its report."""
    place = 0
    for number, file in sorted(held.comparisons.items()):
        made: dict[tuple[int, str], Dataset] = {}
        images = ComparedImages(made, given)
        for drawn in (each for each in held.drawn if each.comparison == number):
            place += 1
            itself = images.of_view(file.views[drawn.view - 1])
            sources = source.images if itself is None else (*source.images, itself)
            capture = drawn_object(drawn, file, source.study, place, sources)
            made[drawn.view, drawn.kind] = capture
            yield f"{drawn.name}.dcm", capture
        yield f"comparison-{number}.dcm", comparison_report(number, file, held.measured.side, source, images)


def _sources(held: Contents, ct: Path | None, pictures: Sequence[Path]) -> tuple[Source, dict[str, Dataset]]:
    """Return what results refer to: the scan, and X-ray pictures that were given, by digest."""
    facts = held.stored.anatomy.source
    if ct is None:
        return copied_source(case_study(facts, held.stored.scan), held.stored.scan), {}
    stack = _own_series(held.stored, ct)
    given = given_pictures(pictures, held.comparisons, read_header(stack.slices[0].path)) if pictures else {}
    return source_of(stack, facts), given


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
