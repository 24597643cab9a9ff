"""Comparing a real picture with the plan, off the event loop; loaded when the first picture is, as it needs much."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cotyle import CAUTION, __version__
from cotyle.case import folder as names
from cotyle.case.comparison import Comparison, compare
from cotyle.case.comparison_file import ComparisonFile, comparison_file
from cotyle.case.picture_reading import Clicked, read_picture
from cotyle.case.picture_start import PictureOfView
from cotyle.case.stages import PlannedCup
from cotyle.errors import InputError
from cotyle.image.label_files import read_labels
from cotyle.report.comparison_layers import (
    ComparisonWords,
    PictureLayers,
    comparison_layers,
    comparison_words,
    picture_grey,
)
from cotyle.report.comparison_store import store_comparison
from cotyle.xray.pictures.picture_file import Told
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.projector.line_integrals import warm_up
from cotyle.xray.views import ViewName

from cotyle_platform.session import Full, PlanningSession
from cotyle_platform.web.panels.pictures import picture_uri


@dataclass(frozen=True, eq=False)
class Compared:
    """What was read off the picture, what is laid over it, and the words."""

    planned: PlannedCup
    found: Comparison
    file: ComparisonFile
    layers: PictureLayers
    words: ComparisonWords


def shown(picture: Radiograph) -> str:
    """Return a picture as the page shows it."""
    return picture_uri(picture_grey(picture))


def picture_of_view(path: Path, view: str, frame: int | None, told: Told) -> PictureOfView:
    """Return a picture ready to be compared; errors of reading it, and ``view-name``."""
    if view not in set(ViewName):
        raise InputError("view-name", "nobody has said which view the picture is", "Choose it")
    return read_picture(path, ViewName(view), told, Clicked(), frame)


def compared(
    session: PlanningSession, full: Full, picture: PictureOfView, diameter_mm: float, progress: Callable[[str], None]
) -> Compared:
    """Compare a picture with the plan that was measured in full."""
    scan = session.case.scan
    labels = read_labels(session.folder / names.BONES, scan)
    warm_up(progress)
    found = compare(full.planned, scan, labels, [picture], diameter_mm, progress)
    progress("drawing the pictures")
    layers = comparison_layers(full.planned, scan, found)
    file = comparison_file(found, full.measured.orientation, f"cotyle {__version__}", CAUTION)
    return Compared(full.planned, found, file, layers, comparison_words(file, full.measured))


def kept(session: PlanningSession, made: Compared) -> int:
    """Write a comparison into its case, with the report's section; return its number."""
    number, _ = store_comparison(session.folder, made.file, made.found, made.planned, session.case.scan)
    return number
