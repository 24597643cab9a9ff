"""Comparing real pictures with the plan, in a process of its own; what it needs is loaded with the first picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from cotyle import CAUTION, __version__
from cotyle.case.comparison import compare
from cotyle.case.comparison_file import ComparisonFile, comparison_file
from cotyle.case.folder import changed_whole
from cotyle.case.measurements import Measurements
from cotyle.case.picture_start import PictureOfView
from cotyle.case.stages import PlannedCup
from cotyle.image.label_files import read_labels
from cotyle.image.volume import Volume
from cotyle.report.comparison_figures import comparison_pictures
from cotyle.report.comparison_layers import PictureLayers, comparison_layers, picture_grey
from cotyle.report.comparison_store import require_measured, store_comparison
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.projector.line_integrals import warm_up

from cotyle_platform.session.apart import Say
from cotyle_platform.web.panels.pictures import picture_uri


@dataclass(frozen=True, eq=False)
class Asked:
    """What a comparison needs; ``doubts``: about the pictures belonging together."""

    planned: PlannedCup
    measured: Measurements
    scan: Volume
    bones: bytes
    pictures: tuple[PictureOfView, ...]
    diameter_mm: float
    doubts: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Made:
    """A comparison as it is shown and kept: its file, the layers of each picture, pictures for the report by name."""

    file: ComparisonFile
    measured: Measurements
    layers: tuple[PictureLayers, ...]
    drawn: Mapping[str, bytes]


def made(asked: Asked, say: Say) -> Made:
    """Compare pictures with a plan and draw what came of it."""
    say("reading the bones")
    labels = _labels(asked.bones, asked.scan)
    warm_up(say)
    found = compare(asked.planned, asked.scan, labels, asked.pictures, asked.diameter_mm, say)
    say("drawing the pictures")
    file = comparison_file(found, asked.measured.orientation, f"cotyle {__version__}", CAUTION, asked.doubts)
    layers = tuple(comparison_layers(asked.planned, asked.scan, found, at) for at in range(len(asked.pictures)))
    return Made(file, asked.measured, layers, comparison_pictures(asked.planned, asked.scan, found))


def kept(case: Path, comparison: Made) -> int:
    """Write a comparison into its case, with the report's section; return its number."""
    with changed_whole(case) as folder:
        require_measured(folder, comparison.measured)
        number, _ = store_comparison(folder, comparison.file, comparison.drawn)
    return number


def shown(picture: Radiograph) -> str:
    """Return a picture as the page shows it."""
    return picture_uri(picture_grey(picture))


def _labels(bones: bytes, scan: Volume) -> Volume:
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bones.nrrd"
        path.write_bytes(bones)
        return read_labels(path, scan)
