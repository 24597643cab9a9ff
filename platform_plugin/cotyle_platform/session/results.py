"""Dear results, each with the revision of the plan that it was made for."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from cotyle.case.asked_view import ViewRequest, asked_view
from cotyle.case.live import LiveNumbers
from cotyle.case.measurements import Measurements
from cotyle.case.simulated import SimulatedView, grey_of, seen
from cotyle.case.stages import PlannedCup
from cotyle.image.volume import Volume
from cotyle.xray.projector.line_integrals import ReadyVolume, line_integrals_of, prepare
from cotyle.xray.projector.packed_volume import Precision

COARSE_MM = 1.6
"""Voxels of the copy that is drawn while the machine is still being moved."""


@dataclass(frozen=True, eq=False)
class Full:
    """Everything that is measured on the plan of a revision."""

    revision: int
    planned: PlannedCup
    measured: Measurements

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is doubtful, in sentences, the gravest first."""
        return tuple(each.text for each in self.measured.warnings)


@dataclass(frozen=True, eq=False)
class Screen:
    """The simulated view of a revision; ``coarse`` while the machine moves, then a fine one follows."""

    revision: int
    asked: ViewRequest
    shown: SimulatedView
    coarse: bool = False


class Drawer:
    """Draws simulated views of one scan; a picture that was drawn is kept for as long as the machine stands still."""

    def __init__(self, scan: Volume) -> None:
        self._scan = scan
        self._ready: ReadyVolume | None = None
        self._coarser: ReadyVolume | None = None
        self._last: tuple[bytes, npt.NDArray[np.uint8]] | None = None

    def draw(self, numbers: LiveNumbers, asked: ViewRequest, coarse: bool) -> tuple[SimulatedView, bool]:
        """Return the view with outlines and cues of a plan, and whether its picture is a coarse one."""
        view = asked_view(numbers, asked)
        carm = view.carm
        beam = np.concatenate([carm.source_lps_mm, carm.projection_matrix.ravel(), carm.size]).tobytes()
        if self._last is not None and self._last[0] == beam:
            return seen(numbers, view, self._last[1]), False
        pixels = grey_of(line_integrals_of(self._volume(coarse), carm))
        if not coarse:
            self._last = beam, pixels
        return seen(numbers, view, pixels), coarse

    def _volume(self, coarse: bool) -> ReadyVolume:
        if self._ready is None:
            self._ready = prepare(self._scan, precision=Precision.FAST)
        if not coarse:
            return self._ready
        if self._coarser is None:
            self._coarser = self._ready.coarser(COARSE_MM)
        return self._coarser
