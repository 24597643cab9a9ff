"""What the fitted shape model says about landmarks and sockets before the surfaces are asked."""

from __future__ import annotations

from cotyle.anatomy.bones import Correspondence
from cotyle.anatomy.landmarks import LANDMARK_NAMES, AnatomySeeds, SocketSeeds
from cotyle.space.side import Side


def seeds_from(found: Correspondence) -> AnatomySeeds:
    """Return the carried landmarks and socket regions of bones whose surfaces keep the model's vertices."""
    model, pelvis = found.model, found.pelvis_lps_mm
    points = {name: point for name, point in model.landmarks(pelvis).items() if name in LANDMARK_NAMES}
    sockets = {
        side: SocketSeeds(
            lunate=pelvis[model.lunate_vertices[side]],
            fossa=pelvis[model.fossa_vertices[side]],
            rim=pelvis[model.rim_vertices[side]],
            head=found.femora[side].vertices[model.head_vertices],
        )
        for side in Side
    }
    return AnatomySeeds(points, sockets)
