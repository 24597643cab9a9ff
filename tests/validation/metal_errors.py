"""Errors of the artificial cups: those measured in a scan against those that were put in.

A cup that was not found, or found where none lies, is an infinite error.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from cotyle.anatomy.segmentation.bones import Bones
from cotyle.space.side import Side
from cotyle_sample.truth import Truth

from tests.validation.errors_of import Error, Stated


def metal_errors(name: str, bones: Bones, truth: Truth) -> Iterator[Error]:
    """Return the errors of centre (mm), axis (deg) and diameter (mm) of every artificial cup of one scan."""
    for side in Side:
        true, found = truth.metal_cups.get(side), bones.metal_cups.get(side)
        where = f"{name} {side}"
        if true is None and found is None:
            continue
        if true is None or found is None:
            missing = "not found" if found is None else "found where none lies"
            for quantity in ("metal_cup_center", "metal_cup_axis", "metal_cup_diameter"):
                yield Error(quantity, f"{where} {missing}", np.inf, side)
            continue
        shift = found.center_lps_mm - true.sphere.center_lps_mm
        angle = np.rad2deg(np.arccos(np.clip(found.opening_axis_lps @ true.opening_axis, -1.0, 1.0)))
        yield Error("metal_cup_center", where, float(np.linalg.norm(shift)), side)
        yield Error("metal_cup_axis", where, float(angle), side)
        size = found.outer_diameter_mm - true.sphere.diameter_mm
        yield Error("metal_cup_diameter", where, abs(size), side)


def metal_stated(name: str, bones: Bones, truth: Truth) -> Iterator[Stated]:
    """Return errors of the cups that were found beside the deviations stated for them.

    The centre axis by axis; of the opening axis the two parts at right angles to the true one.
    """
    for side, found in bones.metal_cups.items():
        true = truth.metal_cups.get(side)
        if true is None:
            continue
        where = f"{name} {side}"
        for shift in found.center_lps_mm - true.sphere.center_lps_mm:
            yield Stated("metal_cup_center", where, float(shift), found.center_sd_mm)
        across = np.linalg.svd(true.opening_axis[None])[2][1:]
        for part in across @ found.opening_axis_lps:
            yield Stated("metal_cup_axis", where, float(np.rad2deg(np.arcsin(part))), found.axis_sd_deg)
        size = found.outer_diameter_mm - true.sphere.diameter_mm
        yield Stated("metal_cup_diameter", where, size, found.diameter_sd_mm)
