"""``cotyle compare``: real pictures against the plan."""

from __future__ import annotations

from pathlib import Path

from cotyle import CAUTION, __version__
from cotyle.case import folder as names
from cotyle.case.comparison import Comparison, compare
from cotyle.case.comparison_file import ComparisonFile, comparison_file
from cotyle.case.measurements import Measurements
from cotyle.case.stages import plan_cup
from cotyle.case.store import read_case
from cotyle.cli.console import Progress, print_json, say
from cotyle.cli.pdf_file import write_pdf
from cotyle.cli.picture_words import PictureWords, read_pictures
from cotyle.cup.orientation import Definition
from cotyle.image.label_files import read_labels
from cotyle.report.comparison_figures import comparison_pictures
from cotyle.report.comparison_store import store_comparison
from cotyle.report.page_places import Place, read_page
from cotyle.xray.projector.line_integrals import warm_up


def run_compare(
    case: Path, images: list[Path], words: PictureWords, diameter_mm: float | None, *, pdf: bool, as_json: bool
) -> None:
    """Compare the cup in pictures with the plan; write comparison-<n>.json, pictures and the report's section."""
    progress = Progress(quiet=as_json)
    with progress.shown(), names.changed_whole(case) as folder:
        progress("reading the pictures")
        pictures, doubts = read_pictures(images, words)
        progress("reading the case")
        read_page(folder, Place.COMPARISONS)  # before the long work
        stored = read_case(case)
        measured = Measurements.read(case / names.MEASUREMENTS)
        labels = read_labels(case / names.BONES, stored.scan)
        planned = plan_cup(stored.anatomy, stored.scan, stored.plan)
        warm_up(progress)
        size = diameter_mm if diameter_mm is not None else planned.cup.outer_diameter_mm
        found = compare(planned, stored.scan, labels, pictures, size, progress)
        file = comparison_file(found, measured.orientation, f"cotyle {__version__}", CAUTION, doubts)
        progress("drawing the pictures")
        drawn = comparison_pictures(planned, stored.scan, found)
        number, html = store_comparison(folder, file, drawn, progress)
        if pdf:
            write_pdf(folder, html)
    if as_json:
        print_json({"comparison": number, **file.as_dict()})
        return
    _report(case, number, file, found)


def _report(case: Path, number: int, file: ComparisonFile, found: Comparison) -> None:
    say(f"{str(file.verdict).upper()}")
    for text in file.warnings:
        say(f"! {text}")
    if found.cup is not None and file.uncertainty is not None and file.center_shift is not None:
        frame = "supine" if "supine" in file.orientation else "app"
        angles, spread = (
            each[frame][Definition.RADIOGRAPHIC] for each in (file.orientation, file.uncertainty.orientation)
        )
        say(
            f"cup: inclination {angles.inclination_deg:.1f} ± {2 * spread.inclination_deg:.1f}, anteversion "
            f"{angles.anteversion_deg:.1f} ± {2 * spread.anteversion_deg:.1f} deg (radiographic, {frame}); "
            f"{file.depth_left_mm:.1f} ± {2 * file.uncertainty.depth_left_mm:.1f} mm left to the planned floor"
        )
    first = found.pictures[0].levelling
    if first is not None:
        say("to level: " + "; ".join(first["supine"].words))
    say(f"{case.name}/comparison-{number}.json. Research software, not a medical device: check every number.")
