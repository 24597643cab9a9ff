"""An artificial cup looked for near a hip: first the ball, then a shell about it, else a ring of wire in cement."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.metal.cemented_cup import find_cemented_cup
from cotyle.anatomy.metal.metal_cup import CupKind, MetalCup
from cotyle.anatomy.metal.metal_head import find_metal_head
from cotyle.anatomy.metal.metal_shell import find_shell
from cotyle.image.metal import Metal
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array, unit
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side

# Metal this near to a hip's middle may be an artificial cup.
_NEAR_MM = 45.0
# An artificial cup holds at least this much metal: less is a screw or a wire of an operation of another kind.
_LEAST_METAL_MM3 = 300.0
# The mouth of a cup looks this way or that within a right angle of lateral and down.
_OUTWARD = np.array([0.7, 0.0, -0.7])


@dataclass(frozen=True, eq=False)
class FoundCup:
    """A cup with what it was found by: the sphere of the ball, None without one, and the shell's inner radius."""

    cup: MetalCup
    ball: Sphere | None
    inner_radius_mm: float | None


def find_metal_cup(volume: Volume, metal: Metal, side: Side, near_lps_mm: Array) -> FoundCup | None:
    """Return the artificial cup of one hip, or None if there is none.

    Parameters
    ----------
    volume:
        CT in HU, full resolution.
    near_lps_mm:
        Rough middle of the hip, (3,); a few centimetres don't matter.
    """
    part = metal.mask.around(np.asarray(near_lps_mm)[None], _NEAR_MM)
    if np.count_nonzero(part.voxels) * volume.voxel_volume_mm3 < _LEAST_METAL_MM3:
        return None
    head = find_metal_head(volume, metal, near_lps_mm)
    ball = None if head is None else head.sphere
    middle, radius = (near_lps_mm, 0.0) if ball is None else (ball.center_lps_mm, ball.radius_mm)
    outward = unit(_OUTWARD * [side.lateral_sign, 1.0, 1.0])
    shell = find_shell(volume, middle, radius)
    if shell is not None and shell.opening_axis @ outward > 0.0:
        cup = MetalCup(
            side,
            CupKind.SHELL,
            shell.outer.center_lps_mm,
            shell.opening_axis,
            shell.outer.diameter_mm,
            shell.center_sd_mm,
            shell.axis_sd_deg,
            shell.diameter_sd_mm,
        )
        return FoundCup(cup, ball, shell.inner_radius_mm)
    if ball is None:
        return None
    plastic = find_cemented_cup(volume, metal, ball, outward)
    if plastic is None:
        return None
    cup = MetalCup(
        side,
        CupKind.CEMENTED,
        plastic.outer.center_lps_mm,
        plastic.opening_axis,
        plastic.outer.diameter_mm,
        plastic.center_sd_mm,
        plastic.axis_sd_deg,
        plastic.diameter_sd_mm,
    )
    return FoundCup(cup, ball, None)
