"""Shape of the invented sockets, on their true surfaces, beside published ranges of adult hips."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from cotyle.anatomy.sockets.socket import Socket
from cotyle.anatomy.survey import Survey
from cotyle.cup.orientation import Definition, orientation_of_axis
from cotyle.space.frames import Frame


@dataclass(frozen=True)
class Published:
    """A published interval: mean and two standard deviations, or the stated range."""

    title: str
    low: float
    high: float
    source: str
    read: Callable[[Socket, Frame], float | None]


def _anatomic_anteversion(socket: Socket, frame: Frame) -> float:
    return orientation_of_axis(socket.opening_axis_lps, frame, socket.side, Definition.ANATOMIC).anteversion_deg


PUBLISHED = (
    Published(
        "acetabular diameter, mm",
        49.0 - 2 * 2.9,
        51.8 + 2 * 2.9,
        "48.98 (SD 2.91) mm in 104 dry bones (morphometric study of the human acetabulum), mean 51.8 mm in 152 bones "
        "(acetabular diameter and thickness in Thais); between two SD below the first and above the second",
        lambda socket, frame: socket.diameter_mm,
    ),
    Published(
        "lateral centre-edge angle, deg",
        34.5 - 2 * 7.0,
        34.5 + 2 * 7.0,
        "34 to 35 deg, SD 5 to 9, on CT of 170 asymptomatic hips (2019); 20 deg and less is called dysplastic (Wiberg)",
        lambda socket, frame: socket.lateral_center_edge_angle_deg,
    ),
    Published(
        "acetabular index, deg",
        -10.0,
        13.0,
        "1 to 3 deg on CT, SD 5 to 9 (2019, as above); reference interval 3 to 13 on radiographs (Tannast 2015)",
        lambda socket, frame: socket.acetabular_index_deg,
    ),
    Published(
        "anterior sector angle, deg",
        59.0 - 2 * 7.0,
        63.0 + 2 * 6.1,
        "63 (SD 6.1) deg (Anda 1986 and 1991), 58 to 60 deg on CT of asymptomatic hips (2019, SD 5 to 9)",
        lambda socket, frame: socket.anterior_sector_angle_deg,
    ),
    Published(
        "posterior sector angle, deg",
        94.5 - 2 * 7.0,
        105.0 + 2 * 7.9,
        "105 (SD 7.9) deg (Anda), 94 to 95 deg on CT of asymptomatic hips (2019)",
        lambda socket, frame: socket.posterior_sector_angle_deg,
    ),
    Published(
        "anatomic anteversion to the pelvic plane, deg",
        17.2 - 2 * 5.8,
        25.8 + 2 * 6.5,
        "17.2 deg in men, 20.0 in women on CT against the anterior pelvic plane (Int Orthop 2015), 25.8 (SD 6.5) from "
        "a rim plane of three landmarks in 221 subjects (2013): studies differ by up to 7 deg by method",
        _anatomic_anteversion,
    ),
)


@dataclass(frozen=True)
class Morphology:
    """Values of one measure over the invented hips; ``missing`` could not be measured."""

    published: Published
    values: tuple[float, ...]
    missing: int

    @property
    def within(self) -> int:
        """How many lie in the published interval."""
        return sum(self.published.low <= value <= self.published.high for value in self.values)


def morphology_of(surveys: Iterable[Survey]) -> list[Morphology]:
    """Gather every measure over all sockets."""
    hips = [(socket, survey.pelvis.app) for survey in surveys for socket in survey.sockets.values()]
    gathered = []
    for published in PUBLISHED:
        values = [published.read(socket, frame) for socket, frame in hips]
        known = tuple(float(v) for v in values if v is not None and np.isfinite(v))
        gathered.append(Morphology(published, known, len(values) - len(known)))
    return gathered
