"""What metal makes doubtful, hip by hip."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from cotyle.anatomy.findings import Concern, Finding
from cotyle.anatomy.metal.metal_cup import CupKind, MetalCup
from cotyle.anatomy.metal.metal_parts import PartKind
from cotyle.anatomy.segmentation.bones import Bones
from cotyle.image.labels import femur, hip_bone
from cotyle.image.metal import CLEAR_MM, Metal
from cotyle.image.sampling import sample
from cotyle.space.arrays import Array
from cotyle.space.side import Side

# Metal within this of the middle of a socket touches the plan; more than this much of it may be a cup.
_SOCKET_MM, _CUP_ML = 45.0, 3.0
# Beyond these a measured cup is called doubtful; half of what the validation allows at worst.
_DOUBTFUL_MM, _DOUBTFUL_DEG = 1.0, 1.25
# A dark line of a millimetre or more over this share of the bed is more than a seam; common practice, no source.
_LINE_SHARE = 0.4
_LEAST_SEEN = 0.5
_NEAR_SOCKET = (Concern.BONES, Concern.WALL, Concern.CENTER, Concern.COVERAGE)


def metal_findings(bones: Bones) -> Iterator[Finding]:
    """Return a finding for each hip that metal touches, and those of its artificial cup."""
    metal = bones.metal
    if metal is None:
        return
    for side in Side:
        cup = bones.metal_cups.get(side)
        near_ml = _near_socket_ml(bones, metal, side)
        if cup is not None:
            yield from _cup_findings(bones, cup)
        elif near_ml > 0.0 or _touches(bones, metal, side):
            text = f"metal lies by the {side} hip: edges of bone within {CLEAR_MM:.0f} mm of it are a guess"
            concerns = _NEAR_SOCKET if near_ml > 0.0 else (Concern.BONES,)
            yield Finding("metal", text, concerns=concerns, side=side)
            if near_ml > _CUP_ML:
                yield Finding(
                    f"metal-without-cup-{side}",
                    f"{near_ml:.0f} ml of metal lie in the {side} hip, but no artificial cup could be measured",
                    concerns=(Concern.METAL_CUP, *_NEAR_SOCKET),
                    side=side,
                )


def _cup_findings(bones: Bones, cup: MetalCup) -> Iterator[Finding]:
    side = cup.side
    yield Finding("metal", f"{_description(bones, cup)}; {_bed_text(cup)}", concerns=_NEAR_SOCKET, side=side)
    if cup.center_sd_mm > _DOUBTFUL_MM or cup.axis_sd_deg > _DOUBTFUL_DEG:
        yield Finding(
            f"metal-cup-doubtful-{side}",
            f"the {side} artificial cup is measured to {cup.center_sd_mm:.1f} mm and {cup.axis_sd_deg:.1f} deg only",
            concerns=(Concern.METAL_CUP,),
            side=side,
        )
    if side not in bones.neck_cuts and bones.origin == "segmented":
        yield Finding(
            f"neck-cut-unclear-{side}",
            f"where the neck of the {side} femur was cut doesn't show: its upper end is a guess",
            concerns=(Concern.BONES,),
            side=side,
        )


def _description(bones: Bones, cup: MetalCup) -> str:
    """The cup in words, with the parts that belong to it."""
    what = "a shell" if cup.kind is CupKind.SHELL else "a plastic cup in cement"
    own = [part for part in bones.metal_parts if part.side is cup.side]
    screws = sum(part.kind is PartKind.SCREW for part in own)
    others = [f"{screws} screw{'s' if screws > 1 else ''}"] if screws else []
    others += ["a stem"] if any(part.kind is PartKind.STEM for part in own) else []
    beside = f", with {' and '.join(others)}" if others else ""
    return f"the {cup.side} hip holds {what} of {cup.outer_diameter_mm:.0f} mm{beside}"


def _bed_text(cup: MetalCup) -> str:
    bed = cup.bed
    if bed is None or bed.seen_share < _LEAST_SEEN:
        return "the bone behind it is hardly seen, its socket is a guess of the shape model"
    seen = f"the bone behind it was seen on {bed.seen_share:.0%} of the dome"
    if cup.kind is CupKind.CEMENTED:
        return f"{seen}, {bed.gap_mm:.0f} mm off the plastic"
    if bed.gap_share < _LINE_SHARE:
        return f"{seen}, without a dark line that would show it loose"
    return f"{seen}, with a dark line of {bed.gap_mm:.1f} mm (median): it looks loose"


def _near_socket_ml(bones: Bones, metal: Metal, side: Side) -> float:
    """Metal within 45 mm of the middle of the socket, ml."""
    found = bones.correspondence
    middle = found.pelvis_lps_mm[found.model.lunate_vertices[side]].mean(axis=0)
    k, j, i = np.nonzero(metal.mask.voxels)
    points = metal.mask.to_lps(np.stack([i, j, k], axis=1).astype(np.float64))
    near = np.count_nonzero(np.linalg.norm(points - middle, axis=1) < _SOCKET_MM)
    return near * metal.mask.voxel_volume_mm3 / 1000.0


def _touches(bones: Bones, metal: Metal, side: Side) -> bool:
    """Whether metal lies within reach of a bone of that side."""
    vertices: Array = np.concatenate([bones.surfaces[name].vertices_lps_mm for name in (hip_bone(side), femur(side))])
    return bool((sample(metal.distance, vertices, outside=CLEAR_MM) < CLEAR_MM).any())
