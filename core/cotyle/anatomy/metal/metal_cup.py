"""An artificial cup that lies in the scan: what was measured of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from cotyle.space.arrays import Array
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side


class CupKind(StrEnum):
    """A metal shell, or a cup of plastic in cement that shows only its marker wire."""

    SHELL = "shell"
    CEMENTED = "cemented"


@dataclass(frozen=True, eq=False)
class BonyBed:
    """The bone behind an artificial cup, as far as it is seen: a sphere, and the line between cup and bone.

    center_sd_mm, diameter_sd_mm: one standard deviation. gap_mm: median width of the dark line over the part of the
    bed that is seen; gap_share: share of that part with a line of 1 mm or more; seen_share: how much of the cup's
    dome shows a bone edge at all.
    """

    sphere: Sphere
    center_sd_mm: float
    diameter_sd_mm: float
    gap_mm: float
    gap_share: float
    seen_share: float


@dataclass(frozen=True, eq=False)
class MetalCup:
    """One artificial cup.

    center_lps_mm: (3,), of the outer sphere. opening_axis_lps: (3,), unit vector out of the mouth. Deviations are one
    standard deviation, that of the centre along each axis. bed: None where no bone was seen behind it.
    """

    side: Side
    kind: CupKind
    center_lps_mm: Array
    opening_axis_lps: Array
    outer_diameter_mm: float
    center_sd_mm: float
    axis_sd_deg: float
    diameter_sd_mm: float
    bed: BonyBed | None = None
