"""What stands in the socket of each side: a femoral head, one that has left its socket, or an artificial hip."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from cotyle.anatomy.metal.replaced_hips import ReplacedHip, find_replaced_hips
from cotyle.anatomy.segmentation.empty_socket import EmptySocket, find_empty_socket
from cotyle.anatomy.segmentation.femoral_head import find_head, neck_direction
from cotyle.anatomy.segmentation.femur_fit import FemurShape, fit_femur_shape, follow_femur
from cotyle.anatomy.segmentation.head_search import find_displaced_head
from cotyle.anatomy.segmentation.pelvis_fit import PelvisShape
from cotyle.anatomy.shapes.shape_model import ShapeModel
from cotyle.image.metal import Metal
from cotyle.image.volume import Volume
from cotyle.space.arrays import Array
from cotyle.space.fits import fit_sphere_robust
from cotyle.space.shapes import Sphere
from cotyle.space.side import Side


@dataclass(frozen=True, eq=False)
class Joints:
    """Both hips, by side.

    replaced: artificial hips. seen: natural heads as seen from within; a side without one is left out. free: sphere
    that holds no bone of the pelvis: the head, or the artificial cup. necks_lps: from the head along the neck.
    femora: the model's femur fitted to the scan. empty: sockets that their heads have left.
    """

    replaced: Mapping[Side, ReplacedHip]
    seen: Mapping[Side, Sphere]
    free: Mapping[Side, Sphere]
    necks_lps: Mapping[Side, Array]
    femora: Mapping[Side, FemurShape]
    empty: tuple[EmptySocket, ...]


def find_joints(
    volume: Volume, smooth: Volume, metal: Metal | None, pelvis: PelvisShape, coarse: ShapeModel, fine: ShapeModel
) -> Joints:
    """Find both hips of a scan.

    Parameters
    ----------
    volume, smooth:
        CT in HU, and a coarse one without noise and metal.
    pelvis:
        The fitted pelvis; its vertices are those of ``coarse``.
    coarse, fine:
        The shape model to search with, and that to follow the scan with.
    """
    trust = metal.belief if metal else None
    fitted = pelvis.vertices(coarse)
    sockets = {side: fit_sphere_robust(fitted[coarse.lunate_vertices[side]])[0] for side in Side}
    necks = {side: neck_direction(pelvis.fit.pose, side) for side in Side}
    replaced = find_replaced_hips(volume, metal, {side: each.center_lps_mm for side, each in sockets.items()})
    seen = {}
    for side in (each for each in Side if each not in replaced):
        head = find_head(volume, sockets[side], necks[side], trust) or find_displaced_head(
            volume, smooth, sockets[side], pelvis.fit.pose, side, trust
        )
        if head is not None:
            seen[side] = head
    starts = sockets | {side: hip.ball for side, hip in replaced.items()} | seen
    femora = {
        side: fit_femur_shape(smooth, coarse, side, pelvis.fit, starts[side].center_lps_mm, side in seen, trust)
        for side in Side
    }
    free = seen | {side: hip.kept_free for side, hip in replaced.items()}
    for side in (each for each in Side if each not in free):
        free[side] = follow_femur(volume, fine, side, femora[side], trust=trust).head
    medial = {side: pelvis.fit.pose.rotation @ np.array([-side.lateral_sign, 0.0, 0.0]) for side in Side}
    empty = tuple(
        socket for side in seen for socket in find_empty_socket(volume, sockets[side], seen[side], medial[side])
    )
    return Joints(replaced, seen, free, necks, femora, empty)
