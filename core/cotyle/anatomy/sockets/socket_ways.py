"""Every way to know one socket's sphere, each with its uncertainty, and what they say together.

| way | what it rests on | one SD of the centre, per axis |
|---|---|---|
| articular surface | the lunate surface of the scan | that of the fit |
| bony bed | the bone seen behind an artificial cup | that of the bed |
| femoral head | a head that still lies in its socket | 1.5 mm, and what the joint space has lost |
| opposite socket | the other one, its hip bone's mirror image laid onto this one | 2 mm, twice the misfit, its own |
| shape model | the fitted model before it followed the scan | 2.5 mm |
| rim | a circle through the edge, 0.19 radii below the sphere's middle in a usual socket | 2 mm |

A socket that its head has left has another shape: there the last two are stated 1.5 times as wide, and the opposite
socket with another 5 mm, on either side. The deviations were measured on synthetic pelves: sixteen healthy ones, eight
of them 2 mm off the model (opposite socket 0.9 and 1.6 mm per axis at a misfit of 0.47 and 0.83 mm; rim 1.3 mm), and
eight displaced hips (opposite socket 5.1 mm, model 3.6, rim 2.6). The opposite socket is stated wider because people
are less alike than that; common practice, no source.

Together: the mean by inverse variance, in which a way counts less the farther it lies from the mean of all (weights
after Geman and McClure, Bull Int Stat Inst 1987;52(4):5; from memory). The deviation of the mean grows where the ways
scatter more than they should (Birge, Phys Rev 1932;40:207; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from cotyle.anatomy.landmarks import SocketSeeds
from cotyle.anatomy.mirrored_half import MirroredHalf
from cotyle.anatomy.sockets.rim import Rim
from cotyle.anatomy.sockets.socket_sphere import BED, SocketSphere
from cotyle.errors import InputError
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_circle
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

SURFACE, HEAD, OPPOSITE, MODEL, RIM = "articular surface", "femoral head", "opposite socket", "shape model", "rim"
_DOUBTFUL_BELOW = 0.005
_ROUNDS = 20
# squared distance in deviations at which a way counts a quarter
_DOUBTED = 9.0
_HEAD_SD_MM, _HEAD_DIAMETER_SD_MM, _USUAL_SPACE_MM = 1.5, 3.0, 2.5
_OPPOSITE_SD_MM, _MISFITS, _OPPOSITE_DIAMETER_SD_MM = 2.0, 2.0, 2.0
_MODEL_SD_MM, _MODEL_DIAMETER_SD_MM = 2.5, 4.0
_LEFT_OPPOSITE_SD_MM, _LEFT_WIDER = 5.0, 1.5
_RIM_SD_MM, _RIM_DIAMETER_SD_MM, _RIM_BELOW, _RIM_SIZE = 2.0, 2.0, 0.19, 0.96


@dataclass(frozen=True, eq=False)
class SocketWay:
    """One way to know a socket's sphere; deviations are one standard deviation, that of the centre along each axis."""

    name: str
    sphere: Sphere
    center_sd_mm: float
    diameter_sd_mm: float


@dataclass(frozen=True)
class Disagreement:
    """One way against all the others: distance of the centres, how likely so much is by chance."""

    way: str
    apart_mm: float
    chance: float


@dataclass(frozen=True, eq=False)
class CombinedWays:
    """What all ways say together, and those that disagree with the others by more than their deviations allow."""

    sphere: Sphere
    center_sd_mm: float
    diameter_sd_mm: float
    ways: tuple[SocketWay, ...]
    disagreements: tuple[Disagreement, ...] = ()


def combine_ways(ways: Sequence[SocketWay]) -> CombinedWays:
    """Combine at least one way; rules at the module's top.

    Raises
    ------
    InputError
        ``socket-not-found`` without any.
    """
    if not ways:
        raise InputError("socket-not-found", "nothing says where this socket lies", "Give the hip centre as a landmark")
    centers = np.array([way.sphere.center_lps_mm for way in ways])
    center, center_sd = _robust_mean(centers, np.array([way.center_sd_mm for way in ways]))
    diameters = np.array([[way.sphere.diameter_mm] for way in ways])
    diameter, diameter_sd = _robust_mean(diameters, np.array([way.diameter_sd_mm for way in ways]))
    found = [_against_others(ways, number) for number in range(len(ways))] if len(ways) > 1 else []
    apart = tuple(each for each in found if each.chance < _DOUBTFUL_BELOW)
    return CombinedWays(Sphere(center, 0.5 * float(diameter[0])), center_sd, diameter_sd, tuple(ways), apart)


def gather_ways(
    side: Side,
    fit: SocketSphere,
    rim: Rim | None,
    seeds: SocketSeeds,
    left: bool = False,
    opposite: SocketSphere | None = None,
    halves: MirroredHalf | None = None,
    opposite_left: bool = False,
) -> list[SocketWay]:
    """Return every way that there is for one socket, the most direct one first.

    ``left``, ``opposite_left``: whether its head, or that of the other socket, has left it.
    """
    wider = _LEFT_WIDER if left else 1.0
    first = BED if fit.method == BED else SURFACE
    ways = [SocketWay(first, fit.sphere, fit.uncertainty_mm, fit.diameter_uncertainty_mm)]
    if fit.head is not None and not left:
        ways.append(_by_head(fit.head, fit.sphere))
    if opposite is not None and halves is not None:
        ways.append(_by_opposite(side, opposite, halves, left or opposite_left))
    if seeds.model is not None:
        ways.append(SocketWay(MODEL, seeds.model, wider * _MODEL_SD_MM, _MODEL_DIAMETER_SD_MM))
    if rim is not None:
        ways.append(_by_rim(rim, wider))
    return ways


def _by_head(head: Sphere, socket: Sphere) -> SocketWay:
    lost_mm = _USUAL_SPACE_MM - (socket.radius_mm - head.radius_mm)
    sphere = Sphere(head.center_lps_mm, head.radius_mm + _USUAL_SPACE_MM)
    return SocketWay(HEAD, sphere, float(np.hypot(_HEAD_SD_MM, max(lost_mm, 0.0))), _HEAD_DIAMETER_SD_MM)


def _by_opposite(side: Side, opposite: SocketSphere, halves: MirroredHalf, left: bool) -> SocketWay:
    unlike_mm = _MISFITS * halves.misfit_mm
    sphere = Sphere(halves.onto(side, opposite.sphere.center_lps_mm), opposite.sphere.radius_mm)
    another_shape_mm = _LEFT_OPPOSITE_SD_MM if left else 0.0
    center_sd = np.sqrt(_OPPOSITE_SD_MM**2 + another_shape_mm**2 + unlike_mm**2 + opposite.uncertainty_mm**2)
    diameter_sd = np.sqrt(_OPPOSITE_DIAMETER_SD_MM**2 + unlike_mm**2 + opposite.diameter_uncertainty_mm**2)
    return SocketWay(OPPOSITE, sphere, float(center_sd), float(diameter_sd))


def _by_rim(rim: Rim, wider: float) -> SocketWay:
    circle = fit_circle(rim.edge_lps_mm)
    radius = _RIM_SIZE * circle.radius_mm
    center = circle.center_lps_mm + _RIM_BELOW * radius * rim.opening_axis_lps
    return SocketWay(RIM, Sphere(center, radius), wider * _RIM_SD_MM, _RIM_DIAMETER_SD_MM)


def _robust_mean(values: Array, deviations: Array) -> tuple[Array, float]:
    """Mean (d,) of values (n, d) with deviations (n,) per axis, and its own deviation per axis."""
    weights = deviations**-2.0
    mean = values[int(np.argmin(deviations))]
    squared = np.zeros(len(values))
    for _ in range(_ROUNDS):
        squared = ((values - mean) ** 2).sum(axis=1) / deviations**2
        weights = deviations**-2.0 / (1.0 + squared / _DOUBTED) ** 2
        mean = (weights[:, None] * values).sum(axis=0) / weights.sum()
    freedom = max((len(values) - 1) * values.shape[1], 1)
    scatter = float((weights * deviations**2 * squared).sum()) / freedom
    return mean, float(np.sqrt(max(scatter, 1.0) / weights.sum()))


def _against_others(ways: Sequence[SocketWay], number: int) -> Disagreement:
    """One way against the mean of the others, centre and diameter."""
    way, others = ways[number], [each for row, each in enumerate(ways) if row != number]
    center, center_sd = _robust_mean(
        np.array([each.sphere.center_lps_mm for each in others]), np.array([each.center_sd_mm for each in others])
    )
    apart = way.sphere.center_lps_mm - center
    squared = float(apart @ apart) / (way.center_sd_mm**2 + center_sd**2)
    return Disagreement(way.name, float(np.linalg.norm(apart)), float(chi2.sf(squared, 3)))
