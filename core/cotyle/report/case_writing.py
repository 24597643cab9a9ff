"""Writing a planned case: plan, measurements and report, into a folder that is whole or not there."""

from __future__ import annotations

from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.anatomy_file import write_scan_copy
from cotyle.case.cue_sheet import cue_sheet
from cotyle.case.measurements import Measurements
from cotyle.case.results import measurements_of
from cotyle.case.screen_facts import with_cue_sheet
from cotyle.case.simulated import case_cues
from cotyle.case.stages import PlannedCup, Progress
from cotyle.case.store import OpenedCase, write_anatomy, write_plan
from cotyle.errors import InputError
from cotyle.files import write_bytes_atomically
from cotyle.image.volume import Volume
from cotyle.report.build import write_report
from cotyle.report.dicom.study import Study, case_study
from cotyle.report.pdf import page_as_pdf


def write_results(
    folder: Path,
    planned: PlannedCup,
    scan: Volume,
    study: Study,
    *,
    pdf: bool,
    progress: Progress = lambda _: None,
) -> Measurements:
    """Write plan, measurements and report of a planned cup."""
    progress("simulating what the screen will show")
    sheet = cue_sheet(planned, scan)
    measured = with_cue_sheet(measurements_of(planned, case_cues(planned)), sheet)
    measured = write_report(folder, planned, measured, scan, sheet, study, pdf=pdf, progress=progress)
    write_plan(folder, planned, measured)
    return measured


def write_case(
    target: Path, opened: OpenedCase, planned: PlannedCup, *, pdf: bool, progress: Progress = lambda _: None
) -> Measurements:
    """Write a case with another plan into its own folder or a new one, all together.

    What did not change is as it was read; the scan is taken from the folder, or from memory where that is gone.

    Raises
    ------
    InputError
        ``case-changed`` if the folder holds another plan than the one that was read; ``output-not-a-case``,
        ``output-unwritable``.
    """
    stored = opened.stored
    _require_unchanged(target, opened)
    with names.written_whole(target) as folder:
        names.carry_over(stored.folder, folder, (names.CT,))
        if not (folder / names.CT).exists():
            write_scan_copy(stored.scan, folder / names.CT)
        write_bytes_atomically(folder / names.BONES, opened.files[names.BONES])
        if planned.anatomy is stored.anatomy:
            for name in (names.ANATOMY, names.LANDMARKS):
                write_bytes_atomically(folder / name, opened.files[name])
        else:
            write_anatomy(folder, planned.anatomy)
        study = case_study(stored.anatomy.source, stored.scan)
        return write_results(folder, planned, stored.scan, study, pdf=pdf, progress=progress)


def stands_as_read(opened: OpenedCase) -> bool:
    """Return whether a case is whole in its folder, with its report and the plan that was read."""
    folder = opened.stored.folder
    whole = all((folder / name).is_file() for name in (*opened.files, names.CT, names.MEASUREMENTS, names.REPORT_HTML))
    return whole and (folder / names.PLAN).read_bytes() == opened.files[names.PLAN]


def write_pdf_again(case: Path) -> None:
    """Write the PDF of the report's page as it stands in a case; errors of :func:`cotyle.report.pdf.page_as_pdf`."""
    html = (case / names.REPORT_HTML).read_text(encoding="utf-8")
    write_bytes_atomically(case / names.REPORT_PDF, page_as_pdf(html))


def _require_unchanged(target: Path, opened: OpenedCase) -> None:
    own = opened.stored.folder
    if target.resolve() != own.resolve() or not (own / names.PLAN).is_file():
        return
    if (own / names.PLAN).read_bytes() != opened.files[names.PLAN]:
        raise InputError(
            "case-changed",
            f"the plan in {own.name} was changed by somebody else since it was opened",
            "Save it elsewhere",
        )
