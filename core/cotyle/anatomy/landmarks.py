"""Names of the landmarks, what a landmark is, and what a shape model may say about them beforehand.

How they are found is in :mod:`cotyle.anatomy.anterior_plane` (the four points of the anterior pelvic plane) and
:mod:`cotyle.anatomy.landmark_rules` (all others); :mod:`cotyle.anatomy.survey` runs both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from cotyle.anatomy.metal.metal_cup import BonyBed
from cotyle.errors import InputError
from cotyle.space.arrays import Array, as_points, as_vector
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

PAIRED_NAMES = (
    "asis",
    "pubic_tubercle",
    "psis",
    "ischial_tuberosity",
    "teardrop",
    "hip_center",
    "superolateral_rim",
    "si_joint_inferior",
)
MIDLINE_NAMES = ("symphysis", "sacrum_midline", "coccyx_tip")
LANDMARK_NAMES = (*(f"{name}_{side}" for name in PAIRED_NAMES for side in Side), *MIDLINE_NAMES)
APP_NAMES = ("asis_left", "asis_right", "pubic_tubercle_left", "pubic_tubercle_right")

# A point placed by hand without a stated uncertainty; common practice, no source.
GIVEN_UNCERTAINTY_MM = 2.0
FILE_DECIMALS = 3
"""Decimals of a place in files: a micrometre."""


class Origin(StrEnum):
    """How a landmark was found."""

    DETECTED = "detected"
    GIVEN = "given"
    EXTRAPOLATED = "extrapolated"


@dataclass(frozen=True, eq=False)
class Landmark:
    """One named point.

    Parameters
    ----------
    name:
        One of :data:`LANDMARK_NAMES`; else InputError ``landmark-unknown``.
    lps_mm:
        Shape (3,), LPS mm; else InputError ``landmark-not-finite``.
    origin:
        ``detected`` on the bone's surface, ``given`` by the user, or ``extrapolated``: it lies outside the
        image, where only the fitted shape speaks.
    uncertainty_mm:
        One standard deviation of its place. Along a flat ridge it is large although the plane that rests on
        the ridge is well known; therefore
    across_uncertainty_mm:
        one standard deviation at right angles to the surface there. Equal to the former unless stated.
    """

    name: str
    lps_mm: Array
    origin: Origin
    uncertainty_mm: float
    across_uncertainty_mm: float = field(default=float("nan"))

    def __post_init__(self) -> None:
        check_name(self.name)
        if not np.isfinite(np.asarray(self.lps_mm, dtype=float)).all():
            raise InputError("landmark-not-finite", f"landmark {self.name} holds a value that is not a finite number")
        object.__setattr__(self, "lps_mm", as_vector(self.lps_mm, f"landmark {self.name}"))
        if not np.isfinite(self.uncertainty_mm) or self.uncertainty_mm < 0:
            raise InputError("landmark-uncertainty", f"the uncertainty of {self.name} must be 0 mm or more")
        if not np.isfinite(self.across_uncertainty_mm):
            object.__setattr__(self, "across_uncertainty_mm", self.uncertainty_mm)


Landmarks = Mapping[str, Landmark]


@dataclass(frozen=True, eq=False)
class SocketSeeds:
    """Points (n, 3) LPS mm that a fitted shape carries on one socket; any of them may be empty.

    ``lunate`` lies on the articular surface, ``fossa`` on the floor within it, ``rim`` along the edge,
    ``head`` on the articular part of the femoral head. ``bed``: the bone behind an artificial cup where one was seen;
    then there is no head. ``model``: sphere of the lunate surface of the fitted shape before it followed the scan.
    """

    lunate: Array = field(default_factory=lambda: np.empty((0, 3)))
    fossa: Array = field(default_factory=lambda: np.empty((0, 3)))
    rim: Array = field(default_factory=lambda: np.empty((0, 3)))
    head: Array = field(default_factory=lambda: np.empty((0, 3)))
    bed: BonyBed | None = None
    model: Sphere | None = None

    def __post_init__(self) -> None:
        for name in ("lunate", "fossa", "rim", "head"):
            object.__setattr__(self, name, as_points(getattr(self, name), f"{name} seeds"))


@dataclass(frozen=True, eq=False)
class AnatomySeeds:
    """What a fitted shape says before the surfaces are asked: landmark name to (3,) LPS mm, and socket
    regions.
    """

    points_lps_mm: Mapping[str, Array] = field(default_factory=dict)
    sockets: Mapping[Side, SocketSeeds] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in self.points_lps_mm:
            check_name(name)
        checked = {name: as_vector(point, f"seed of {name}") for name, point in self.points_lps_mm.items()}
        object.__setattr__(self, "points_lps_mm", checked)

    def socket(self, side: Side) -> SocketSeeds:
        """Return the regions of one side, empty where nothing is known."""
        return self.sockets.get(side, SocketSeeds())


NO_SEEDS = AnatomySeeds()


def check_name(name: str) -> None:
    """Raise InputError ``landmark-unknown`` unless the name is in :data:`LANDMARK_NAMES`."""
    if name not in LANDMARK_NAMES:
        raise InputError(
            "landmark-unknown", f"there is no landmark named {name!r}", f"Known are {', '.join(LANDMARK_NAMES)}"
        )


def given(name: str, lps_mm: npt.ArrayLike, uncertainty_mm: float = GIVEN_UNCERTAINTY_MM) -> Landmark:
    """Return a landmark that the user placed, rounded as it stands in files: what rests on it is then the same to the
    last digit once it was saved and read again.
    """
    place = np.round(np.asarray(lps_mm, dtype=float), FILE_DECIMALS)
    return Landmark(name, place, Origin.GIVEN, round(uncertainty_mm, FILE_DECIMALS))


def with_given(detected: Landmarks, user: Landmarks) -> dict[str, Landmark]:
    """Return the detected landmarks with those of the user in their place, in the order of the list of
    names.
    """
    both = {**detected, **user}
    return {name: both[name] for name in LANDMARK_NAMES if name in both}


def extrapolated(landmark: Landmark, least_uncertainty_mm: float) -> Landmark:
    """Return the landmark marked as lying outside the image, with at least the stated uncertainty."""
    return replace(
        landmark,
        origin=Origin.EXTRAPOLATED,
        uncertainty_mm=max(landmark.uncertainty_mm, least_uncertainty_mm),
        across_uncertainty_mm=max(landmark.across_uncertainty_mm, least_uncertainty_mm),
    )
