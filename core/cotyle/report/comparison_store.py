"""A comparison kept in its case: its file, its pictures, and its section of the report."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from cotyle.case import folder as names
from cotyle.case.comparison_file import ComparisonFile
from cotyle.case.measurements import Measurements
from cotyle.case.stages import Progress
from cotyle.errors import InputError
from cotyle.files import write_bytes_atomically, write_text_atomically
from cotyle.report.comparison_page import comparison_files, next_number, page_with_comparisons
from cotyle.report.page_places import Place, read_page


def store_comparison(
    case: Path,
    file: ComparisonFile,
    drawn: Mapping[str, bytes],
    progress: Progress = lambda _: None,
) -> tuple[int, str]:
    """Write ``comparison-<n>.json``, its pictures and the report with its section; return the number and the page.

    ``case``: a case that is being written, see :func:`~cotyle.case.folder.changed_whole`. The plan must be the one that
    stands in it. ``drawn``: as :func:`~cotyle.report.comparison_figures.comparison_pictures` makes them.

    Raises
    ------
    InputError
        ``report-missing`` or ``report-outdated`` if there is no place for it; nothing is written then.
    """
    measured = Measurements.read(case / names.MEASUREMENTS)
    others = comparison_files(case)
    number = next_number(list(others))
    progress("writing the report")
    page = read_page(case, Place.COMPARISONS)
    for name, content in drawn.items():
        write_bytes_atomically(case / names.FIGURES / f"comparison-{number}-{name}.png", content)
    html = page_with_comparisons(page, measured, case, {**others, number: file})
    file.write(case / f"comparison-{number}.json")
    write_text_atomically(case / names.REPORT_HTML, html)
    return number, html


def require_measured(case: Path, measured: Measurements) -> None:
    """Raise InputError ``case-changed`` where a case holds another cup than those measurements."""
    # as they stand in a file: there numbers are rounded
    if Measurements.read(case / names.MEASUREMENTS).as_dict()["cup"] != measured.as_dict()["cup"]:
        raise InputError("case-changed", "the plan was changed by somebody else since", "Open the case again")
