"""Real and simulated picture of one pose, what is drawn over both, and the verdict: for a page on the screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cotyle.case.comparison import Comparison
from cotyle.case.comparison_file import ComparisonFile
from cotyle.case.measurements import Measurements
from cotyle.case.stages import PlannedCup
from cotyle.image.volume import Volume
from cotyle.report.bone_edges import bone_edges_px
from cotyle.report.comparison_figures import bone_beside_cup, bone_grey, simulated_grey
from cotyle.report.comparison_page import VERDICT_WORDS, comparison_rows
from cotyle.space.arrays import Array
from cotyle.xray.overlay import dome_lines
from cotyle.xray.pictures.radiograph import Radiograph
from cotyle.xray.projector.line_integrals import prepare
from cotyle.xray.verdict import Verdict

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class PictureLayers:
    """Layers of one picture in its usual view, all in its pixels.

    Parameters
    ----------
    real, simulated:
        8-bit grey (rows, columns), bone light; ``simulated`` is None where no pose was found.
    planned, found:
        Lines of the cup by name, see :func:`cotyle.xray.overlay.dome_lines`; empty without a pose or a cup.
    edges:
        Edges of the pelvis, (n, 2) each.
    """

    real: Pixels
    simulated: Pixels | None
    planned: dict[str, Array]
    found: dict[str, Array]
    edges: Sequence[Array]


def picture_grey(picture: Radiograph) -> Pixels:
    """Return a picture as it is shown: 8-bit grey (rows, columns), bone light, what is not usable black."""
    return _bytes(bone_grey(picture.attenuation, picture.usable))


def comparison_layers(planned: PlannedCup, scan: Volume, comparison: Comparison, number: int = 0) -> PictureLayers:
    """Return the layers of one picture of a comparison."""
    each = comparison.pictures[number]
    picture = each.picture.radiograph
    real = _bytes(bone_grey(picture.attenuation, picture.usable, bone_beside_cup(comparison, each)))
    if each.registration.verdict is Verdict.FAILED:
        return PictureLayers(real, None, {}, {}, ())
    carm = each.registration.carm
    rim = None if comparison.cup is None else comparison.cup.measured.rim
    return PictureLayers(
        real=real,
        simulated=_bytes(simulated_grey(prepare(scan), each)),
        planned=dome_lines(carm, planned.cup.rim),
        found={} if rim is None else dome_lines(carm, rim),
        edges=bone_edges_px(carm, planned.anatomy.surfaces),
    )


def _bytes(grey: npt.NDArray[np.float64]) -> Pixels:
    return np.rint(255.0 * grey).astype(np.uint8)


@dataclass(frozen=True)
class ComparisonWords:
    """What a comparison says: verdict in words, rows (words, plan, found, difference, interval), doubts."""

    verdict: str
    rows: tuple[tuple[str, str, str, str, str], ...]
    doubts: tuple[str, ...]


def comparison_words(file: ComparisonFile, measured: Measurements) -> ComparisonWords:
    """Return the words of a comparison as the report has them; intervals are two standard deviations."""
    return ComparisonWords(VERDICT_WORDS[file.verdict], comparison_rows(file, measured), file.warnings)
