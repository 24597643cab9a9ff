"""Hips replaced before: what their metal tells of the bones, before and after the bones' surfaces are found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from cotyle.anatomy.metal.bony_bed import BedPoints, bed_guide, bed_of, look_behind, look_behind_cement
from cotyle.anatomy.metal.metal_cup import CupKind, MetalCup
from cotyle.anatomy.metal.metal_cup_search import FoundCup, find_metal_cup
from cotyle.anatomy.metal.metal_parts import MetalPart, metal_parts
from cotyle.anatomy.metal.resected_femur import Resection, find_resection
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.anatomy.shapes.surface_fit import Guide, Trust
from cotyle.image.labels import femur
from cotyle.image.metal import Metal
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.mesh import TriangleMesh
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# Bone may reach so far into the sphere of a cup: what cup and bone are known to, together.
_INTO_CUP_MM = 0.8
# The mantle of cement is at least as thick as this share of it is.
_NARROWEST_PERCENT = 10.0


@dataclass(frozen=True, eq=False)
class ReplacedHip:
    """One replaced hip: its cup, and what rays through the cup's dome found behind it."""

    found: FoundCup
    behind: BedPoints

    @property
    def kept_free(self) -> Sphere:
        """The sphere that holds no bone: the cup, with its cement."""
        cup, seen = self.found.cup, self.behind.seen
        mantle = 0.0
        if cup.kind is CupKind.CEMENTED and seen.any():
            mantle = float(np.percentile(self.behind.gap_mm[seen], _NARROWEST_PERCENT))
        return Sphere(cup.center_lps_mm, 0.5 * cup.outer_diameter_mm + mantle - _INTO_CUP_MM)

    @property
    def ball(self) -> Sphere:
        """The artificial head; where none was found the middle of the cup with a usual one's size."""
        return self.found.ball or Sphere(self.found.cup.center_lps_mm, 14.0)


def find_replaced_hips(
    volume: Volume, metal: Metal | None, near_lps_mm: Mapping[Side, Array]
) -> dict[Side, ReplacedHip]:
    """Return the replaced hips near the middles of the hips, by side."""
    hips: dict[Side, ReplacedHip] = {}
    if metal is None:
        return hips
    for side, near in near_lps_mm.items():
        found = find_metal_cup(volume, metal, side, near)
        if found is not None:
            hips[side] = ReplacedHip(found, _behind(volume, found))
    return hips


def guide_of(hips: Mapping[Side, ReplacedHip]) -> Guide | None:
    """Return what draws hip bones to the beds of their artificial cups."""
    return bed_guide([hip.behind for hip in hips.values()]) if hips else None


def find_neck_cuts(
    volume: Volume, surfaces: Mapping[str, TriangleMesh], hips: Mapping[Side, ReplacedHip], trust: Trust | None
) -> dict[Side, Resection]:
    """Return where the necks of replaced hips were cut; ``surfaces`` are the bones as found, femora whole."""
    found = {side: find_resection(volume, surfaces[femur(side)], hip.ball, trust) for side, hip in hips.items()}
    return {side: cut for side, cut in found.items() if cut is not None}


def parts_of_metal(volume: Volume, metal: Metal | None, hips: Mapping[Side, ReplacedHip]) -> tuple[MetalPart, ...]:
    """Return what the metal of a scan is."""
    return () if metal is None else metal_parts(volume, metal, {side: hip.found for side, hip in hips.items()})


def cups_with_beds(hips: Mapping[Side, ReplacedHip], model: ShapeModel, pelvis_lps_mm: Array) -> dict[Side, MetalCup]:
    """Return the cups with the bony beds of their sides; ``pelvis_lps_mm`` are the model's vertices as found."""
    cups = {}
    for side, hip in hips.items():
        lunate, fossa = model.lunate_vertices[side], model.fossa_vertices[side]
        bed = bed_of(hip.behind, pelvis_lps_mm[lunate], pelvis_lps_mm[fossa])
        cups[side] = replace(hip.found.cup, bed=bed)
    return cups


def _behind(volume: Volume, found: FoundCup) -> BedPoints:
    cup = found.cup
    sphere = Sphere(cup.center_lps_mm, 0.5 * cup.outer_diameter_mm)
    if found.inner_radius_mm is None:
        return look_behind_cement(volume, sphere, cup.opening_axis_lps)
    behind = look_behind(volume, sphere, cup.opening_axis_lps, found.inner_radius_mm)
    # a gap counts from the face of the cup
    return replace(behind, depth_sd_mm=0.5 * cup.diameter_sd_mm)
