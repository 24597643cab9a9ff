"""What the metal of a scan is: parted by place, size and shape into shell, head, stem, screws, wire and the rest.

Shell, head and wire are where the measured cup has them. What is left falls into connected pieces: one that begins at
the head is neck and stem; a thin straight one is a screw; everything else keeps no name. Density tells a heavy alloy
from a light one where the scanner's numbers go far enough.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import SimpleITK as sitk

from cotyle.anatomy.metal.metal_cup import CupKind
from cotyle.anatomy.metal.metal_cup_search import FoundCup
from cotyle.image.metal import LEAST_METAL_MM3, Metal
from cotyle.image.sampling import sample
from cotyle.image.sitk_bridge import to_sitk
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, BoolArray
from cotyle.space.side import Side

# Metal above half of its height ends about so far outside of its face, in voxels of a millimetre.
_MARGIN_MM = 0.8
_WIRE_MM = (3.5, 4.0)
# Screws are 3.5 to 7 mm thick and from 12 mm long (common practice, no source); their blur and a bit of the shell they
# begin in make them look wider.
_SCREW_WIDE_MM, _LEAST_LENGTH_MM = 11.0, 10.0
_AT_HEAD_MM = 3.0
_FARTHEST_MM = 90.0


class PartKind(StrEnum):
    """What a part of the metal is."""

    SHELL = "shell"
    HEAD = "head"
    STEM = "stem"
    SCREW = "screw"
    WIRE = "wire"
    OTHER = "other"


@dataclass(frozen=True, eq=False)
class MetalPart:
    """One part: which, on which side (None where no cup is near), its volume, length, median density and middle."""

    kind: PartKind
    side: Side | None
    volume_ml: float
    length_mm: float
    density_hu: float
    center_lps_mm: Array


def metal_parts(volume: Volume, metal: Metal, cups: Mapping[Side, FoundCup]) -> tuple[MetalPart, ...]:
    """Return the parts of the metal of a scan, those of the cups first."""
    k, j, i = np.nonzero(metal.mask.voxels)
    points = metal.mask.to_lps(np.stack([i, j, k], axis=1).astype(np.float64))
    density = sample(volume, points).astype(np.float64)
    rest = np.ones(len(points), dtype=bool)
    parts: list[MetalPart] = []
    for side, found in cups.items():
        for kind, own in _of_cup(points, found):
            own &= rest
            rest &= ~own
            if own.any():
                parts.append(_part(kind, side, points[own], density[own], volume.voxel_volume_mm3))
    for piece in _pieces(metal, (k[rest], j[rest], i[rest]), volume.voxel_volume_mm3):
        rows = np.flatnonzero(rest)[piece]
        nearest = _nearest_side(points[rows], cups)
        kind = _kind(points[rows], None if nearest is None else cups[nearest])
        parts.append(_part(kind, nearest, points[rows], density[rows], volume.voxel_volume_mm3))
    return tuple(parts)


def _of_cup(points: Array, found: FoundCup) -> list[tuple[PartKind, BoolArray]]:
    cup, ball = found.cup, found.ball
    offset = points - cup.center_lps_mm
    away, height = np.linalg.norm(offset, axis=1), offset @ cup.opening_axis_lps
    outer = 0.5 * cup.outer_diameter_mm
    named = []
    if ball is not None:
        in_ball = np.linalg.norm(points - ball.center_lps_mm, axis=1) < ball.radius_mm + _MARGIN_MM
        named.append((PartKind.HEAD, in_ball))
    if cup.kind is CupKind.SHELL and found.inner_radius_mm is not None:
        wall = (away > found.inner_radius_mm - _MARGIN_MM) & (away < outer + _MARGIN_MM)
        named.append((PartKind.SHELL, wall & (height < 2.0 * _MARGIN_MM)))
    if cup.kind is CupKind.CEMENTED:
        near, thick = _WIRE_MM
        named.append((PartKind.WIRE, (np.abs(away - outer) < near) & (np.abs(height) < thick)))
    return named


def _pieces(metal: Metal, kji: tuple[npt.NDArray[np.integer], ...], voxel_mm3: float) -> list[npt.NDArray[np.int64]]:
    """Connected pieces of what is left, as rows of ``kji``; specks are left out."""
    if len(kji[0]) == 0:
        return []
    left = np.zeros(metal.mask.voxels.shape, dtype=np.uint8)
    left[kji] = 1
    numbers = sitk.GetArrayFromImage(sitk.ConnectedComponent(to_sitk(metal.mask.with_voxels(left)), True))[kji]
    found = [np.flatnonzero(numbers == number) for number in np.unique(numbers)]
    return [piece for piece in found if len(piece) * voxel_mm3 >= LEAST_METAL_MM3]


def _nearest_side(points: Array, cups: Mapping[Side, FoundCup]) -> Side | None:
    away = {side: float(np.linalg.norm(points - found.cup.center_lps_mm, axis=1).min()) for side, found in cups.items()}
    side = min(away, key=lambda each: away[each], default=None)
    return side if side is not None and away[side] < _FARTHEST_MM else None


def _kind(points: Array, found: FoundCup | None) -> PartKind:
    length, width = _extent(points)
    if found is not None and found.ball is not None:
        gap = np.linalg.norm(points - found.ball.center_lps_mm, axis=1).min() - found.ball.radius_mm
        outside = (points.mean(axis=0) - found.cup.center_lps_mm) @ found.cup.opening_axis_lps > 0.0
        if gap < _AT_HEAD_MM and outside:
            return PartKind.STEM
    return PartKind.SCREW if length > _LEAST_LENGTH_MM and width < _SCREW_WIDE_MM else PartKind.OTHER


def _extent(points: Array) -> tuple[float, float]:
    """Length of a part and its greatest width across; of a bent part, too, it is the width of the box that holds it."""
    offset = points - points.mean(axis=0)
    ways = np.linalg.eigh(offset.T @ offset)[1]
    return float(np.ptp(offset @ ways[:, 2])), float(np.ptp(offset @ ways[:, 1]))


def _part(kind: PartKind, side: Side | None, points: Array, density: Array, voxel_mm3: float) -> MetalPart:
    volume_ml = len(points) * voxel_mm3 / 1000.0
    return MetalPart(kind, side, volume_ml, _extent(points)[0], float(np.median(density)), points.mean(axis=0))
