"""Boxes of voxels with an artificial hip in them, laid by formula; blurred like a scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from cotyle.image.volume import Volume
from cotyle.space.arrays import unit
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side
from scipy.ndimage import gaussian_filter

SPACING_MM = np.array([0.8, 0.8, 1.0])
SIDE = Side.LEFT
MIDDLE = np.array([38.3, 41.1, 44.6])
AXIS = unit([0.66, -0.25, -0.71])
TITANIUM_HU, COBALT_HU, STEEL_HU, PLASTIC_HU, TISSUE_HU = 8000.0, 16000.0, 9000.0, -90.0, 50.0
BLUR_MM, NOISE_HU = 0.6, 15.0


@dataclass(frozen=True)
class Hip:
    """What lies in the box: a shell (or, cemented, a plastic cup with its wire), a ball, screws, and bone beyond.

    line_mm: between cup and bone, soft tissue or cement. bed_shift_mm: of the bone's hollow against the cup.
    """

    cup_radius_mm: float = 27.0
    shell_mm: float = 4.0
    ball_radius_mm: float = 14.0
    line_mm: float = 0.0
    bed_shift_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    screws: int = 0
    cemented: bool = False
    cement_hu: float = 1000.0
    cortex_mm: float = 1.8
    with_cup: bool = True
    ceiling_hu: float = 30_000.0

    @property
    def cup(self) -> Sphere:
        """The outside of the cup."""
        return Sphere(MIDDLE, self.cup_radius_mm)

    @property
    def bed(self) -> Sphere:
        """The hollow of the bone."""
        return Sphere(MIDDLE + np.asarray(self.bed_shift_mm), self.cup_radius_mm + self.line_mm)


def scan_of(hip: Hip, size: tuple[int, int, int] = (100, 104, 88)) -> Volume:
    """The box, ``size`` along i, j, k."""
    fine = [np.arange(n) * step for n, step in zip(size, SPACING_MM, strict=True)]
    z, y, x = np.meshgrid(fine[2], fine[1], fine[0], indexing="ij")
    points = np.stack([x, y, z], axis=-1)
    offset = points - MIDDLE
    away, height = np.linalg.norm(offset, axis=-1), offset @ AXIS
    from_bed = np.linalg.norm(points - hip.bed.center_lps_mm, axis=-1) - hip.bed.radius_mm
    hu = np.full(away.shape, TISSUE_HU)

    def lay(distance_mm: np.ndarray, density: float) -> None:
        """Fill where the distance is negative, with a soft edge of a voxel."""
        share = np.clip(0.5 - distance_mm / 0.85, 0.0, 1.0)
        hu[...] += (density - hu) * share

    dome = height - 2.0
    lay(np.maximum(-from_bed, dome), 1100.0)
    lay(np.maximum(hip.cortex_mm - from_bed, dome), 300.0)
    if hip.with_cup:
        inner = hip.ball_radius_mm + 0.1
        if hip.cemented:
            lay(np.maximum(from_bed, height + 1.0), hip.cement_hu)
            lay(np.maximum(away - hip.cup_radius_mm, height), PLASTIC_HU)
            around = np.sqrt(np.maximum(away**2 - height**2, 0.0))
            lay(np.hypot(around - (hip.cup_radius_mm - 1.2), height + 1.0) - 0.8, STEEL_HU)
        else:
            lay(np.maximum(away - hip.cup_radius_mm, height), TITANIUM_HU)
            inner = hip.cup_radius_mm - hip.shell_mm
            lay(np.maximum(away - inner, height), PLASTIC_HU)
        for number in range(hip.screws):
            way = unit([-0.2 + 0.5 * number, 0.25, 1.0])
            along = offset @ way
            across = np.sqrt(np.maximum(away**2 - along**2, 0.0))
            start = hip.cup_radius_mm - hip.shell_mm
            lay(np.maximum.reduce([across - 2.5, start - along, along - start - 24.0]), TITANIUM_HU)
    lay(away - hip.ball_radius_mm, COBALT_HU)
    along = offset @ AXIS
    lay(np.maximum(np.sqrt(np.maximum(away**2 - along**2, 0.0)) - 6.5, -along), TITANIUM_HU)
    hu = gaussian_filter(hu, BLUR_MM / SPACING_MM[::-1])
    hu += NOISE_HU * np.random.default_rng(3).standard_normal(hu.shape)
    return Volume(np.minimum(hu, hip.ceiling_hu).astype(np.int16), np.diag([*SPACING_MM, 1.0]))
