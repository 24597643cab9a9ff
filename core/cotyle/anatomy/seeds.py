"""What the fitted shape model says about landmarks and sockets before the surfaces are asked."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from cotyle.anatomy.landmarks import LANDMARK_NAMES, AnatomySeeds, SocketSeeds
from cotyle.anatomy.metal.metal_cup import MetalCup
from cotyle.anatomy.segmentation.bones import Correspondence
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.side import Side

NO_CUPS: Mapping[Side, MetalCup] = MappingProxyType({})
NO_POINTS = np.empty((0, 3))


def seeds_from(found: Correspondence, metal_cups: Mapping[Side, MetalCup] = NO_CUPS) -> AnatomySeeds:
    """Return the carried landmarks and socket regions of bones whose surfaces keep the model's vertices.

    A hip with an artificial cup has no head; where bone was seen behind the cup, that is its socket.
    """
    model, pelvis = found.model, found.pelvis_lps_mm
    points = {name: point for name, point in model.landmarks(pelvis).items() if name in LANDMARK_NAMES}
    sockets = {
        side: SocketSeeds(
            lunate=pelvis[model.lunate_vertices[side]],
            fossa=pelvis[model.fossa_vertices[side]],
            rim=pelvis[model.rim_vertices[side]],
            head=NO_POINTS if side in metal_cups else found.femora[side].vertices[model.head_vertices],
            bed=metal_cups[side].bed if side in metal_cups else None,
            model=fit_sphere_robust(found.pelvis_model_lps_mm[model.lunate_vertices[side]])[0],
        )
        for side in Side
    }
    return AnatomySeeds(points, sockets)
